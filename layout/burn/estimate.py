"""Estimate: how long marking, jumping, turning over and loading take.

Two ways to the same number. `seconds` follows the real, routed paths and is what a load is promised
by. `mark_seconds` counts rows and their length from the outline's edges alone (every row begins and ends
on an edge), so that a check can afford it. Both know a head that starts and stops at once, and one that
needs `acceleration_mm_s2`. What neither knows (delays of the head, travel of the carriage) is learned from
recorded burns (`layout.burn.pace`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry import Polygon

from layout.burn.as_burned import mark_as_burned
from layout.burn.rows import shrink
from layout.burn.turn import Burn, Piece, burn_of
from layout.shop.loads import LoadLayout, Mark
from layout.shop.measure import Floats
from layout.shop.outline import Outline
from layout.shop.shop import Shop
from layout.shop.stations import Process, Station

#: A path that turns more sharply than this stops at the corner; a gentler one runs through.
CORNER_DEG = 30.0
#: Rows are next to one another: from the end of one to the start of the next is about this many spacings.
JUMP_SPACINGS = 1.6


@dataclass(frozen=True, slots=True)
class Travel:
    """What a beam's path takes, repeats included: seconds and millimetres, marking and jumping."""

    marking_s: float = 0.0
    jumping_s: float = 0.0
    marking_mm: float = 0.0
    jump_mm: float = 0.0

    @property
    def total_s(self) -> float:
        return self.marking_s + self.jumping_s

    def __add__(self, other: Travel) -> Travel:
        return Travel(
            self.marking_s + other.marking_s,
            self.jumping_s + other.jumping_s,
            self.marking_mm + other.marking_mm,
            self.jump_mm + other.jump_mm,
        )


@dataclass(frozen=True, slots=True)
class Estimate:
    """Seconds of one load, by what they are spent on."""

    travel: Travel
    turning_s: float
    loading_s: float

    @property
    def total_s(self) -> float:
        return self.travel.total_s + self.turning_s + self.loading_s


def seconds(shop: Shop, load: LoadLayout, *, acceleration: bool = True) -> Estimate:
    """The estimate of a load, along the real paths of all its turns.

    Loading counts every slot that the first turn fills, turning over every slot of a later turn.
    Raises what `burn_of` raises.
    """
    station = shop.stations[load.station]
    burns = [burn_of(shop, load, turn.turn) for turn in load.turns]
    spent = (burn_travel(shop, burn, station, acceleration=acceleration) for burn in burns)
    filled = [len(turn.fills) for turn in load.turns]
    return Estimate(
        travel=sum(spent, Travel()),
        turning_s=sum(filled[1:]) * station.turn_seconds_per_slot,
        loading_s=sum(filled[:1]) * station.load_seconds_per_slot,
    )


def burn_travel(shop: Shop, burn: Burn, station: Station, *, acceleration: bool = True) -> Travel:
    """Marking and jumping of one burn, the jumps between its slots included.

    Where the files carry filled outlines the station makes the rows itself; they are counted as
    `mark_seconds` counts them.
    """
    travel, at = Travel(), None
    for part in burn.parts:
        process = shop.processes[part.process]
        if part.is_centre:
            process = replace(process, repeats=process.centre_line_passes)
        paths = [path for piece in part.pieces for path in _paths(piece)]
        if part.areas:
            inside = tuple(shrink(Outline(areas=part.areas), process).geoms)
            travel += _area_travel(inside, process, station, acceleration=acceleration)
            to_areas = np.array([math.dist(a[-1], b[0]) for a, b in pairwise(paths)])
            travel += _repeated(np.empty(0), to_areas, process, station, acceleration=acceleration)
            lines: list[Floats] = list(part.lines)
            travel += path_travel(lines, process, station, acceleration=acceleration)
        else:
            travel += path_travel(paths, process, station, acceleration=acceleration)
        if at is not None:
            across = np.array([math.dist(at, paths[0][0])])
            travel += _repeated(np.empty(0), across, process, station, acceleration=acceleration)
        at = paths[-1][-1]
    return travel


def _paths(piece: Piece) -> list[Floats]:
    shells = [shapely.get_coordinates(area.exterior) for area in piece.areas]
    return [*shells, *piece.rows, *piece.lines]


def job_seconds(shop: Shop, marks: Iterable[Mark], station: str, *, acceleration: bool = True) -> float:
    """Burning seconds of one unit's marks at a station.

    Raises KeyError for a surface without a usable process.
    """
    total = 0.0
    for mark in marks:
        process = shop.process_for(station, mark.surface)
        if process is None:
            raise KeyError(f"{station} has no usable process for {mark.surface}")
        total += mark_seconds(mark.outline, process, shop.stations[station], acceleration=acceleration)
    return total


def mark_seconds(outline: Outline, process: Process, station: Station, *, acceleration: bool = True) -> float:
    """Burning seconds of one mark, from its outline alone (no routing): marking, jumps and repeats."""
    strokes = [shapely.get_coordinates(stroke) for stroke in outline.strokes]
    along = path_travel(strokes, process, station, acceleration=acceleration)
    if process.burns_centre_lines and outline.areas:
        burned = mark_as_burned(outline.areas, process)
        middles = [shapely.get_coordinates(line) for line in burned.centre_lines]
        passes = replace(process, repeats=process.centre_line_passes)
        along += path_travel(middles, passes, station, acceleration=acceleration)
        inside = burned.inside  # its arcs have fewer chords than those of rows: nothing that takes time
    else:
        inside = tuple(shrink(outline, process).geoms)
    return (along + _area_travel(inside, process, station, acceleration=acceleration)).total_s


def path_travel(
    paths: Sequence[Floats], process: Process, station: Station, *, acceleration: bool = True
) -> Travel:
    """Marking along paths (each (n, 2)) in this order and the jumps between them, repeats included."""
    if not paths:
        return Travel()
    marks = _straights(paths)
    jumps = np.array([math.dist(a[-1], b[0]) for a, b in pairwise(paths)])
    return _repeated(marks, jumps, process, station, acceleration=acceleration)


def move_seconds(lengths_mm: Floats, speed_mm_s: float, acceleration_mm_s2: float | None) -> Floats:
    """Seconds (n,) of straight moves from rest to rest; None for a head that starts and stops at once.

    Constant acceleration: L/v + v/a where the speed is reached (L at least v²/a), else 2 √(L/a).
    """
    if acceleration_mm_s2 is None:
        return lengths_mm / speed_mm_s
    reached = lengths_mm >= speed_mm_s**2 / acceleration_mm_s2
    full = lengths_mm / speed_mm_s + speed_mm_s / acceleration_mm_s2
    return np.where(reached, full, 2 * np.sqrt(lengths_mm / acceleration_mm_s2))


def _repeated(
    marks: Floats, jumps: Floats, process: Process, station: Station, *, acceleration: bool
) -> Travel:
    rate = station.acceleration_mm_s2 if acceleration else None
    return Travel(
        float(move_seconds(marks, process.speed_mm_s, rate).sum()) * process.repeats,
        float(move_seconds(jumps, station.jump_speed_mm_s, rate).sum()) * process.repeats,
        float(marks.sum()) * process.repeats,
        float(jumps.sum()) * process.repeats,
    )


def _straights(paths: Sequence[Floats]) -> Floats:
    """Lengths, path after path, between the corners at which the head stops."""
    points = np.concatenate(paths)
    path = np.repeat(np.arange(len(paths)), [len(path_points) for path_points in paths])
    inside = path[1:] == path[:-1]
    steps, path = np.diff(points, axis=0)[inside], path[1:][inside]
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    headings = np.degrees(np.arctan2(steps[:, 1], steps[:, 0]))
    bends = np.abs((np.diff(headings) + 180) % 360 - 180)
    stops = (bends > CORNER_DEG) | (path[1:] != path[:-1])
    starts = np.concatenate([[0], np.flatnonzero(stops) + 1])
    return np.asarray(np.add.reduceat(lengths, starts))


def _area_travel(
    inside: Sequence[Polygon], process: Process, station: Station, *, acceleration: bool
) -> Travel:
    """Rows, crossed rows and edge lines of what lies inside the edge allowance, counted and not drawn: an
    edge that rises by d across the rows is crossed by d / spacing of them, and each row has two crossings."""
    if not inside:
        return Travel()
    rings = shapely.get_rings(inside)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    steps = np.diff(points, axis=0)[ring[1:] == ring[:-1]]
    spacing, angle = process.rows.spacing_mm, math.radians(process.rows.angle_deg)
    area = float(shapely.area(inside).sum())
    marks: list[Floats] = []
    jumps: list[Floats] = []
    for turn in (angle, angle + math.pi / 2)[: 2 if process.rows.crossed else 1]:
        rises = np.abs(steps @ np.array([-math.sin(turn), math.cos(turn)]))
        count = max(1, round(float(rises.sum()) / (2 * spacing)))
        marks.append(np.full(count, area / spacing / count))
        jumps.append(np.full(count, JUMP_SPACINGS * spacing))
    if process.edge_line:
        marks.append(_straights([shapely.get_coordinates(line) for line in rings]))
    return _repeated(
        np.concatenate(marks), np.concatenate(jumps), process, station, acceleration=acceleration
    )
