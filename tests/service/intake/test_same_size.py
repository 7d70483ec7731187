"""The one height of a set of lines, from what the check measured of each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from layout.check.feasibility import Checked, CheckResult
from layout.shop.findings import Verdict
from layout.shop.inscriptions import TextInscription
from service.intake.same_size import height_of_set, levelled
from service.requests.order_in import LineWanted


def words(text: str, named: str | None = None, **changes: Any) -> TextInscription:
    return TextInscription("ricasso", text, "lato-bold", same_size_as=named, **changes)


def a_line(ref: str, *inscriptions: TextInscription) -> LineWanted:
    return LineWanted(ref, "AQ-HORI-18", 1, inscriptions)


def a_result(*sizes_mm: float | None) -> CheckResult:
    return CheckResult(
        Verdict.ACCEPT, (), tuple(Checked(words("any"), "mark_side", size_mm=size) for size in sizes_mm)
    )


def test_words_that_have_no_size_leave_the_others_of_their_set_one_height() -> None:
    lines = [a_line("1", words("Bo")), a_line("2", words("Zoë", "1")), a_line("3", words("Ida", "1"))]
    checked_anew: list[tuple[str, float | None]] = []

    def check(line: LineWanted) -> CheckResult:
        inscription = line.inscriptions[0]
        assert isinstance(inscription, TextInscription)
        checked_anew.append((line.line_ref, inscription.height_mm))
        return a_result(inscription.height_mm)

    results = levelled(lines, [a_result(5.0), a_result(None), a_result(4.0)], check)

    assert checked_anew == [("1", 4.0)]
    assert [result.inscriptions[0].size_mm for result in results] == [4.0, None, 4.0]


def test_a_line_that_changes_gets_the_smallest_height_of_the_lines_joined_to_it_in_its_zone() -> None:
    others: Mapping[str, tuple[Sequence[Any], Sequence[Any]]] = {
        "1": ([{"zone": "ricasso"}], [{"height_mm": 3.0}]),
        "3": ([{"zone": "ricasso", "same_size_as": "2"}], [{"height_mm": 2.5}]),
        "4": ([{"zone": "ricasso", "same_size_as": "2"}], [{"height_mm": None}]),
        "5": ([{"zone": "heel", "same_size_as": "2"}], [{"height_mm": 1.0}]),
        "6": ([{"zone": "ricasso"}], [{"height_mm": 0.5}]),
    }

    assert height_of_set(words("Zoë", "1"), "2", others) == 2.5
    assert height_of_set(words("Zoë"), "7", others) is None
