"""What may be asked: a closed set of changes to the shop; those asked together happen together."""

from __future__ import annotations

from typing import Annotated

from pydantic import ConfigDict, Field

from service.requests.inscriptions import Decimal, Moment, Name, Strict, Whole


class StationDownIn(Strict):
    """The station is out of work from `from` (left out: now) until `until`."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)

    station: Name
    begin: Annotated[Moment | None, Field(alias="from")] = None
    until: Moment


class MorePlatesIn(Strict):
    """More copies of a plate."""

    plate: Name
    count: Whole = Field(ge=1, le=20)


class MoreHoursIn(Strict):
    """Every working day of the station (of all, when left out) is so many hours longer, until midnight at the
    most."""

    station: Name | None = None
    hours: Decimal = Field(gt=0, le=12)


class WhatIfIn(Strict):
    """`orders_factor` times the usual orders for `orders_days` of the shop's days, today being the first.

    Orders go on coming for `days` days; the answer is about what waits now and what comes in these days. The
    same `seed` gives the same luck.
    """

    orders_factor: Decimal = Field(default=1.0, ge=0, le=10)
    orders_days: Whole = Field(default=1, ge=1, le=14)
    station_down: StationDownIn | None = None
    more_plates: MorePlatesIn | None = None
    more_hours: MoreHoursIn | None = None
    days: Whole = Field(default=2, ge=1, le=14)
    seed: Whole = Field(default=1, ge=0, lt=2**31)
