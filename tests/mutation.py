"""Faults planted one by one, and whether a test fails on each: `sh tests/run mutation`.

A test that passes whatever the code does proves nothing. This takes a seeded sample of small faults (a
comparison that lets one value more through, a condition dropped, a statement left out ...), plants each in
a copy of the project and runs the tests that pass through the line. A fault that no test sees has survived:
either a test is missing, or the fault changes nothing that anybody could see.

    sh tests/run mutation                                     a sample of every room that must never be wrong
    sh tests/run mutation --room layout/judge --count 200     more of one room
    sh tests/run mutation --line service/bench/burns.py:60    every fault of one line

Databases are SQLite alone and Hypothesis draws from one seed, so that a run can be repeated. A run is by
command and never part of a pass or a failure.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import coverage

#: By room: the tests that are to see its faults.
ROOMS = {
    "layout/judge": ["tests/layout/judge"],
    "layout/seating": ["tests/layout/seating", "tests/layout/judge", "tests/references/test_registration.py"],
    "service/bench": ["tests/service/bench", "tests/service/loads"],
    "service/loads": [
        "tests/service/loads",
        "tests/service/bench",
        "tests/service/plan/test_in_force.py",
        "tests/service/proving/test_measurements.py",
    ],
    "service/intake": ["tests/service/intake", "tests/service/bench/test_found_by_review.py"],
    "service/packing": ["tests/service/packing"],
}
#: What the tests import that is no part of the project: once, before the process is forked for each fault.
LIBRARIES = (
    "alembic",
    "fastapi.testclient",
    "hypothesis",
    "jinja2",
    "numba",
    "numpy",
    "pydantic",
    "pytest",
    "scipy.optimize",
    "shapely",
    "simpy",
    "sqlalchemy.orm",
    "structlog",
    "uharfbuzz",
)
OPTIONS = [
    "-q", "-x", "--no-header", "--tb=no", "-p", "no:randomly", "-p", "no:cacheprovider", "-p", "no:xdist",
    "-m", "not long and not postgres and not redis and not page", "--hypothesis-seed=1", "--timeout=0",
    "-W", "ignore:Module already imported",
]  # fmt: skip  # options with their values
#: Written by every run of the tests: a line a test, its seconds and its name.
DURATIONS = "durations.txt"
#: A fault may make its tests this many times as slow, and a start on top; beyond that it is caught.
SLOWEST, START_S = 5.0, 60.0

_COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip  # each beside its opposite
_SUMS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
}  # fmt: skip  # each beside its opposite
#: Calls whose arguments all have to hold: each of them is left out once.
_CONDITIONS = {"where", "and_", "or_", "filter"}


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault that can be planted in a file: at which of the nodes that have a line, and in which way.

    `lines` are those that a test must run.
    """

    file: str
    line: int
    lines: tuple[int, ...]
    node: int
    way: str
    code: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line} {self.way}: {self.code}"


# --- faults ---


def faults_in(file: str, text: str) -> Iterator[Fault]:
    """Every fault that can be planted in a module."""
    nodes = _nodes_of(ast.parse(text))
    passed_over = {id(inner) for node in nodes if _says_nothing(node) for inner in ast.walk(node)}
    for number, node in enumerate(nodes):
        if id(node) in passed_over:
            continue
        lines = tuple(range(node.lineno, (node.end_lineno or node.lineno) + 1))
        for way in _ways(node):
            yield Fault(file, node.lineno, lines, number, way, ast.unparse(node).splitlines()[0][:80])


def with_fault(text: str, fault: Fault) -> str:
    """The module's text with the fault in it, without its comments."""
    tree = ast.parse(text)
    node = _nodes_of(tree)[fault.node]
    replacement = _planted(node, fault.way)
    if replacement is not node:
        tree = _Swap(node, replacement).visit(tree)
    return ast.unparse(ast.fix_missing_locations(tree))


def _nodes_of(tree: ast.AST) -> list[Any]:
    return [node for node in ast.walk(tree) if hasattr(node, "lineno")]


def _says_nothing(node: ast.AST) -> bool:
    """Docstrings, annotations, imports, log lines and sentences: no test should hold them fast."""
    if isinstance(node, ast.Expr):
        call = node.value
        is_log = isinstance(call, ast.Call) and ast.unparse(call.func).startswith("log.")
        return is_log or isinstance(call, ast.Constant)
    return isinstance(node, ast.Import | ast.ImportFrom | ast.JoinedStr | ast.AnnAssign | ast.arg)


def _ways(node: ast.AST) -> list[str]:  # noqa: PLR0911  a table of kinds
    """What can be done to a node, by name."""
    match node:
        case ast.Compare(ops=[op]) if type(op) in _COMPARISONS:
            return ["other comparison"]
        case ast.BoolOp(values=values):
            return ["and for or, or for and", *(f"without condition {n + 1}" for n in range(len(values)))]
        case ast.UnaryOp(op=ast.Not()):
            return ["without not"]
        case ast.BinOp(op=op) if type(op) in _SUMS and not _is_text(node):
            return ["other sum"]
        case ast.Constant(value=bool()):
            return ["true for false, false for true"]
        case ast.Constant(value=int() | float()):
            return ["one more"]
        case ast.Call(func=ast.Attribute(attr=name) | ast.Name(id=name), args=[_, _, *_]) if (
            name in _CONDITIONS
        ):
            return [f"without condition {n + 1}" for n in range(len(node.args))]
        case ast.Expr(value=ast.Call()) | ast.AugAssign() | ast.Raise() | ast.Continue():
            return ["left out"]
        case ast.Assign(targets=[ast.Attribute() | ast.Subscript(), *_]):
            return ["left out"]
        case ast.If(test=ast.Name() | ast.Attribute() | ast.Call()):
            return ["never so", "always so"]
        case ast.Return(value=ast.expr()):
            return ["returns nothing"]
    return []


def _is_text(node: ast.BinOp) -> bool:
    return any(
        isinstance(side, ast.JoinedStr) or (isinstance(side, ast.Constant) and isinstance(side.value, str))
        for side in (node.left, node.right)
    )


def _planted(node: ast.AST, what: str) -> ast.AST:
    """The node with the fault: changed in place, or another to put there."""
    match node:
        case ast.Compare():
            node.ops = [_COMPARISONS[type(node.ops[0])]()]
        case ast.BoolOp() if what.startswith("without"):
            del node.values[int(what.rsplit(maxsplit=1)[-1]) - 1]
            return node.values[0] if len(node.values) == 1 else node
        case ast.BoolOp():
            node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        case ast.UnaryOp():
            return node.operand
        case ast.BinOp():
            node.op = _SUMS[type(node.op)]()
        case ast.Constant(value=bool()):
            node.value = not node.value
        case ast.Constant(value=value):
            node.value = value + 1  # type: ignore[operator]
        case ast.Call():
            del node.args[int(what.rsplit(maxsplit=1)[-1]) - 1]
        case ast.If():
            node.test = ast.Constant(what == "always so")
        case ast.Return():
            node.value = None
        case _:
            return ast.Pass()
    return node


class _Swap(ast.NodeTransformer):
    def __init__(self, out: ast.AST, into: ast.AST) -> None:
        self._out, self._into = out, into

    def visit(self, node: ast.AST) -> ast.AST:
        return self._into if node is self._out else super().generic_visit(node)


# --- tests ---


class _Durations:
    """A plugin of pytest that keeps how long each test took with its fixtures."""

    def __init__(self, file: Path) -> None:
        self._file = file
        file.write_text("")

    def pytest_runtest_logreport(self, report: Any) -> None:
        with self._file.open("a") as lines:
            lines.write(f"{report.duration} {report.nodeid}\n")


def _durations_in(file: Path) -> dict[str, float]:
    seconds: dict[str, float] = {}
    for line in file.read_text().splitlines():
        duration, _, test = line.partition(" ")
        seconds[test] = seconds.get(test, 0.0) + float(duration)
    return seconds


class Copy:
    """A copy of the project in which faults are planted, and what its tests run."""

    def __init__(self, project: Path, folder: Path) -> None:
        listed = subprocess.run(
            ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
            cwd=project,
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for name in listed.splitlines():
            if (project / name).is_file():
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(project / name, folder / name)
        self.folder = folder
        self.seconds: dict[str, float] = {}
        self._durations: dict[str, float] = {}
        self._passing: dict[str, dict[str, dict[int, list[str]]]] = {}

    def measure(self, room: str) -> bool:
        """Run a room's tests once as they are, and keep which of them pass through which line."""
        begun = time.monotonic()
        data = self.folder / ".coverage"
        data.unlink(missing_ok=True)
        cover = ["--cov", room, "--cov-context=test", "--cov-report="]
        is_green = self._run([*cover, *ROOMS[room]], seconds=3600.0) == 0
        self.seconds[room] = time.monotonic() - begun
        if is_green:
            found = coverage.CoverageData(str(data))
            found.read()
            self._durations |= _durations_in(self.folder / DURATIONS)
            self._passing[room] = {
                str(Path(file).relative_to(self.folder)): found.contexts_by_lineno(file)
                for file in found.measured_files()
            }
        return is_green

    def tests_of(self, room: str, fault: Fault) -> list[str]:
        """Tests that pass through the fault, quickest first; all of the room's for a line run by import."""
        contexts = self._passing[room].get(fault.file, {})
        seen = {name for line in fault.lines for name in contexts.get(line, [])}
        tests = sorted(
            {name.rpartition("|")[0] for name in seen if name},
            key=lambda test: (self._durations.get(test, 0.0), test),
        )
        return tests if tests or "" not in seen else ROOMS[room]

    def is_caught(self, room: str, fault: Fault) -> bool:
        tests = self.tests_of(room, fault)
        if not tests:
            return False
        file = self.folder / fault.file
        whole = file.read_text()
        file.write_text(with_fault(whole, fault))
        try:
            return self._run(tests, seconds=START_S + SLOWEST * self.seconds[room]) != 0
        finally:
            file.write_text(whole)

    def _run(self, arguments: list[str], *, seconds: float) -> int:
        """Exit code of pytest in a process of its own that has the libraries already; 1 when it hangs."""
        child = os.fork()
        if child == 0:
            os.setsid()
            self._run_here(arguments)
        ends = time.monotonic() + seconds
        while time.monotonic() < ends:
            pid, status = os.waitpid(child, os.WNOHANG)
            if pid:
                return os.waitstatus_to_exitcode(status)
            time.sleep(0.05)
        os.killpg(child, signal.SIGKILL)
        os.waitpid(child, 0)
        return 1

    def _run_here(self, arguments: list[str]) -> None:
        code = 3
        try:
            os.chdir(self.folder)
            sys.path.insert(0, str(self.folder))
            os.environ["PYTHONPATH"] = str(self.folder)
            for name in [name for name in sys.modules if name.split(".")[0] == "tests"]:
                del sys.modules[name]
            sys.dont_write_bytecode = True
            with (self.folder / "pytest.log").open("w") as log:
                os.dup2(log.fileno(), 1)
                os.dup2(log.fileno(), 2)
                import pytest

                code = int(pytest.main([*OPTIONS, *arguments], plugins=[_Durations(Path(DURATIONS))]))
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)


def main() -> None:
    parser = argparse.ArgumentParser(prog="sh tests/run mutation", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--room", action="append", choices=sorted(ROOMS), help="this room alone (repeatable)")
    parser.add_argument("--count", type=int, default=30, help="faults of each room")
    parser.add_argument("--seed", default="1", help="which faults are drawn")
    parser.add_argument("--line", help="every fault that begins on FILE:LINE")
    asked = parser.parse_args()
    project = Path(__file__).resolve().parent.parent
    # The project itself is not to be imported here: each fault's process imports the copy.
    sys.path[:] = [entry for entry in sys.path if Path(entry or ".").resolve() != project]
    for name in LIBRARIES:
        importlib.import_module(name)
    rooms = asked.room or list(ROOMS)
    if asked.line:
        rooms = [room for room in ROOMS if asked.line.startswith(f"{room}/")]
    with tempfile.TemporaryDirectory(prefix="ricasso-mutation-") as folder:
        tried = Copy(project, Path(folder))
        for room in rooms:
            _try_room(tried, room, asked)


def _try_room(tried: Copy, room: str, options: argparse.Namespace) -> None:
    files = sorted((tried.folder / room).rglob("*.py"))
    named = [str(file.relative_to(tried.folder)) for file in files]
    faults = [fault for file in named for fault in faults_in(file, (tried.folder / file).read_text())]
    drawn = Random(f"{options.seed} {room}").sample(faults, min(options.count, len(faults)))
    if options.line:
        drawn = [fault for fault in faults if f"{fault.file}:{fault.line}" == options.line]
    if not tried.measure(room):
        print((tried.folder / "pytest.log").read_text())
        raise SystemExit(f"{room}: its tests fail as they are")
    killed = 0
    for fault in sorted(drawn, key=lambda fault: (fault.file, fault.line)):
        is_caught = tried.is_caught(room, fault)
        killed += is_caught
        print(f"{'killed  ' if is_caught else 'SURVIVED'} {fault}", flush=True)
    print(f"mutation_{room.replace('/', '_')}_possible {len(faults)}")
    print(f"mutation_{room.replace('/', '_')}_killed {killed}")
    print(f"mutation_{room.replace('/', '_')}_survived {len(drawn) - killed}", flush=True)


if __name__ == "__main__":
    main()
