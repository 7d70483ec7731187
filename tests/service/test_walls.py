"""Walls inside the service that no import contract can say: each is read off the source itself."""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import service

HOUSE = Path(service.__file__).parent


def modules() -> Iterator[tuple[str, ast.Module]]:
    """Every module of the service as (path in it, syntax tree)."""
    for path in sorted(HOUSE.rglob("*.py")):
        yield path.relative_to(HOUSE).as_posix(), ast.parse(path.read_text(encoding="utf-8"))


def breaches(is_breach: Callable[[ast.AST], bool], *, allowed: Callable[[str], bool]) -> list[str]:
    """Where the wall is broken, as `path:line`."""
    return [
        f"{path}:{node.lineno}"  # type: ignore[attr-defined]
        for path, tree in modules()
        if not allowed(path)
        for node in ast.walk(tree)
        if is_breach(node)
    ]


def reads_app_state(node: ast.AST) -> bool:
    """`app.state`, whose attributes have no types."""
    return (
        isinstance(node, ast.Attribute)
        and node.attr == "state"
        and (
            (isinstance(node.value, ast.Attribute) and node.value.attr == "app")
            or (isinstance(node.value, ast.Name) and node.value.id == "app")
        )
    )


def test_requests_find_their_tools_through_the_doorway_alone() -> None:
    assert breaches(reads_app_state, allowed=lambda path: path == "doorway.py") == []


@pytest.mark.parametrize("line", ["request.app.state.database", "app.state", "self.app.state.clock()"])
def test_a_planted_read_of_app_state_is_caught(line: str) -> None:
    assert any(reads_app_state(node) for node in ast.walk(ast.parse(line)))
