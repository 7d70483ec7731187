"""Test cards as the service answers them: which processes are proven, and the record of cards."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from pydantic import Field

from layout.shop.stations import Process, TestCard
from service.records.ids import TEST_CARD, public
from service.records.tables import TestCardRecord
from service.requests.answers import AnswerBody, Moment, OrLeftOut

_PROCESS = Field(
    description="The process: a station's recipe for a material and finish.", examples=["steel-satin"]
)
_STATION = Field(description="Its station.", examples=["fibre-1"])
_BY = Field(description="Who burned it and looked at it.", examples=["Kit"])


class CardAnswer(AnswerBody):
    """The card by which a process counts as proven."""

    burned_on: str = Field(
        description="Day on which it was burned.",
        examples=["2026-11-02"],
        json_schema_extra={"format": "date"},
    )
    by: str = _BY
    note: str = Field(description="What was seen on it; may be empty.", examples=["crisp down to 0.2 mm"])


class ProcessAnswer(AnswerBody):
    """A process, and whether it may be used."""

    process: str = _PROCESS
    station: str = _STATION
    material: str = Field(description="Material that it is for.", examples=["steel"])
    finish: str = Field(description="Finish that it is for.", examples=["satin"])
    line_width_mm: float = Field(description="Width of the line that it burns, in mm.", examples=[0.06])
    usable: bool = Field(
        description="Whether a card of the recipe as it is now is on record.", examples=[True]
    )
    why_not: Literal["no_card", "withdrawn", "recipe_changed"] | None = Field(
        description="Why it may not be used; null where it may.", examples=["no_card"]
    )
    card: CardAnswer | None = Field(description="The card that proves it.")
    units_waiting: int = Field(
        description="Ready units that could be burned if it were proven.", examples=[0]
    )


class CardRecordAnswer(AnswerBody):
    """One entry of the record: a card that was burned, or a withdrawal."""

    id: str = Field(description="The entry.", examples=["TC4"])
    process: str = _PROCESS
    station: str = _STATION
    withdrawn: bool = Field(
        description="Whether it says that the process counts as proven no longer.", examples=[False]
    )
    burned_on: str | None = Field(
        description="Day on which the card was burned; null for a withdrawal.",
        examples=["2026-11-02"],
        json_schema_extra={"format": "date"},
    )
    line_width_mm: float | None = Field(
        description="Width of the line measured on it, in mm.", examples=[0.058]
    )
    spot_mm: float | None = Field(description="Spot measured on it, in mm.", examples=[0.05])
    by: str = _BY
    note: str = Field(
        description="What was seen, or why it was withdrawn.", examples=["crisp down to 0.2 mm"]
    )
    recipe: str = Field(
        description="Digest of the recipe that the card was burned with.", examples=["5d41402abc4b2a76"]
    )
    at: Moment = Field(description="When it was put on record.")
    recorded_by: str = Field(description="Who put it on record.", examples=["Ada"])


class NewCardRecordAnswer(CardRecordAnswer):
    """An entry just made."""

    taken_out: OrLeftOut[tuple[str, ...]] = Field(
        default=None,
        description="Of a withdrawal: units taken out of loads that had not started.",
        examples=[["J42"]],
    )


class TestCardsAnswer(AnswerBody):
    """Every process of the shop, and a page of the record."""

    __test__ = False

    processes: tuple[ProcessAnswer, ...] = Field(description="All processes, by name.")
    test_cards: tuple[CardRecordAnswer, ...] = Field(description="Cards and withdrawals, newest first.")


def process_answer(process: Process, newest: TestCardRecord | None, *, units_waiting: int) -> ProcessAnswer:
    """A process as the record has it now; `newest` is the last entry about it."""
    return ProcessAnswer(
        process=process.process,
        station=process.station,
        material=process.surface.material,
        finish=process.surface.finish,
        line_width_mm=process.line_width_mm,
        usable=process.test_card is not None,
        why_not=_why_not(process, newest),
        card=_card_answer(process.test_card),
        units_waiting=units_waiting,
    )


def card_record_answer(row: TestCardRecord) -> CardRecordAnswer:
    """One entry of the record."""
    return CardRecordAnswer(
        id=public(TEST_CARD, row.id),
        process=row.process,
        station=row.station,
        withdrawn=row.withdrawn,
        burned_on=row.burned_on.isoformat() if row.burned_on is not None else None,
        line_width_mm=row.line_width_mm,
        spot_mm=row.spot_mm,
        by=row.by,
        note=row.note,
        recipe=row.recipe,
        at=row.at,
        recorded_by=row.recorded_by,
    )


def new_card_record_answer(
    row: TestCardRecord, *, taken_out: Sequence[str] | None = None
) -> NewCardRecordAnswer:
    """An entry just made; of a withdrawal with the units that it took out of loads."""
    taken = tuple(taken_out) if taken_out is not None else None
    return NewCardRecordAnswer(**dict(card_record_answer(row)), taken_out=taken)


def _why_not(
    process: Process, newest: TestCardRecord | None
) -> Literal["no_card", "withdrawn", "recipe_changed"] | None:
    if process.test_card is not None:
        return None
    if newest is None:
        return "no_card"
    return "withdrawn" if newest.withdrawn else "recipe_changed"


def _card_answer(card: TestCard | None) -> CardAnswer | None:
    return CardAnswer(burned_on=card.date, by=card.by, note=card.note) if card is not None else None
