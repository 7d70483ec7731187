"""Acts as the service answers them."""

from __future__ import annotations

from collections.abc import Iterable

from pydantic import Field

from service.records.tables import History
from service.requests.act_rows import details
from service.requests.answers import AnswerBody, Moment


class ActAnswer(AnswerBody):
    """Something that was done with the shop itself: who, when, what."""

    about: str = Field(
        description="What it is about: `key`, `callback`, `card` (a test card), `plate` (measured), `shop`"
        " (its description), `lot`.",
        examples=["key"],
    )
    what: str = Field(description="What was done.", examples=["revoked"])
    details: str = Field(
        description="Which one, and why where that was said; never a secret.",
        examples=["Ab12Cd34: store garden-shop"],
    )
    who: str = Field(
        description="Who did it: role and name; `owner:sweep` is the service itself.", examples=["owner:Ada"]
    )
    at: Moment = Field(description="When.")


class ActsAnswer(AnswerBody):
    """A page of acts, newest first."""

    acts: tuple[ActAnswer, ...] = Field(description="Newest first.")


def acts_answer(rows: Iterable[History]) -> ActsAnswer:
    return ActsAnswer(
        acts=tuple(
            ActAnswer(about=row.subject, what=row.move_to, details=details(row), who=row.who, at=row.at)
            for row in rows
        )
    )
