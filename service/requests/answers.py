"""What every answer of the service is made of: frozen values that are also the schema of their JSON.

An answer is built once, by the use case that knows it, as a value with named, typed fields; pages and papers
read those fields, and a route returns the value as it is. The same class says what the JSON looks like, so
the description that is served can't say anything else than what is sent:

    class BinAnswer(AnswerBody):
        bin: str = Field(description="Storage place.", examples=["A-01"])
        emptied_at: OrLeftOut[Moment] = Field(default=None, description="When it was last empty.")

They are pydantic models and not dataclasses, because a field carries its meaning and an example with it, and
the web framework writes models without a copy in between.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, PlainSerializer
from pydantic.json_schema import SkipJsonSchema

from service.records.tables import History

_Value = TypeVar("_Value")


def _is_none(value: object) -> bool:
    return value is None


def _without_null_defaults(schema: dict[str, Any]) -> None:
    for described in schema.get("properties", {}).values():
        if described.get("default", ...) is None:
            del described["default"]


class AnswerBody(BaseModel):
    """Part of an answer. Its JSON is what `model_dump(mode="json")` gives."""

    model_config = ConfigDict(
        frozen=True,
        serialize_by_alias=True,
        json_schema_extra=_without_null_defaults,
        defer_build=True,  # of three hundred answers a day needs some dozens, each made ready when met
    )


#: A value that is left out of the JSON where it does not apply; null is never written for it.
OrLeftOut = Annotated[_Value | SkipJsonSchema[None], Field(exclude_if=_is_none)]

#: A moment in UTC; written as RFC 3339 with its offset.
Moment = Annotated[
    datetime,
    PlainSerializer(datetime.isoformat, return_type=str, when_used="json"),
    Field(json_schema_extra={"format": "date-time"}, examples=["2026-11-30T16:00:00+00:00"]),
]


class EventAnswer(AnswerBody):
    """Something that happened: what, when, by whom and why."""

    what: str = Field(serialization_alias="to", description="What happened.", examples=["approved"])
    who: str = Field(description="Who did it: the name on the key, or the service itself.", examples=["Ada"])
    why: str = Field(
        description="The reason, as it was given; may be empty.", examples=["asked by telephone"]
    )
    at: Moment = Field(description="When.")


class MoveAnswer(AnswerBody):
    """One entry of a history: what became of a thing, when, by whom and why."""

    move_from: str | None = Field(
        serialization_alias="from",
        description="State before; null where something happened without a change of state.",
        examples=["ready"],
    )
    move_to: str = Field(
        serialization_alias="to", description="State after, or what happened.", examples=["loaded"]
    )
    who: str = Field(description="Who did it: the name on the key, or the service itself.", examples=["Ada"])
    why: str = Field(description="The reason, as it was given; may be empty.", examples=["order taken"])
    at: Moment = Field(description="When.")


def events_answer(history: Iterable[History]) -> tuple[EventAnswer, ...]:
    """What happened to a thing that has no state of its own, oldest first."""
    return tuple(EventAnswer(what=move.move_to, who=move.who, why=move.why, at=move.at) for move in history)


def moves_answer(history: Iterable[History]) -> tuple[MoveAnswer, ...]:
    """A history as it is answered, oldest first."""
    return tuple(
        MoveAnswer(move_from=move.move_from, move_to=move.move_to, who=move.who, why=move.why, at=move.at)
        for move in history
    )
