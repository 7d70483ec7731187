"""The published JSON Schemas say the same as the loader."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import jsonschema_rs
import pytest
from typer.testing import CliRunner

import service
from service.cli.catalogue import app
from service.shop.catalogue import default_folder, read
from service.shop.catalogue.reference import reference
from service.shop.catalogue.schema import KINDS, json_schemas

TOML = {name: text for name, text in read(default_folder()).items() if name.endswith(".toml")}


def published(kind: str) -> dict[str, object]:
    return json.loads((default_folder() / "schemas" / f"{kind}.schema.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_the_published_schema_is_the_loaders_own(kind):
    # When this fails: ricasso catalogue schemas --out fixtures/schemas
    assert published(kind) == json.loads(json.dumps(json_schemas()[kind]))


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_the_published_schema_is_itself_valid(kind):
    jsonschema_rs.meta.validate(published(kind))


@pytest.mark.parametrize("name", sorted(TOML))
def test_an_independent_validator_accepts_the_shops_files(name):
    validator = jsonschema_rs.Draft202012Validator(published(name.split("/")[0]))

    assert [error.message for error in validator.iter_errors(tomllib.loads(TOML[name]))] == []


@pytest.mark.parametrize("name", sorted(TOML))
def test_an_independent_validator_refuses_a_key_that_nobody_knows(name):
    validator = jsonschema_rs.Draft202012Validator(published(name.split("/")[0]))

    assert not validator.is_valid({**tomllib.loads(TOML[name]), "colour_of_the_moon": "pale"})


def properties(kind: str) -> list[tuple[str, dict[str, object]]]:
    """Every key of a kind's files as (table.key, its schema)."""
    schema = json_schemas()[kind]
    tables = {kind: schema, **schema.get("$defs", {})}
    return [
        (f"{name}.{key}", wanted)
        for name, table in tables.items()
        for key, wanted in table["properties"].items()
    ]


EVERY_KEY = [(kind, where, wanted) for kind in sorted(KINDS) for where, wanted in properties(kind)]


def numbers_in(wanted: object) -> bool:
    """Whether a value has a number in it that is not a table of its own."""
    if isinstance(wanted, dict):
        return wanted.get("type") in ("number", "integer") or any(
            numbers_in(inner) for key, inner in wanted.items() if key not in ("default", "examples")
        )
    return isinstance(wanted, list) and any(map(numbers_in, wanted))


def test_every_key_is_explained_with_an_example_and_numbers_with_their_unit():
    assert len(EVERY_KEY) >= 149
    for kind, where, wanted in EVERY_KEY:
        assert len(str(wanted.get("description", ""))) >= 8, (kind, where)
        assert len(wanted.get("examples", ())) == 1, (kind, where)
        assert ("unit" in wanted) is numbers_in(wanted), (kind, where)


@pytest.mark.parametrize(
    ("kind", "where", "wanted"), EVERY_KEY, ids=[f"{kind} {where}" for kind, where, _ in EVERY_KEY]
)
def test_an_independent_validator_accepts_every_example(kind, where, wanted):
    schema = {"$defs": json_schemas()[kind].get("$defs", {}), **wanted}

    assert jsonschema_rs.Draft202012Validator(schema).is_valid(wanted["examples"][0]), where


def test_the_loader_accepts_every_example():
    """The schemas of Python have checks that JSON Schema can't say; examples in whole tables pass those,
    too."""
    for kind, model in KINDS.items():
        content = {key: wanted["examples"][0] for key, wanted in json_schemas()[kind]["properties"].items()}
        assert model.model_validate(content)


def test_the_page_that_explains_every_key_is_made_from_the_schemas():
    # When this fails: ricasso catalogue reference --out service/guides/keys.md
    page = (Path(service.__file__).parent / "guides" / "keys.md").read_text(encoding="utf-8")

    assert page == reference()
    for _, where, wanted in EVERY_KEY:
        assert f"| `{where.rpartition('.')[2]}` |" in page
        assert " ".join(str(wanted["description"]).split()) in page


def test_examples_on_the_page_are_toml(tmp_path):
    result = CliRunner().invoke(app, ["reference", "--out", str(tmp_path / "keys.md")])

    examples = re.findall(
        r"\| `([a-z_0-9]+)` \|.*\| `(.*)` \|$", (tmp_path / "keys.md").read_text(), re.MULTILINE
    )
    assert result.exit_code == 0
    assert len(examples) > 100
    for key, example in examples:
        assert key in tomllib.loads(f"{key} = {example}")


def test_the_command_writes_every_schema(tmp_path):
    result = CliRunner().invoke(app, ["schemas", "--out", str(tmp_path)])

    assert result.exit_code == 0
    assert {path.name for path in tmp_path.iterdir()} == {f"{kind}.schema.json" for kind in KINDS}
