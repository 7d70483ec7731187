"""How many units were scrapped at the bench, and how many made once more after their release, and why.

Counted by product, font, process, station and operator, in alphabetical order. These are counts, not rates:
who engraves most has most in them, so nothing here ranks anybody.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import date
from typing import Literal, get_args

from pydantic import Field

from service.remakes import spoiled_rows as rows
from service.remakes.spoiled_rows import Burned, Spoiled
from service.requests.answers import AnswerBody
from service.requests.days import moments
from service.requests.sheet_files import csv_text
from service.shop.tools import Tools

By = Literal["product", "font", "process", "station", "operator"]
_COLUMNS = ("by", "name", "reason", "scrapped", "remade")
#: Units of which the burns are read at once: databases limit how many values a query may have.
_AT_ONCE = 500


class SpoiledCountAnswer(AnswerBody):
    """How many units of one product, font, process, station or operator were spoiled for one reason."""

    by: By = Field(description="What is told apart.", examples=["product"])
    name: str = Field(
        description="Which of them; empty: it is not on record, as where nothing was engraved.",
        examples=["AQ-PARER-OAK"],
    )
    reason: str = Field(description="Why, without what else was noted.", examples=["faint mark"])
    scrapped: int = Field(description="Units scrapped at the bench.", examples=[2])
    remade: int = Field(description="Units made once more after their release.", examples=[1])


class SpoiledAnswer(AnswerBody):
    """Units that were spoiled in some days, counted."""

    since: date = Field(description="First day that counts.", examples=["2026-11-01"])
    until: date = Field(description="Last day that counts.", examples=["2026-11-30"])
    scrapped: int = Field(description="Units scrapped at the bench.", examples=[5])
    remade: int = Field(description="Units made once more after their release.", examples=[2])
    counts: tuple[SpoiledCountAnswer, ...] = Field(
        description="By product, font, process, station and operator, in alphabetical order. A unit with two"
        " fonts counts for both."
    )


def spoiled(tools: Tools, since: date, until: date) -> SpoiledAnswer:
    """What was spoiled on those days of the shop. Raises BadRequest for days that are none, or too many."""
    begin, end = moments(since, until, tools.catalogue.current.policy.time_zone)
    with tools.database.reading() as session:
        units = rows.spoiled(session, begin, end)
        jobs = sorted({unit.job for unit in units})
        burns = [
            burn
            for first in range(0, len(jobs), _AT_ONCE)
            for burn in rows.burned(session, jobs[first : first + _AT_ONCE])
        ]
    return SpoiledAnswer(
        since=since,
        until=until,
        scrapped=sum(not unit.is_remade for unit in units),
        remade=sum(unit.is_remade for unit in units),
        counts=tuple(_counts(units, burns)),
    )


def spoiled_csv(answer: SpoiledAnswer) -> str:
    """The counts for a spreadsheet program; no cell is run as a formula."""
    return csv_text(
        _COLUMNS, [(row.by, row.name, row.reason, row.scrapped, row.remade) for row in answer.counts]
    )


def _counts(units: Sequence[Spoiled], burns: Sequence[Burned]) -> Iterator[SpoiledCountAnswer]:
    of_job: dict[int, list[Burned]] = {}
    for burn in burns:
        of_job.setdefault(burn.job, []).append(burn)
    counted: dict[tuple[By, str, str], Counter[bool]] = {}
    for unit in units:
        here = of_job.get(unit.job, [])
        names: dict[By, set[str]] = {
            "product": {unit.sku},
            "font": {str(asked["font"]) for asked in unit.inscriptions if asked.get("font")},
            "process": {burn.process or "" for burn in here},
            "station": {burn.station for burn in here},
            "operator": {burn.operator for burn in here},
        }
        for by, some in names.items():
            for name in some or {""}:
                counted.setdefault((by, name, _reason(unit)), Counter())[unit.is_remade] += 1
    order = get_args(By)
    for by, name, reason in sorted(counted, key=lambda key: (order.index(key[0]), *key[1:])):
        count = counted[by, name, reason]
        yield SpoiledCountAnswer(by=by, name=name, reason=reason, scrapped=count[False], remade=count[True])


def _reason(unit: Spoiled) -> str:
    """The reason that was chosen; a note behind it is for people."""
    return unit.reason if unit.is_remade else unit.reason.partition(":")[0].strip()
