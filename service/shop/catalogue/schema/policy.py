"""The schema of the policy: what this shop calls legible and makeable, who works when, what it minds in a
plan."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from service.shop.catalogue.schema.forms import (
    Day,
    Inspect,
    Name,
    Span,
    Strict,
    TimeOfDay,
    TimeZone,
    Weekday,
    Words,
    distinct,
    key,
)


class PlanFile(Strict):
    """What one of each costs among plans that are equally late and take equally many loads; only what they
    are to one another matters."""

    changes: float = key("A change of plate or process", 1.0, unit="cost", default=1.0, ge=0)
    turned: float = key("A load in which units are turned over", 0.5, unit="cost", default=0.5, ge=0)
    split: float = key("A load by which an order is split", 0.3, unit="cost", default=0.3, ge=0)
    walking: float = key(
        "A place walked past in the store room, between a load's nearest and farthest unit",
        0.01,
        unit="cost",
        default=0.01,
        ge=0,
    )
    waiting: float = key(
        "A unit that is done only at its ship-by time, or on the day that was promised where that is "
        "earlier; half of it when half of the time has passed",
        1.0,
        unit="cost",
        default=1.0,
        ge=0,
    )
    near_cutoff: float = key(
        "A unit that is done only at its ship-by time, or when the shop shuts on the day that was promised "
        "where that is earlier; linear from nothing at cutoff_hours before it",
        2.0,
        unit="cost",
        default=2.0,
        ge=0,
    )
    cutoff_hours: float = key(
        "How long before that time a unit counts as near", 2.0, unit="hours", default=2.0, ge=0
    )


class ShiftFile(Strict):
    """People at work: so many in these hours of the week, less the breaks, but not on their days off."""

    people: int = key("How many people", 2, unit="count", default=1, ge=1, le=1_000)
    hours: dict[Weekday, list[Span]] = key(
        "When they work, by weekday", {"monday": ["08:00-16:30"]}, min_length=1
    )
    breaks: list[Span] = key("Parts taken out of every day", ["12:00-12:30"], default=[])
    days_off: tuple[Day, ...] = key("Dates on which they don't work", ["2027-01-04"], default=())


class HandlingFile(Strict):
    """Seconds of one person's work for one unit; seating and turning over stand with each station."""

    pull: float = key("To fetch it from its bin", 15, unit="seconds", default=0.0, ge=0)
    look: float = key("To look at it before the burn", 5, unit="seconds", default=0.0, ge=0)
    inspect: float = key("To inspect its mark", 20, unit="seconds", default=0.0, ge=0)
    wipe: float = key("To wipe it", 10, unit="seconds", default=0.0, ge=0)
    bag: float = key("To bag it", 10, unit="seconds", default=0.0, ge=0)
    box: float = key("To box it", 20, unit="seconds", default=0.0, ge=0)


class CarrierFile(Strict):
    """When parcels leave. A unit is in time when it is boxed so long before the last cut-off that its
    ship-by time allows."""

    packing_minutes: float = key(
        "What packing needs between a boxed unit and the cut-off",
        10,
        unit="minutes",
        default=0.0,
        ge=0,
        le=1_440,
    )
    cutoffs: dict[Weekday, TimeOfDay] = key("The cut-off of each day", {"monday": "16:00"}, min_length=1)


class PackingFile(Strict):
    """Where packing gathers the boxes of an order, and what it puts in with them."""

    shelves: Annotated[list[Name], AfterValidator(distinct)] = key(
        "Shelves of the packing rack, in the order in which they are filled; an order of several units keeps"
        " one until it is handed over. Left out: nobody is told where to put a box",
        ["P1", "P2", "P3"],
        default=[],
        max_length=500,
    )
    inserts: list[Words] = key(
        "What goes into every parcel besides; it stands on the packing list",
        ["Care card"],
        default=[],
        max_length=20,
    )


class SupplyFile(Strict):
    """Something that is used up, counted in pieces. What the bench releases and packing hands over counts it
    down; a refill, said on the page of routine checks, counts it up."""

    supply: Name = key("Its name in the log; keep it when you change the words", "bags")
    name: Words = key("Its name for people", "Bags, 250 x 80 mm")
    pack: int = key("How many a refill adds", 500, unit="count", ge=1, le=1_000_000)
    warn_below: int = key(
        "With how many left, or fewer, people are told", 100, unit="count", ge=0, le=1_000_000
    )
    per_unit: int = key("Used for each unit released", 1, unit="count", default=0, ge=0, le=1_000)
    per_load: int = key("Used for each load released", 2, unit="count", default=0, ge=0, le=1_000)
    per_order: int = key("Used for each order handed over", 1, unit="count", default=0, ge=0, le=1_000)


class AssemblyFile(Strict):
    """What the build plan is made by: how much assembly can build, and how often the shop wants to run out.
    And what is inspected before a unit is boxed."""

    service_level: float = key(
        "The share of weeks in which all that is asked for shall be there",
        0.95,
        unit="share",
        default=0.95,
        ge=0.5,
        le=0.999,
    )
    weeks_to_build: float = key(
        "How long a unit takes, from the day it is wanted to its box",
        1.0,
        unit="weeks",
        default=1.0,
        ge=0,
        le=52,
    )
    units_per_week: int | None = key(
        "How many units assembly can build in a whole week; left out: enough",
        80,
        unit="count",
        default=None,
        ge=0,
        le=10_000,
    )
    release_day: Weekday | None = key(
        "The day of the week on which new work is put on sale; left out: there is none",
        "friday",
        default=None,
    )
    house_mark_days: float = key(
        "How long before a work order is due its bare blades are to have their house mark",
        2.0,
        unit="days",
        default=2.0,
        ge=0,
        le=60,
    )
    inspect: Inspect = key(
        "Looked at on every unit before it is boxed, point by point; blades and products may add to it",
        ["Edge bites paper all along", "Handle without gaps"],
        default=[],
        max_length=20,
    )


class CountFile(Strict):
    """When a count of a bin is asked about before it is taken; both must be exceeded."""

    ask_from_units: int = key(
        "The difference from which it is asked about", 5, unit="count", default=5, ge=1, le=100_000
    )
    ask_from_share: float = key(
        "The share of what is on record that the difference must be more than",
        0.5,
        unit="share",
        default=0.5,
        ge=0,
        le=10,
    )


class PolicyFile(Strict):
    """What this shop calls legible and makeable; its own choice, no standard. One file; all of it may be
    left out."""

    shop_name: Annotated[str, Field(max_length=60)] = key(
        "The shop's name, as its buyers know it", "Alder & Quay", default=""
    )
    stroke_lines: float = key(
        "Thinnest stroke where no centre line is burned", 1.5, unit="line widths", default=1.5, ge=0
    )
    open_lines: float = key(
        "How much of a counter must stay open when burned", 0.5, unit="line widths", default=0.5, ge=0
    )
    bolder_note: float = key(
        "How many times as wide as drawn a stroke may burn before that is noted",
        1.5,
        unit="times",
        default=1.5,
        ge=1,
    )
    bolder_review: float = key("The same, before a person looks", 4.0, unit="times", default=4.0, ge=1)
    review_height_mm: float = key(
        "Capitals smaller than this are looked at by a person", 2.0, unit="mm", default=2.0, ge=0
    )
    max_graphemes_per_line: int = key("The most characters of a line", 40, unit="count", default=40, ge=1)
    max_graphemes: int = key("The most characters of an inscription", 200, unit="count", default=200, ge=1)
    code_cell_lines: float = key("Smallest module of a code", 3.0, unit="line widths", default=3.0, ge=1)
    time_zone: TimeZone = key("The zone of all hours", "Europe/Berlin", default="UTC")
    days_off: tuple[Day, ...] = key("Dates on which the whole shop is shut", ["2027-01-01"], default=())
    shifts: list[ShiftFile] = key(
        "People at work, each a table [[shifts]]; without them one person is at every open station",
        [{"people": 2, "hours": {"monday": ["08:00-16:30"]}}],
        default=[],
    )
    handling: HandlingFile = key(
        "Work for one unit, [handling]", {"pull": 15, "box": 20}, default=HandlingFile()
    )
    carrier: CarrierFile | None = key(
        "When parcels leave, [carrier]; left out: a unit is in time when it is ready by its ship-by time",
        {"packing_minutes": 10, "cutoffs": {"monday": "16:00"}},
        default=None,
    )
    packing: PackingFile = key("The packing rack, [packing]", {"shelves": ["P1"]}, default=PackingFile())
    assembly: AssemblyFile = key(
        "What the build plan is made by, [assembly]",
        {"service_level": 0.95, "units_per_week": 80},
        default=AssemblyFile(),
    )
    counts: CountFile = key(
        "Counts of bins, [counts]",
        {"ask_from_units": 5, "ask_from_share": 0.5},
        default=CountFile(),
    )
    supplies: list[SupplyFile] = key(
        "What is used up, each a table [[supplies]]",
        [{"supply": "bags", "name": "Bags, 250 x 80 mm", "pack": 500, "warn_below": 100, "per_unit": 1}],
        default=[],
        max_length=100,
    )
    plan: PlanFile = key("What counts in a plan, [plan]", {"changes": 1.0, "turned": 0.5}, default=PlanFile())

    @model_validator(mode="after")
    def _supplies_once(self) -> PolicyFile:
        distinct([one.supply for one in self.supplies])
        return self
