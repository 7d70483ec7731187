"""The examples in docstrings are true."""

from __future__ import annotations

import doctest
import importlib
from collections.abc import Iterator
from pathlib import Path

import layout
import service


def modules_with_examples() -> Iterator[str]:
    for package in (layout, service):
        house = Path(package.__file__ or "").parent
        for path in sorted(house.rglob("*.py")):
            if ">>> " in path.read_text(encoding="utf-8"):
                inside = path.relative_to(house.parent).with_suffix("")
                yield ".".join(inside.parts).removesuffix(".__init__")


def test_examples_in_docstrings_give_what_they_say() -> None:
    names = list(modules_with_examples())

    wrong = [name for name in names if doctest.testmod(importlib.import_module(name)).failed]

    assert names
    assert wrong == []
