"""Where machine code can't be kept, it is made anew and does the same."""

from __future__ import annotations

from typing import Any

import pytest

from layout.plan.search import compiled as module


def twice(number: int) -> int:
    return 2 * number


def test_without_a_place_to_keep_it_a_function_is_compiled_all_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[dict[str, Any]] = []

    def njit(**options: Any) -> Any:
        asked.append(options)

        def compile_it(function: Any) -> Any:
            if options.get("cache"):
                raise RuntimeError("no locator available")
            return function

        return compile_it

    monkeypatch.setattr(module, "njit", njit)

    assert module.compiled(twice)(4) == 8
    assert [bool(options.get("cache")) for options in asked] == [True, False]
