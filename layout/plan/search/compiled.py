"""Functions of arrays compiled to machine code, for the innermost loops."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

from numba import njit

from layout.plan.machine_code import MachineCode

_Function = TypeVar("_Function", bound=Callable[..., Any])


def inlined(function: _Function) -> _Function:
    """The same for small functions that are called very often: put into whatever calls them, because handing
    over many arrays costs more than what is done with them."""
    return cast(_Function, njit(forceinline=True, error_model="numpy")(function))


def compiled(function: _Function) -> _Function:
    """The function as machine code, kept beside its source for the next process."""
    try:
        return cast(_Function, njit(cache=True, error_model="numpy")(function))
    except RuntimeError:  # nowhere to keep it: every process compiles its own
        return cast(_Function, njit(error_model="numpy")(function))


def code_of(function: Callable[..., Any]) -> MachineCode:
    """From where the code of a `compiled` function is that was called before."""
    stats = cast(Any, function).stats
    if not stats.cache_misses:
        return MachineCode.FOUND
    return MachineCode.NOT_KEPT if stats.cache_path is None else MachineCode.KEPT
