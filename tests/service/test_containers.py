"""The image and `docker-compose.yml`, held against the Compose specification and against the program, because
no engine has run them here."""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml
from celery.app.utils import find_app
from click.testing import CliRunner
from compose_spec import PyCompose
from typer.main import get_command

from service.cli.main import app
from service.running.worker import celery
from service.shop.settings import Settings

ROOT = Path(__file__).parents[2]
COMPOSE: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text(encoding="utf-8"))
SERVICES: dict[str, dict[str, Any]] = COMPOSE["services"]
OURS = [name for name, service in SERVICES.items() if service["image"] == "ricasso"]
IMAGE = (ROOT / "Dockerfile").read_text(encoding="utf-8").replace("\\\n", " ")


def as_the_specification_has_it(described: dict[str, Any]) -> str:
    """What a reader of the Compose specification (https://compose-spec.io, package compose-spec) has against
    it; nothing: an empty string."""
    try:
        PyCompose.from_yaml(yaml.safe_dump(described)).validate()
    except ValueError as wrong:
        return str(wrong)
    return ""


def instructions(name: str) -> list[str]:
    return re.findall(rf"^{name} (.+)$", IMAGE, re.MULTILINE)


def is_a_command(words: list[str]) -> bool:
    """`ricasso` with a command and options that there are."""
    program, *arguments = words
    asked = CliRunner().invoke(get_command(app), [*arguments, "--help"])
    return program == "ricasso" and asked.exit_code == 0 and arguments[0] in asked.output


def test_the_composition_is_one_by_the_specification() -> None:
    assert as_the_specification_has_it(COMPOSE) == ""


def _api(**changes: Any) -> Callable[[dict[str, Any]], None]:
    return lambda described: described["services"]["api"].update(changes)


@pytest.mark.parametrize(
    "fault",
    [
        _api(restrat="always"),
        _api(ports=["127.0.0.1:8000:http"]),
        _api(stop_grace_period="soon"),
        _api(depends_on={"broker": {"condition": "service_wealthy"}}),
    ],
)
def test_a_fault_in_it_is_seen(fault: Callable[[dict[str, Any]], None]) -> None:
    faulty = json.loads(json.dumps(COMPOSE))

    fault(faulty)

    assert as_the_specification_has_it(faulty) != ""


def test_what_it_names_is_there() -> None:
    for name, service in SERVICES.items():
        assert set(service.get("depends_on", {})) <= set(SERVICES), name
        for volume in service["volumes"]:
            assert volume.partition(":")[0] in COMPOSE["volumes"], name
        for other in service.get("depends_on", {}):
            # Who is waited for until healthy says how that is seen; the image says it of the API.
            assert "healthcheck" in SERVICES[other] or (other == "api" and instructions("HEALTHCHECK"))


def test_what_is_set_are_settings_and_no_secret_is_written_down() -> None:
    known = {f"RICASSO_{name.upper()}" for name in Settings.model_fields}

    for name in OURS:
        assert set(SERVICES[name]["environment"]) <= known, name
    text = (ROOT / "docker-compose.yml").read_text(encoding="utf-8")
    assert set(re.findall(r"PASSWORD: (\S+)", text)) == {"${POSTGRES_PASSWORD:?set"}
    url = SERVICES["api"]["environment"]["RICASSO_DATABASE_URL"]
    database = SERVICES["database"]["environment"]
    assert url.startswith(f"postgresql+psycopg://{database['POSTGRES_USER']}:$")
    assert url.endswith(f"@database:5432/{database['POSTGRES_DB']}")


def test_what_it_runs_are_commands_of_the_program() -> None:
    assert OURS == ["api", "worker", "beat"]
    for name in ("worker", "beat"):
        assert is_a_command(SERVICES[name]["command"]), name
    (command,) = instructions("CMD")
    assert is_a_command(json.loads(command))
    assert not is_a_command(["ricasso", "worker", "--beet"])  # the control
    ping = SERVICES["worker"]["healthcheck"]["test"]
    assert ping[:3] == ["CMD", "celery", "--app"] and find_app(ping[3]) is celery
    (port,) = SERVICES["api"]["ports"]
    assert port.startswith("127.0.0.1:") and port.endswith(f":{json.loads(command)[-1]}")


def test_the_image_copies_what_is_there_is_built_from_the_lock_and_runs_as_nobody_special() -> None:
    for copied in instructions("COPY"):
        for source in shlex.split(copied)[:-1]:
            assert (ROOT / source).exists(), source
    (_, install, _) = instructions("RUN")
    assert "--require-hashes --requirement requirements.lock" in install
    assert "install --no-cache-dir --no-deps ." in install
    assert instructions("USER") == ["ricasso"]
    # What the wheel is made of is copied before it is built.
    assert {"layout", "service", "fixtures"} <= {shlex.split(line)[0] for line in instructions("COPY")}
