"""Routine checks as the service answers them."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from layout.shop.upkeep import Every
from service.records.tables import RoutineEntry
from service.requests.answers import AnswerBody, Moment, OrLeftOut

Result = Literal["ok", "not_ok"]


class RoutineEntryAnswer(AnswerBody):
    """A routine check that was done."""

    number: int = Field(
        description="Counts the entries of this check; send it as `seen`, so that a second tap does nothing.",
        examples=[12],
    )
    station: str = Field(description="The station.", examples=["north"])
    routine: str = Field(description="The check.", examples=["lens"])
    process: OrLeftOut[str] = Field(
        default=None, description="The process that was tried on scrap.", examples=["satin-north"]
    )
    result: Result = Field(description="What was found.", examples=["ok"])
    note: OrLeftOut[str] = Field(default=None, description="What was noted.", examples=["a little soot"])
    burned_hours: float = Field(description="Hours burned at the station until then.", examples=[132.4])
    at: Moment = Field(description="When it was done.")
    by: str = Field(description="Who did it.", examples=["Ada"])


class RoutineAnswer(AnswerBody):
    """A routine check of a station, and whether it is due."""

    station: str = Field(description="The station.", examples=["north"])
    routine: str = Field(description="Its name in the log.", examples=["lens"])
    process: OrLeftOut[str] = Field(
        default=None,
        description="The process that is tried on scrap; left out for checks of the whole station.",
        examples=["satin-north"],
    )
    name: str = Field(description="What it is called.", examples=["Clean the lens"])
    how: str = Field(description="What to do.", examples=["One wipe with a new tissue."])
    if_not_ok: str = Field(description="What to do when something is wrong.", examples=["Tell Ines."])
    every: Every = Field(
        description="How often: every working `day` or `week` of the shop, by `hours` burned, or before the"
        " first burn of a `process` that was not burned at the station for some days.",
        examples=["hours"],
    )
    hours: OrLeftOut[float] = Field(default=None, description="Hours burned between two.", examples=[40])
    unused_days: OrLeftOut[float] = Field(
        default=None, description="Days without a burn after which a process is new.", examples=[14]
    )
    burned_hours: OrLeftOut[float] = Field(
        default=None,
        description="Hours burned since it was done, where these count.",
        examples=[12.5],
    )
    stops: bool = Field(description="Whether the station stops while it is due.", examples=[True])
    is_due: bool = Field(
        description="Whether it is to be done now; one that was found not ok is, until it is found ok. Of a"
        " process: before its next burn.",
        examples=[True],
    )
    last: OrLeftOut[RoutineEntryAnswer] = Field(
        default=None, description="When it was done last; left out: never."
    )

    @property
    def is_wrong(self) -> bool:
        """Whether it was found not ok."""
        return self.last is not None and self.last.result == "not_ok"


class RoutinesAnswer(AnswerBody):
    """The routine checks of the stations."""

    routines: tuple[RoutineAnswer, ...] = Field(
        description="By station, in the order of the shop's description."
    )


class RoutineLogAnswer(AnswerBody):
    """A page of the log."""

    entries: tuple[RoutineEntryAnswer, ...] = Field(description="Newest first.")


def entry_answer(entry: RoutineEntry) -> RoutineEntryAnswer:
    return RoutineEntryAnswer(
        number=entry.number,
        station=entry.station,
        routine=entry.routine,
        process=entry.process or None,
        result="ok" if entry.is_ok else "not_ok",
        note=entry.note or None,
        burned_hours=round(entry.burned_s / 3600, 1),
        at=entry.at,
        by=entry.by,
    )
