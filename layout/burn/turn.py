"""Burn: everything one turn burns, in station coordinates, in the order in which it is burned.

A burn is grouped by process (the station changes its settings between processes, not between letters),
then by slot along a short tour, then mark by mark and letter by letter. A process's repeats are not in
the burn: the layer's recipe at the station carries them, so no geometry is ever doubled in a file.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from layout.burn.as_burned import centre_lines
from layout.burn.route import order_rows, tour
from layout.burn.rows import Filled, filled
from layout.seating.registration import place_points
from layout.shop.loads import LoadLayout, SlotFill
from layout.shop.measure import FROZEN_STEPS_PER_MM, Floats, freeze_mm
from layout.shop.outline import Outline, frozen
from layout.shop.plates import Pose, Seat
from layout.shop.shop import Shop
from layout.shop.stations import Calibration, LayerStyle, Process, Station

#: Digits and capitals that nobody takes for one another (no 0 O, 1 I L, 2 Z, 5 S, 8 B, G, Q, U).
CODE_LETTERS = "34679ACDEFHJKMNPRTVWXY"
CODE_LENGTH = 6


class NotBurnable(ValueError):
    """A turn that no file can be made for; `slot` says where, the message why."""

    def __init__(self, slot: str, reason: str) -> None:
        super().__init__(f"slot {slot}: {reason}")
        self.slot, self._reason = slot, reason

    def __reduce__(self) -> tuple[type[NotBurnable], tuple[str, str]]:
        """So that it comes back whole from a geometry process."""
        return type(self), (self.slot, self._reason)


@dataclass(frozen=True, slots=True)
class Piece:
    """One letter's worth of burning in station coordinates (mm): filled areas, or rows (n, 2, 2) and lines.

    `lines` are (n, 2): edge lines (closed, first point repeated) and strokes of single-line fonts.
    """

    areas: tuple[Polygon, ...]
    rows: Floats
    lines: tuple[Floats, ...]

    def to_record(self) -> dict[str, Any]:
        """JSON-ready, coordinates as whole frozen steps."""
        areas = [[_steps(ring.coords) for ring in (a.exterior, *a.interiors)] for a in self.areas]
        return {"areas": areas, "rows": _steps(self.rows), "lines": [_steps(line) for line in self.lines]}


@dataclass(frozen=True, slots=True)
class BurnPart:
    """What one process burns in one slot: fill with edge lines and strokes, or the centre lines of what fill
    leaves without a path, which have a layer and a number of passes of their own."""

    process: str
    slot: str
    line_width_mm: float
    pieces: tuple[Piece, ...]
    is_centre: bool = False

    @property
    def layer(self) -> tuple[str, bool]:
        """What parts have in common that are burned with the same settings."""
        return self.process, self.is_centre

    def style(self, station: Station) -> LayerStyle:
        """How the station's profile says it is marked in a file. Raises KeyError where it says nothing."""
        return (station.centre_layers if self.is_centre else station.layers)[self.process]

    @property
    def areas(self) -> tuple[Polygon, ...]:
        """Filled outlines in burn order (empty where the station's files carry rows)."""
        return tuple(area for piece in self.pieces for area in piece.areas)

    @property
    def rows(self) -> Floats:
        """All rows (n, 2, 2) in burn order."""
        return np.concatenate([np.empty((0, 2, 2)), *(piece.rows for piece in self.pieces)])

    @property
    def lines(self) -> tuple[Floats, ...]:
        """Edge lines and strokes, each (n, 2), in burn order."""
        return tuple(line for piece in self.pieces for line in piece.lines)


@dataclass(frozen=True)
class Burn:
    """One turn of a load as geometry: `field_box_mm` is x0, y0, x1, y1 of the station's field."""

    parts: tuple[BurnPart, ...]
    field_box_mm: tuple[float, float, float, float]

    @cached_property
    def digest(self) -> str:
        """SHA-256 (hex) over processes, slots and coordinates in whole frozen steps, in burn order. Raises
        ValueError for a coordinate that is not finite."""
        record = {
            "field": _steps(self.field_box_mm),
            "parts": [
                [
                    p.process,
                    p.slot,
                    [piece.to_record() for piece in p.pieces],
                    *(["centre"] if p.is_centre else []),
                ]
                for p in self.parts
            ],
        }
        canonical = json.dumps(record, separators=(",", ":"), sort_keys=True)
        return hashlib.sha256(canonical.encode("utf-8")).hexdigest()

    @property
    def short_code(self) -> str:
        """Six characters of the digest that an operator can read back."""
        return short_code(self.digest)


def short_code(digest: str) -> str:
    """Six characters without look-alikes for a hexadecimal digest.

    >>> short_code("00" * 32)
    '333333'
    """
    number, letters = int(digest, 16), ""
    for _ in range(CODE_LENGTH):
        number, index = divmod(number, len(CODE_LETTERS))
        letters += CODE_LETTERS[index]
    return letters


def burn_of(shop: Shop, load: LoadLayout, turn: int) -> Burn:
    """Everything that turn burns. A slot without marks, or not in the turn at all, gives nothing.

    Raises KeyError for a turn, plate, slot or station that is not there; NotBurnable for a slot that
    doesn't take the unit or a surface without a usable process.
    """
    fills = next((t.fills for t in load.turns if t.turn == turn), None)
    if fills is None:
        raise KeyError(f"no turn {turn} in the load")
    station, plate = shop.stations[load.station], shop.plates[load.plate]
    parts: list[BurnPart] = []
    for fill in fills:
        seat = plate.slot(fill.slot).seat(fill.blade, fill.face)
        if seat is None:
            raise NotBurnable(fill.slot, f"it does not take {fill.blade}, {fill.face} up")
        parts += _parts(shop, load, fill, seat, as_rows=station.fill == "rows")
    return Burn(_ordered(parts), station.field_box_mm)


def _parts(shop: Shop, load: LoadLayout, fill: SlotFill, seat: Seat, *, as_rows: bool) -> list[BurnPart]:
    by_layer: dict[tuple[str, bool], tuple[Process, list[Piece]]] = {}
    for mark in fill.marks:
        process = shop.process_for(load.station, mark.surface)
        if process is None:
            raise NotBurnable(fill.slot, f"{load.station} has no usable process for {mark.surface}")
        for is_centre, pieces in (
            (False, pieces_of(mark.outline, process, as_rows=as_rows)),
            (True, centre_pieces_of(mark.outline, process)),
        ):
            there = [placed(piece, seat.pose, load.calibration) for piece in pieces]
            by_layer.setdefault((process.process, is_centre), (process, []))[1].extend(there)
    return [
        BurnPart(name, fill.slot, process.line_width_mm, tuple(pieces), is_centre)
        for (name, is_centre), (process, pieces) in by_layer.items()
        if pieces
    ]


def pieces_of(outline: Outline, process: Process, *, as_rows: bool) -> list[Piece]:
    """An outline as a process burns it, in the outline's own frame."""
    return _rows_of(outline, process) if as_rows else _areas_of(outline)


def centre_pieces_of(outline: Outline, process: Process) -> list[Piece]:
    """The centre lines that a process burns beside its fill, in the outline's own frame; often none."""
    none = np.empty((0, 2, 2))
    lines = centre_lines(outline.areas, process)
    return [Piece((), none, (shapely.get_coordinates(line),)) for line in lines]


def _areas_of(outline: Outline) -> list[Piece]:
    none = np.empty((0, 2, 2))
    return [
        *(Piece((area,), none, ()) for area in outline.areas),
        *(Piece((), none, (shapely.get_coordinates(stroke),)) for stroke in outline.strokes),
    ]


def _rows_of(outline: Outline, process: Process) -> list[Piece]:
    pieces = [_routed(area) for area in filled(outline, process) if area.burns]
    none = np.empty((0, 2, 2))
    return pieces + [Piece((), none, (shapely.get_coordinates(stroke),)) for stroke in outline.strokes]


def _routed(area: Filled) -> Piece:
    first = order_rows(area.rows)
    crossed = order_rows(area.crossed, first[-1, 1] if len(first) else None)
    return Piece((), np.concatenate([first, crossed]), area.edge)


def placed(piece: Piece, pose: Pose, calibration: Calibration) -> Piece:
    """The piece in station coordinates on the frozen step: rounded once, here, after every transform."""

    def move(points: Any) -> Floats:
        return freeze_mm(place_points(points, pose, calibration))

    areas = [shapely.transform(a, lambda xy: place_points(xy, pose, calibration)) for a in piece.areas]
    rows = move(piece.rows.reshape(-1, 2)).reshape(-1, 2, 2)
    return Piece(frozen(areas).areas, rows, tuple(_distinct(move(line)) for line in piece.lines))


def _distinct(points: Floats) -> Floats:
    """Points of a line without those that rounding laid on their predecessor."""
    moved = LineString(points)
    return shapely.get_coordinates(shapely.remove_repeated_points(moved)) if moved.length > 0 else points[:2]


def _ordered(parts: list[BurnPart]) -> tuple[BurnPart, ...]:
    ordered: list[BurnPart] = []
    for layer in sorted({part.layer for part in parts}):
        # Starting from the slot's name makes the tour independent of the order of the fills.
        mine = sorted((p for p in parts if p.layer == layer and p.pieces), key=lambda part: part.slot)
        ordered += [mine[i] for i in tour(np.array([_middle(p) for p in mine]).reshape(-1, 2))]
    return tuple(ordered)


def _middle(part: BurnPart) -> Floats:
    points = [shapely.get_coordinates([*part.areas]), part.rows.reshape(-1, 2), *part.lines]
    every = np.concatenate(points)
    return np.asarray((every.min(axis=0) + every.max(axis=0)) / 2)


def _steps(coordinates: Any) -> Any:
    given = np.asarray(coordinates, dtype=np.float64)
    if not np.isfinite(given).all():
        raise ValueError("not a finite coordinate")
    return np.rint(given * FROZEN_STEPS_PER_MM).astype(int).tolist()
