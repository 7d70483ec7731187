"""A body's numbers are JSON's own: `true` is no 1 and "1" is a text, in every field of every body."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator
from typing import Any

import pytest
from pydantic import BaseModel

from service.requests.inscriptions import Strict

_NUMBERS = {"int", "float", "bool"}


def bodies() -> list[type[BaseModel]]:
    for room in ("api", "requests", "what_if"):
        folder = importlib.import_module(f"service.{room}")
        for module in pkgutil.iter_modules(folder.__path__, f"service.{room}."):
            importlib.import_module(module.name)

    def below(kind: type[BaseModel]) -> Iterator[type[BaseModel]]:
        for each in kind.__subclasses__():
            yield each
            yield from below(each)

    return sorted(below(Strict), key=lambda kind: kind.__name__)


def lax(schema: Any, where: str = "") -> Iterator[str]:
    """Where a schema of pydantic takes numbers that are none."""
    if isinstance(schema, dict):
        if schema.get("type") in _NUMBERS and not schema.get("strict"):
            yield where
        for name, inner in schema.items():
            yield from lax(inner, f"{where}.{name}")
    elif isinstance(schema, list | tuple):
        for inner in schema:
            yield from lax(inner, where)


@pytest.mark.parametrize("body", bodies(), ids=lambda body: body.__name__)
def test_a_body_takes_no_number_that_is_none(body: type[BaseModel]) -> None:
    assert list(lax(body.__pydantic_core_schema__)) == []


def test_the_look_finds_a_lax_field() -> None:
    class LaxIn(BaseModel):
        count: int

    assert len(list(lax(LaxIn.__pydantic_core_schema__))) == 1
