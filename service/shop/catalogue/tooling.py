"""Plates, stations and processes from their files."""

from __future__ import annotations

from collections.abc import Mapping
from math import cos, radians, sin
from typing import Any, get_args

from shapely import affinity

from layout.shop.assembly import Assembly
from layout.shop.blades import Surface
from layout.shop.people import Pickups, Shift
from layout.shop.plates import Plate, Play, Pose, Seat, Slot
from layout.shop.stations import LayerStyle, Process, Rows, Station, TestCard
from layout.shop.upkeep import Routine
from service.shop.catalogue.schema import (
    AssemblyFile,
    CarrierFile,
    PlateFile,
    ProcessFile,
    SeatFile,
    ShiftFile,
    StationFile,
    Weekday,
)
from service.shop.catalogue.shapes import polygon_of


def plate_of(p: PlateFile) -> Plate:
    """A plate. Raises ValueError when the slots' outline is no polygon."""
    outline = polygon_of(p.slot_outline)
    slots = tuple(_slot(entry, outline, p.seat) for entry in p.slots)
    return Plate(p.plate, p.name, p.size_mm, slots, tuple(p.copies), tuple(p.fiducials))


def _slot(entry: tuple[str, float, float, float], outline: Any, seats: list[SeatFile]) -> Slot:
    name, x, y, turn = entry
    placed = affinity.translate(affinity.rotate(outline, turn, origin=(0, 0)), x, y)
    taken = tuple(_seat(seat, x, y, turn) for seat in seats if seat.slots is None or name in seat.slots)
    return Slot(name, placed, taken)


def _seat(seat: SeatFile, x: float, y: float, turn: float) -> Seat:
    """A seat's pose is given in its slot's frame; the shop keeps it in the plate's."""
    p, spin = seat.pose, radians(turn)
    pose = Pose(
        # Rounded to a nanometre: the noise that a turn by 180 degrees leaves would change files' digests.
        x_mm=round(x + p.x_mm * cos(spin) - p.y_mm * sin(spin), 6),
        y_mm=round(y + p.x_mm * sin(spin) + p.y_mm * cos(spin), 6),
        turn_deg=turn + p.turn_deg,
        height_mm=p.height_mm,
        tilt_deg=p.tilt_deg,
        tilt_towards_deg=turn + p.tilt_towards_deg,
    )
    return Seat(seat.blade, seat.face, pose, Play(seat.play.shift_mm, seat.play.tilt_deg, seat.play.about))


def station_of(s: StationFile) -> Station:
    """A station."""
    return Station(
        station=s.station,
        name=s.name,
        field_mm=s.field_mm,
        origin=s.origin,
        spot_mm=s.spot_mm,
        focus_mm=s.focus_mm,
        jump_speed_mm_s=s.jump_speed_mm_s,
        acceleration_mm_s2=s.acceleration_mm_s2,
        formats=tuple(s.formats),
        fill=s.fill,
        layers={name: LayerStyle(style.layer, style.colour) for name, style in s.layers.items()},
        centre_layers={
            name: LayerStyle(style.layer, style.colour) for name, style in s.centre_layers.items()
        },
        plates=dict(s.plates),
        axes=s.axes,
        load_seconds_per_slot=s.load_seconds_per_slot,
        turn_seconds_per_slot=s.turn_seconds_per_slot,
        plate_change_seconds=s.plate_change_seconds,
        process_change_seconds=s.process_change_seconds,
        hours=_week(s.hours, s.breaks),
        routines=tuple(Routine(**routine.model_dump()) for routine in s.routines),
    )


def shift_of(s: ShiftFile) -> Shift:
    """Raises ValueError when its breaks leave nothing of its hours."""
    return Shift(s.people, _week(s.hours, s.breaks), s.days_off)


def pickups_of(carrier: CarrierFile | None) -> Pickups | None:
    if carrier is None:
        return None
    cutoffs = [
        _DAYS.index(day) * 86_400.0 + int(at[:2]) * 3600.0 + int(at[3:]) * 60.0
        for day, at in carrier.cutoffs.items()
    ]
    return Pickups(tuple(sorted(cutoffs)), carrier.packing_minutes * 60.0)


def assembly_of(a: AssemblyFile) -> Assembly:
    release_day = _DAYS.index(a.release_day) if a.release_day is not None else None
    return Assembly(
        a.service_level, a.weeks_to_build, a.units_per_week, release_day, a.house_mark_days, tuple(a.inspect)
    )


_DAYS = get_args(Weekday)


def _week(hours: Mapping[Weekday, list[str]], breaks: list[str]) -> tuple[tuple[float, float], ...]:
    """Open spans of the week in seconds since Monday 00:00, without the breaks. Raises ValueError for a span
    that ends before it begins, and for hours that the breaks use up."""
    spans: list[tuple[float, float]] = []
    for day, listed in hours.items():
        open_spans = [_span(text) for text in listed]
        for begin, end in map(_span, breaks):
            open_spans = [
                part
                for a, b in open_spans
                for part in ((a, min(b, begin)), (max(a, end), b))
                if part[0] < part[1]
            ]
        midnight = _DAYS.index(day) * 86_400.0
        spans += [(midnight + a, midnight + b) for a, b in open_spans]
    merged: list[tuple[float, float]] = []
    for begin, end in sorted(spans):
        if merged and begin <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((begin, end))
    if hours and not merged:
        raise ValueError("the breaks leave nothing of the hours")
    return tuple(merged)


def _span(text: str) -> tuple[float, float]:
    begin, end = (int(t[:2]) * 3600.0 + int(t[3:]) * 60.0 for t in text.split("-"))
    if begin >= end:
        raise ValueError(f"{text}: ends before it begins")
    return begin, end


def process_of(p: ProcessFile) -> Process:
    """A process, usable only if its test card is there."""
    card = p.test_card
    return Process(
        process=p.process,
        station=p.station,
        surface=Surface(p.material, p.finish),
        power_percent=p.power_percent,
        speed_mm_s=p.speed_mm_s,
        frequency_khz=p.frequency_khz,
        rows=Rows(p.rows.spacing_mm, p.rows.angle_deg, p.rows.crossed),
        edge_line=p.edge_line,
        edge_allowance_mm=p.edge_allowance_mm,
        repeats=p.repeats,
        line_width_mm=p.line_width_mm,
        focus_tolerance_mm=p.focus_tolerance_mm,
        test_card=TestCard(card.date, card.by, card.note, card.isolated_lines) if card else None,
        centre_line_passes=p.centre_line_passes,
    )
