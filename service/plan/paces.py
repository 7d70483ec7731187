"""Recorded burns teach the estimate: per station, plate and process, from a bounded window of turns.

What was learned is kept in rows, so that every process plans by the same figures; the sweep writes them
anew. Orders, lots and files keep the catalogue's own estimates: learned figures are applied when they are
read."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from layout.burn.pace import CATALOGUE, Burned, Learned, Pace, expected_seconds, learn
from layout.plan.promise import SPREAD
from service.plan import pace_rows as rows
from service.plan.pace_rows import BurnedTurn
from service.records.tables import LearnedPace
from service.shop.tools import Tools

#: Only so many loads that were started last are looked at, and of these so many turns a group.
LOADS, TURNS = 2_000, 500
#: Turns of a group that are kept to be shown.
SHOWN = 60
#: The spread of a plan's times is the recorded one from so many turns on; before, the assumed one.
ENOUGH_FOR_SPREAD = 30

Group = tuple[str, str, str]  # station, plate, process


@dataclass(frozen=True, slots=True)
class Paces:
    """What was learned, by group; a group without records goes at its station's pace, a station without at
    the catalogue's."""

    known: Mapping[Group, Pace]
    spread: float = SPREAD

    def of(self, station: str, plate: str, process: str) -> Pace:
        """The pace of a turn."""
        pace = self.known.get((station, plate, process)) or self.known.get((station, "", ""))
        return pace or CATALOGUE

    def slowest(self, places: Collection[Group], estimated_s: float, *, units: int = 1) -> float:
        """Seconds at the slowest of the places: what is promised must hold wherever the unit lands."""
        return max(
            (self.of(*place).seconds(estimated_s, units=units) for place in places), default=estimated_s
        )


def paces(session: Session) -> Paces:
    """What was learned last."""
    learned = rows.learned(session)
    pace_of = {(row.station, row.plate, row.process): Pace(row.factor, row.handling_s) for row in learned}
    shop = next((row for row in learned if not row.station), None)
    return Paces(pace_of, shop.spread if shop and shop.records >= ENOUGH_FOR_SPREAD else SPREAD)


def learn_paces(tools: Tools) -> int:
    """Learn from the rows as they are; gives how many turns were looked at."""
    now = tools.clock()

    def work(session: Session) -> int:
        turns = rows.burned_turns(session, loads=LOADS)
        rows.replace_all(session, learned_rows(turns, now=now))
        return len(turns)

    return tools.database.write(work)


def learned_rows(turns: Sequence[BurnedTurn], *, now: datetime) -> list[LearnedPace]:
    """What finished turns (the newest first) teach of the shop, of each station and of each group. A pure
    function of the rows: the same turns teach the same."""
    every: dict[Group, list[Burned]] = {}
    for turn in turns:
        seconds = (turn.finished_at - turn.started_at).total_seconds()
        record = Burned(turn.estimated_s, seconds, turn.units)
        if min(record.estimated_s, record.measured_s) <= 0:
            continue
        for group in (("", "", ""), (turn.station, "", ""), (turn.station, turn.plate, turn.process)):
            listed = every.setdefault(group, [])
            if len(listed) < TURNS:
                listed.append(record)
    learned_of: dict[Group, Learned] = {}
    for group in sorted(every):  # the shop, then stations, then their groups
        above = learned_of.get((group[0], "", "")) if group[1] else None
        learned_of[group] = learn(every[group], without=above.pace if above else CATALOGUE)
    return [_row(group, every[group], learned_of, now=now) for group in sorted(learned_of)]


def _row(
    group: Group, records: Sequence[Burned], learned_of: Mapping[Group, Learned], *, now: datetime
) -> LearnedPace:
    learned = learned_of[group]
    without = learned_of[group[0], "", ""].pace if group[1] else CATALOGUE
    expected = expected_seconds(records, without=without)
    return LearnedPace(
        station=group[0],
        plate=group[1],
        process=group[2],
        records=learned.records,
        factor=learned.pace.factor,
        handling_s=learned.pace.handling_s,
        spread=learned.spread or 0.0,
        error_catalogue_s=learned.error_catalogue_s or 0.0,
        error_learned_s=learned.error_learned_s or 0.0,
        recent=[
            [round(burned.estimated_s, 1), round(seconds, 1), round(burned.measured_s, 1)]
            for burned, seconds in zip(records[:SHOWN], expected, strict=False)
        ],
        learned_at=now,
    )
