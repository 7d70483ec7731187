"""What may be asked: a closed set of changes to the shop; those asked together happen together."""

from __future__ import annotations

from typing import Annotated

from pydantic import ConfigDict, Field

from service.requests.inscriptions import Decimal, Moment, Name, Strict, Whole


class StationDownIn(Strict):
    """The station is out of work from `from` (left out: now) until `until`."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)

    station: Name = Field(description="The station.", examples=["fibre-1"])
    begin: Annotated[Moment | None, Field(alias="from")] = Field(
        default=None, description="From when; left out: from now on.", examples=["2026-11-30T08:00:00Z"]
    )
    until: Moment = Field(description="Until when.", examples=["2026-11-30T16:00:00Z"])


class MorePlatesIn(Strict):
    """More copies of a plate."""

    plate: Name = Field(description="The plate.", examples=["parer-8"])
    count: Whole = Field(ge=1, le=20, description="Copies more.", examples=[1])


class MoreHoursIn(Strict):
    """Every working day of the station (of all, when left out) is so many hours longer, until midnight at the
    most."""

    station: Name | None = Field(
        default=None, description="The station; left out: all.", examples=["fibre-1"]
    )
    hours: Decimal = Field(
        ge=0.01,  # the smallest numbers above 0 are 0 to many a program that reads JSON
        le=12,
        description="Hours more on every working day, until midnight at the most.",
        examples=[2.0],
    )


class WhatIfIn(Strict):
    """`orders_factor` times the usual orders for `orders_days` of the shop's days, today being the first.

    Orders go on coming for `days` days; the answer is about what waits now and what comes in these days. The
    same `seed` gives the same luck.
    """

    orders_factor: Decimal = Field(
        default=1.0,
        ge=0,
        le=10,
        description="So many times the usual orders come.",
        examples=[2.0],
    )
    orders_days: Whole = Field(
        default=1,
        ge=1,
        le=14,
        description="For so many of the shop's days, today being the first.",
        examples=[1],
    )
    station_down: StationDownIn | None = Field(default=None, description="A station that does not work.")
    more_plates: MorePlatesIn | None = Field(default=None, description="Further copies of a plate.")
    more_hours: MoreHoursIn | None = Field(default=None, description="Longer days.")
    days: Whole = Field(
        default=2, ge=1, le=14, description="Orders go on coming for so many days.", examples=[2]
    )
    seed: Whole = Field(default=1, ge=0, lt=2**31, description="The same gives the same luck.", examples=[1])
