"""What Ricasso is made of: licences that fit, a list of parts as its standard wants it, pins with hashes."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path
from typing import Any

import cyclonedx.schema
import pytest
from jsonschema import Draft7Validator
from packaging.requirements import Requirement
from referencing import Registry, Resource

from service.cli.main import run
from service.upkeep.parts import UNKNOWN, licence_of, packages

ROOT = Path(__file__).parents[3]
PROJECT: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
#: May be part of a program that is given away under Apache-2.0 (https://www.apache.org/legal/resolved.html,
#: lists A and B); the LGPL's libraries are loaded as they are, unchanged.
FITTING = {
    "0BSD",
    "Apache-2.0",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "CC0-1.0",
    "CNRI-Python",
    "ISC",
    "LLVM-exception",
    "MIT",
    "MIT-CMU",
    "MPL-2.0",
    "OFL-1.1",
    "PSF-2.0",
    "Zlib",
}
UNCHANGED = {"psycopg": "LGPL-3.0-only", "psycopg-binary": "LGPL-3.0-only"}


def named_in(expression: str) -> set[str]:
    return set(re.findall(r"[A-Za-z0-9.-]+", expression)) - {"AND", "OR", "WITH"}


def pins(file: str) -> dict[str, tuple[str, int]]:
    """By package its release and how many hashes stand under it."""
    entries = re.split(r"^(?=[A-Za-z0-9])", (ROOT / file).read_text(), flags=re.MULTILINE)
    found = {}
    for entry in entries:
        if pinned := re.match(r"([A-Za-z0-9_.-]+)==(\S+)", entry):
            found[canonical(pinned[1])] = (pinned[2], entry.count("--hash=sha256:"))
    return found


def canonical(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def closure(requirements: list[str]) -> dict[str, metadata.Distribution]:
    """What is installed of these and of all that they need, by the metadata alone."""
    found: dict[str, metadata.Distribution] = {}
    seen: set[tuple[str, frozenset[str]]] = set()

    def walk(line: str, extras: set[str]) -> None:
        wanted = Requirement(line)
        if wanted.marker and not any(wanted.marker.evaluate({"extra": extra}) for extra in ("", *extras)):
            return
        key = canonical(wanted.name), frozenset(wanted.extras)
        if key not in seen:
            seen.add(key)
            found[key[0]] = metadata.distribution(wanted.name)
            for each in found[key[0]].requires or []:
                walk(each, wanted.extras)

    for line in requirements:
        walk(line, set())
    return found


def running() -> list[str]:
    return [*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["tracing"]]


def everything() -> list[str]:
    extras = PROJECT["optional-dependencies"]
    return [*running(), *extras["demo"], *extras["test"]]


# --- licences ---


def test_every_licence_of_what_runs_is_known_and_fits() -> None:
    for name, package in closure(running()).items():
        licence = licence_of(package)
        assert named_in(licence) <= FITTING or UNCHANGED.get(name) == licence, (name, licence)


def test_nothing_that_tests_need_is_under_a_copyleft_that_spreads() -> None:
    for name, package in closure(everything()).items():
        told = licence_of(package) + str(package.metadata.get_all("Classifier")) * (
            licence_of(package) == UNKNOWN
        )
        assert not re.search(r"(?<!L)A?GPL|Affero|GNU General", told), name


def test_licences_and_fonts_are_listed_by_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["licences"]) == 0

    lines = capsys.readouterr().out.splitlines()
    of = {line[9:49].strip(): line[67:] for line in lines}
    assert (of["fonttools"], of["Cinzel Semibold"]) == ("MIT", "OFL-1.1")
    assert UNKNOWN not in of.values()
    hershey = {name for name, licence in of.items() if licence.startswith("Hershey fonts: free use")}
    assert hershey and all("Hershey" in name or "single" in name.lower() for name in hershey)
    others = {named for name, licence in of.items() if name not in hershey for named in named_in(licence)}
    assert others <= FITTING | {"LGPL-3.0-only"}
    assert of["httpcore"] and not {"httpx", "httpx2", "pytest", "ricasso"} & set(of)


# --- list of parts ---


def schema_of(name: str) -> dict[str, Any]:
    folder = Path(cyclonedx.schema.__file__).parent / "_res"
    read: dict[str, Any] = json.loads((folder / f"{name}.SNAPSHOT.schema.json").read_text())
    return read


def test_the_list_of_parts_is_one_as_its_standard_describes_it(capsys: pytest.CaptureFixture[str]) -> None:
    """CycloneDX 1.6, by the schema that its makers publish (in cyclonedx-python-lib)."""
    assert run(["sbom"]) == 0
    bom = json.loads(capsys.readouterr().out)
    others = [(f"http://cyclonedx.org/schema/{n}.SNAPSHOT.schema.json", n) for n in ("spdx", "jsf-0.82")]
    registry: Registry[Any] = Registry().with_resources(
        (address, Resource.from_contents(schema_of(name))) for address, name in others
    )
    validator = Draft7Validator(schema_of("bom-1.6"), registry=registry)

    assert [error.message for error in validator.iter_errors(bom)] == []
    assert list(validator.iter_errors({**bom, "components": [{"type": "knife"}]}))  # the control
    refs = {part["bom-ref"] for part in bom["components"]} | {bom["metadata"]["component"]["bom-ref"]}
    assert len(refs) == len(bom["components"]) + 1
    assert {each for entry in bom["dependencies"] for each in (entry["ref"], *entry["dependsOn"])} <= refs
    names = {part["name"] for part in bom["components"]}
    assert {part.name for part in packages()} <= names and "Cinzel Semibold" in names


# --- pins ---


def test_the_lock_has_every_package_that_runs_with_hashes() -> None:
    """Made by `sh .ci/lock`; the same releases as in constraints.txt, which the tests run with."""
    lock, constraints = pins("requirements.lock"), pins("constraints.txt")

    assert set(closure(running())) <= set(lock)
    assert [name for name, (_, hashes) in lock.items() if not hashes] == []
    for name in set(lock) & set(closure(running())):  # others are for other systems
        assert same_release(lock[name][0], constraints[name][0]), name
    for line in running():
        wanted = Requirement(line)
        assert wanted.specifier.contains(lock[canonical(wanted.name)][0]), line


def test_everything_that_tests_need_is_pinned_as_it_is_installed() -> None:
    constraints = pins("constraints.txt")

    differing = {
        name: (package.version, constraints.get(name, ("not pinned",))[0])
        for name, package in closure(everything()).items()
        if not same_release(package.version, constraints.get(name, ("",))[0])
    }

    assert differing == {}


def test_nothing_is_pinned_that_nothing_needs() -> None:
    """Neither here nor on another system."""
    elsewhere = set(pins("requirements.lock")) | {"colorama"}

    assert set(pins("constraints.txt")) - set(closure(everything())) - elsewhere == set()


def same_release(one: str, other: str) -> bool:
    from packaging.version import InvalidVersion, Version

    try:
        return Version(one) == Version(other)
    except InvalidVersion:
        return one == other


def test_image_tests_and_lock_are_of_one_python() -> None:
    (python,) = (ROOT / ".python-version").read_text().split()

    assert f"FROM python:{python}-slim" in (ROOT / "Dockerfile").read_text()
    assert f"--python-version {python}" in (ROOT / ".ci" / "lock").read_text()
    assert f"--python-version {python}" in (ROOT / "requirements.lock").read_text()
    assert ".python-version" in (ROOT / ".ci" / "run").read_text()
    assert python == f"{sys.version_info.major}.{sys.version_info.minor}", (
        "CI runs these tests on another one"
    )


# --- known weaknesses ---


@pytest.mark.parametrize(
    ("said", "ends", "code"),
    [
        ("No known vulnerabilities found", 0, 0),
        ("Found 2 known vulnerabilities in 1 package", 1, 1),
        ("Dependency not found on PyPI and could not be audited: vine (5.1.0)", 0, 2),
        ("requests.exceptions.ConnectionError: no route", 1, 2),
    ],
)
def test_the_look_for_known_weaknesses_says_what_was_found_or_that_nobody_looked(
    tmp_path: Path, said: str, ends: int, code: int
) -> None:
    """What pip-audit prints and ends with: as seen of release 2.10.1; the line of a finding from memory."""
    (tmp_path / "pip-audit").write_text(f"#!/bin/sh\necho '{said}'\nexit {ends}\n")
    (tmp_path / "pip-audit").chmod(0o755)

    done = subprocess.run(
        ["sh", ROOT / ".ci" / "weaknesses"],
        env={**os.environ, "PATH": f"{tmp_path}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == code
    assert ("!! NOT DONE" in done.stderr) == (code == 2)


# --- one HTTP stack ---


def sources() -> Iterator[Path]:
    """Of what is served; `service/client` is for stores' own programs."""
    for package in ("layout", "service"):
        yield from (path for path in (ROOT / package).rglob("*.py") if "client" not in path.parts)


def test_what_runs_speaks_http_by_one_library() -> None:
    imported = {
        module
        for path in sources()
        for module in re.findall(
            r"^\s*(?:from|import) (httpx2?|requests|aiohttp|urllib3|httpcore2?)\b",
            path.read_text(),
            re.MULTILINE,
        )
    }

    assert imported == {"httpcore"}
    assert not {"httpx", "httpx2", "aiohttp"} & set(closure(PROJECT["dependencies"]))
