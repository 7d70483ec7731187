"""Descriptions that were put in force, and changes, as the service answers them."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import Field

from service.changes.what_changes import WhatChanges
from service.records.tables import CatalogueInForce
from service.requests.answers import AnswerBody, Moment, OrLeftOut
from service.shop.catalogue.difference import Difference, difference


class VersionAnswer(AnswerBody):
    """A description of the shop as it was put in force."""

    number: int = Field(
        description="Its number, one more than that of the one it was made from. The highest is in force.",
        examples=[12],
    )
    version: str = Field(
        description="Digest of what it means: orders, loads and `GET /v1/catalogue` name it.",
        examples=["3f1c9a0b7d2e"],
    )
    origin: str = Field(
        description="Where it came from: `folder`, `draft` (changed on pages), `posted`, `back` (an earlier"
        " one, in force again).",
        examples=["draft"],
    )
    back_to: OrLeftOut[int] = Field(
        default=None, description="The earlier number that it brought back.", examples=[7]
    )
    at: Moment = Field(description="When it was put in force.")
    by: str = Field(description="By whom: role and name.", examples=["owner:Ada"])
    why: str = Field(description="Why, as far as that was said.", examples=["longer flat on the parer"])


class VersionsAnswer(AnswerBody):
    """A page of descriptions, newest first."""

    versions: tuple[VersionAnswer, ...] = Field(description="Newest first; the first of all is in force.")


class DescriptionChangeAnswer(AnswerBody):
    """One key of one thing, as it was and as it is then."""

    thing: str = Field(description="What it is of.", examples=["blade parer"])
    where: str = Field(
        description="Which key; empty where the whole thing comes or goes.",
        examples=["face mark_side, zone flat: max_height_mm"],
    )
    was: str | None = Field(description="What it was; null where it was not there.", examples=["7"])
    becomes: str | None = Field(description="What it is then; null where it goes.", examples=["8"])


class FileChangeAnswer(AnswerBody):
    """One file that is different."""

    file: str = Field(description="Its name.", examples=["blades/parer.toml"])
    is_new: bool = Field(description="Whether it comes.", examples=[False])
    is_gone: bool = Field(description="Whether it goes.", examples=[False])
    lines: tuple[str, ...] = Field(
        description="A unified difference, two lines of what is around; none for photos.",
        examples=[["-max_height_mm = 7", "+max_height_mm = 8"]],
    )


class DifferenceAnswer(AnswerBody):
    """What is different between two descriptions."""

    changes: tuple[DescriptionChangeAnswer, ...] = Field(
        description="Key by key; comments are in `files` alone."
    )
    files: tuple[FileChangeAnswer, ...] = Field(description="File by file.")


class WholeVersionAnswer(VersionAnswer):
    """A description with its files."""

    difference: DifferenceAnswer = Field(description="What it changed of the one before.")
    content: dict[str, str] = Field(
        description="All files' text by name; photos in base64.",
        examples=[{"blades/parer.toml": 'blade = "parer"'}],
    )


class TrialAnswer(AnswerBody):
    """A change that was tried, and not put in force."""

    troubles: tuple[str, ...] = Field(
        description="Everything that is wrong with it, with file and line; it is refused while there is any.",
        examples=[["blades/parer.toml:12: zone flat: it lies over the edge bevel"]],
    )
    difference: DifferenceAnswer = Field(description="What it would change of what is in force.")
    what_changes: OrLeftOut[WhatChanges] = Field(
        default=None,
        description="What it would do to units that wait; left out where there are troubles.",
    )


def version_answer(row: CatalogueInForce) -> VersionAnswer:
    return VersionAnswer(
        number=row.number,
        version=row.version,
        origin=row.origin,
        back_to=row.back_to,
        at=row.at,
        by=row.by,
        why=row.why,
    )


def whole_version_answer(
    row: CatalogueInForce, content: dict[str, str], before: Mapping[str, str]
) -> WholeVersionAnswer:
    return WholeVersionAnswer(
        **dict(version_answer(row)),
        difference=difference_answer(difference(before, content)),
        content=content,
    )


def difference_answer(found: Difference) -> DifferenceAnswer:
    return DifferenceAnswer(
        changes=tuple(
            DescriptionChangeAnswer(thing=c.thing, where=c.key, was=c.was, becomes=c.becomes)
            for c in found.changes
        ),
        files=tuple(
            FileChangeAnswer(file=f.file, is_new=f.is_new, is_gone=f.is_gone, lines=f.lines)
            for f in found.files
        ),
    )
