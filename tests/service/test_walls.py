"""Walls inside the service that no import contract can say: each is read off the source itself."""

from __future__ import annotations

import ast
import sys
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


#: What builds or sends a statement. A row that is read is changed where the use case stands, and new ones are
#: added there: that is no SQL, and `session.add`, `flush` and `refresh` may stand anywhere.
_STATEMENTS = {"select", "update", "insert", "delete", "text"}
_SENDING = {"execute", "scalars", "scalar", "get", "get_one", "query"}


def has_sql(node: ast.AST) -> bool:
    """A statement built with SQLAlchemy's functions, or sent by a session."""
    if isinstance(node, ast.ImportFrom):
        return node.module == "sqlalchemy" and any(name.name in _STATEMENTS for name in node.names)
    if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
        return False
    sender = node.func.value
    return node.func.attr in _SENDING and isinstance(sender, ast.Name) and sender.id == "session"


def test_sql_stands_in_rows_modules_and_in_records_alone() -> None:
    def allowed(path: str) -> bool:
        return path.startswith("records/") or path.endswith("_rows.py")

    assert breaches(has_sql, allowed=allowed) == []


@pytest.mark.parametrize(
    "line",
    [
        "from sqlalchemy import func, select",
        "session.execute(statement)",
        "session.scalars(statement).all()",
        "session.get(Job, 1)",
    ],
)
def test_planted_sql_is_caught(line: str) -> None:
    assert any(has_sql(node) for node in ast.walk(ast.parse(line)))


def test_the_client_needs_nothing_but_its_http_library() -> None:
    """The folder can be copied into a store's own program."""
    needed = {
        name.partition(".")[0] if not name.startswith("service.client") else "service.client"
        for path, tree in modules()
        if path.startswith("client/")
        for node in ast.walk(tree)
        for name in imported(node)
    }

    assert needed - set(sys.stdlib_module_names) == {"httpx", "service.client"}


def imported(node: ast.AST) -> list[str]:
    """The modules that a statement imports."""
    if isinstance(node, ast.Import):
        return [name.name for name in node.names]
    return [node.module or "."] if isinstance(node, ast.ImportFrom) else []
