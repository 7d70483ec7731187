"""The published JSON Schemas say the same as the loader."""

from __future__ import annotations

import json
import re
import tomllib

import jsonschema_rs
import pytest
from typer.testing import CliRunner

from service.cli.catalogue import app
from service.shop.catalogue import default_folder, read
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


def keys_of(schema: object) -> set[str]:
    if isinstance(schema, list):
        return set().union(*map(keys_of, schema))
    if not isinstance(schema, dict):
        return set()
    return set(schema.get("properties", ())) | set().union(*map(keys_of, schema.values()))


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_key_is_explained_to_the_maker(kind):
    guide = (default_folder() / "README.md").read_text(encoding="utf-8")
    explained = set(re.findall(r"[a-z_0-9]+", " ".join(re.findall(r"`([^`]+)`", guide))))

    assert keys_of(json_schemas()[kind]) - explained == set()


def test_the_command_writes_every_schema(tmp_path):
    result = CliRunner().invoke(app, ["schemas", "--out", str(tmp_path)])

    assert result.exit_code == 0
    assert {path.name for path in tmp_path.iterdir()} == {f"{kind}.schema.json" for kind in KINDS}
