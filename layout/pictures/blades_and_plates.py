"""Pictures of blades and plates for people, in millimetres: never for burning.

Metal in pale grey, the handle in wood, zones in petrol with their letter at the start of
the baseline, keep-outs in rust, each reason with its own hatch and a number that the legend explains, so that
nothing is told by colour alone.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, Polygon, box

from layout.pictures.sheet import (
    FAINT,
    INK,
    METAL,
    PALLET,
    PAPER,
    PETROL,
    POCKET,
    RUST,
    WOOD,
    Sheet,
    middle_of,
    new_sheet,
)
from layout.shop.blades import Blade, Face, KeepOut, KeepOutReason, Zone
from layout.shop.measure import format_mm
from layout.shop.plates import Plate, Pose, Seat, Slot

__all__ = [
    "FAINT",
    "INK",
    "METAL",
    "PAPER",
    "PETROL",
    "RUST",
    "WOOD",
    "Sheet",
    "add_face",
    "draw_face",
    "draw_plate",
    "new_sheet",
    "posed",
]

#: Line of the hatch of each reason: angle in degrees, distance in mm, crossed.
HATCHES: Mapping[KeepOutReason, tuple[float, float, bool]] = {
    "hole": (0, 1.2, True),
    "pivot": (45, 1.2, True),
    "existing_mark": (0, 1.2, False),
    "ground_bevel": (60, 1.6, False),
    "hollow": (90, 1.6, False),
    "edge": (135, 1.6, False),
    "other": (30, 1.2, True),
}
REASON_WORDS: Mapping[KeepOutReason, str] = {
    "hole": "hole",
    "pivot": "pivot",
    "existing_mark": "existing mark",
    "ground_bevel": "ground bevel",
    "hollow": "hollow",
    "edge": "edge",
    "other": "other",
}


def draw_face(blade: Blade, face: Face) -> str:
    """One face as the laser sees it, with keep-outs, zones, baselines and a legend, as SVG text."""
    body = face.body or face.silhouette
    x0, y0, x1, y1 = shapely.union_all([body, face.silhouette]).bounds
    letter = max(2.4, (x1 - x0) / 90)
    legend = _face_legend(face)
    below = letter * (1.7 * len(legend) + 7)
    sheet = new_sheet(
        (x0 - 4 * letter, y0 - below, max(x1, x0 + 56 * letter) + 4 * letter, y1 + 8 * letter),
        letter,
        title=f"{blade.name}, {_spoken(face.face)}",
    )
    left = x0
    sheet.text(
        f"{blade.name}, {_spoken(face.face)}",
        left,
        y1 + 5.2 * letter,
        font_size=format_mm(1.5 * letter),
        font_weight="bold",
    )
    sheet.text(_face_note(blade, face), left, y1 + 3.4 * letter, fill=FAINT)
    add_face(sheet, face)
    _arrow_to_handle(sheet, face, body)
    y = y0 - 3.2 * letter
    sheet.scale_bar(sheet.box[2] - 3 * letter, y)
    for badge, colour, words in legend:
        sheet.badge(badge, left + letter, y + 0.35 * letter, colour)
        sheet.text(words, left + 2.8 * letter, y)
        y -= 1.7 * letter
    sheet.text("As the laser sees it. A picture, not for burning.", left, y - 0.6 * letter, fill=FAINT)
    return sheet.svg()


def add_face(sheet: Sheet, face: Face) -> None:
    """The face itself in its own frame: handle, metal, hatched keep-outs, zones with their baselines."""
    hair = sheet.letter_mm / 12
    face_fill, unit_fill = _materials(face)
    if face.body is not None:
        sheet.area(face.body.difference(face.silhouette), fill=unit_fill, stroke=INK, stroke_width=hair)
    sheet.area(face.silhouette, fill=face_fill, stroke=INK, stroke_width=2 * hair)
    for keep_out in face.keep_outs:
        _hatch(sheet, keep_out, face.silhouette)
    for zone in face.zones:
        usable = zone.polygon.intersection(face.silhouette)
        sheet.area(
            usable,
            fill=PETROL,
            fill_opacity=0.07,
            stroke=PETROL,
            stroke_width=1.6 * hair,
            stroke_dasharray=f"{format_mm(9 * hair)} {format_mm(5 * hair)}",
        )
        sheet.line(zone.baseline.points, stroke=PETROL, stroke_width=1.2 * hair)
    for number, group in enumerate(_grouped(face.keep_outs), start=1):
        for keep_out in group:
            shown = keep_out.polygon.intersection(face.silhouette)
            if shown.area > 0:
                sheet.badge(str(number), *_beside_or_in(shown, sheet.letter_mm), RUST)
    for index, zone in enumerate(face.zones):
        sheet.badge(chr(65 + index), *zone.baseline.points[0], PETROL)


def draw_plate(
    plate: Plate,
    blades: Mapping[str, Blade],
    *,
    words: Mapping[str, Sequence[str]] | None = None,
    seated: Mapping[str, tuple[str, str]] | None = None,
    title: str | None = None,
) -> str:
    """A plate from above with its slots, fiducials and units, as SVG text.

    `seated` says by slot which blade lies in it with which face up; without it every slot shows all units
    that it takes, the first one filled and the others in outline. `words` are lines to write in a slot
    beside its number. Raises KeyError for a slot, blade or seat that isn't there.
    """
    width, height = plate.size_mm
    letter = max(2.6, width / 110)
    kinds = _seat_kinds(plate) if seated is None else ()
    bodies = [b for slot in plate.slots for _, b in _units(slot, blades, (seated or {}).get(slot.slot))]
    x0, y0, x1, y1 = shapely.union_all([box(0, 0, width, height), *bodies]).bounds
    below = letter * (1.7 * len(kinds) + 6.5)
    sheet = new_sheet(
        (x0 - 4 * letter, y0 - below, x1 + 4 * letter, y1 + 8 * letter), letter, title=title or plate.name
    )
    copies = (
        f"{len(plate.copies)} {'copy' if len(plate.copies) == 1 else 'copies'}: {', '.join(plate.copies)}"
    )
    sheet.text(
        title or plate.name, x0, y1 + 5.2 * letter, font_size=format_mm(1.5 * letter), font_weight="bold"
    )
    size = f"{format_mm(width)} x {format_mm(height)} mm"
    note = f"plate {plate.plate}, {size}, {len(plate.slots)} slots, {copies}"
    sheet.text(note, x0, y1 + 3.4 * letter, fill=FAINT)
    sheet.area(box(0, 0, width, height).buffer(letter / 2), fill=PALLET, stroke=INK, stroke_width=letter / 8)
    for slot in plate.slots:
        sheet.area(slot.outline, fill=POCKET, stroke=FAINT, stroke_width=letter / 16)
    for name in seated or {}:
        plate.slot(name)
    for slot in plate.slots:
        _draw_slot(
            sheet,
            slot,
            blades,
            None if seated is None else seated.get(slot.slot, ()),
            (words or {}).get(slot.slot, ()),
        )
    for x, y in plate.fiducials:
        _fiducial(sheet, x, y)
    y = y0 - 3.2 * letter
    sheet.scale_bar(x1, y)
    for seat in kinds:
        sheet.text(_seat_words(seat), x0, y)
        y -= 1.7 * letter
    sheet.text("Seen from above. A picture, not for burning.", x0, y - 0.6 * letter, fill=FAINT)
    return sheet.svg()


# --- pieces of a face ---


def _face_note(blade: Blade, face: Face) -> str:
    x0, y0, x1, y1 = face.silhouette.bounds
    bare = ", bare blade" if blade.bare else ""
    return f"blade {blade.blade}{bare}, {format_mm(round(x1 - x0, 1))} x {format_mm(round(y1 - y0, 1))} mm"


def _face_legend(face: Face) -> list[tuple[str, str, str]]:
    rows = [(chr(65 + i), PETROL, _zone_words(zone)) for i, zone in enumerate(face.zones)]
    for number, group in enumerate(_grouped(face.keep_outs), start=1):
        name = _stem(group[0].keep_out)
        times = f", {len(group)} of them" if len(group) > 1 else ""
        reason = REASON_WORDS[group[0].reason]
        rows.append(
            (str(number), RUST, f"keep-out: {name}{times}" + (f" ({reason})" if reason != name else ""))
        )
    return rows


def _zone_words(zone: Zone) -> str:
    kinds = ", ".join(kind for kind in ("text", "monogram", "artwork", "code") if kind in zone.kinds)
    lines = "1 line" if zone.max_lines == 1 else f"up to {zone.max_lines} lines"
    surface = f", on {zone.surface.material} {zone.surface.finish}" if zone.surface else ""
    curved = "" if zone.baseline.is_straight else ", curved baseline"
    heights = f"{format_mm(zone.min_height_mm)} to {format_mm(zone.max_height_mm)} mm"
    return f"zone {zone.zone}: {kinds}; {lines}; capitals {heights}{curved}{surface}"


def _grouped(keep_outs: Sequence[KeepOut]) -> list[list[KeepOut]]:
    """Keep-outs of a row (same reason, names that differ in their last number) together."""
    groups: dict[tuple[str, str], list[KeepOut]] = {}
    for keep_out in keep_outs:
        groups.setdefault((keep_out.reason, _stem(keep_out.keep_out)), []).append(keep_out)
    return list(groups.values())


def _stem(name: str) -> str:
    return re.sub(r" \d+$", "", name)


def _materials(face: Face) -> tuple[str, str]:
    """Fill colours of the face itself and of the rest of the unit."""
    return (WOOD, METAL) if face.face == "handle" else (METAL, WOOD)


def _beside_or_in(geometry: Any, letter_mm: float) -> tuple[float, float]:
    """Where the number of a keep-out goes: in it, or above it where it would hide a small one."""
    x, y = middle_of(geometry)
    x0, y0, x1, y1 = geometry.bounds
    if max(x1 - x0, y1 - y0) < 2.4 * letter_mm:
        return x, y1 + 1.1 * letter_mm
    return x, y


def _hatch(sheet: Sheet, keep_out: KeepOut, silhouette: Polygon) -> None:
    shown = keep_out.polygon.intersection(silhouette)
    if shown.area == 0:
        return
    hair = sheet.letter_mm / 14
    sheet.area(shown, fill=PAPER if keep_out.reason == "hole" else "none", stroke=RUST, stroke_width=hair)
    angle, distance, crossed = HATCHES[keep_out.reason]
    for turn in (angle, angle + 90) if crossed else (angle,):
        for line in _hatch_lines(shown, turn, distance):
            sheet.line(line.coords, stroke=RUST, stroke_width=0.7 * hair, stroke_opacity=0.75)


def _hatch_lines(area: Any, angle_deg: float, distance_mm: float) -> Iterable[LineString]:
    level = affinity.rotate(area, -angle_deg, origin=(0, 0))
    x0, y0, x1, y1 = level.bounds
    rows = np.arange(math.ceil(y0 / distance_mm) * distance_mm, y1, distance_mm)
    if not len(rows):  # an area smaller than the distance may lie between two lines
        rows = np.array([(y0 + y1) / 2])
    lines = shapely.multilinestrings([[(x0 - 1, y), (x1 + 1, y)] for y in rows])
    cut = affinity.rotate(level.intersection(lines), angle_deg, origin=(0, 0))
    return [part for part in shapely.get_parts(cut) if part.geom_type == "LineString"]


def _arrow_to_handle(sheet: Sheet, face: Face, body: Polygon) -> None:
    """Above the face, where the title is not: which way the handle points."""
    letter = sheet.letter_mm
    along = np.array([math.cos(math.radians(face.handle_deg)), math.sin(math.radians(face.handle_deg))])
    _, _, x1, y1 = body.bounds
    middle = np.array([max(x1, sheet.box[2] - 12 * letter) - 6 * letter, y1 + 5.2 * letter])
    sheet.arrow(middle - along * 2.5 * letter, middle + along * 2.5 * letter)
    if abs(along[0]) < abs(along[1]):  # beside an arrow that stands
        sheet.text("handle", float(middle[0]) - letter, float(middle[1]) - 0.4 * letter, text_anchor="end")
    else:
        sheet.text("handle", float(middle[0]), float(middle[1]) - 1.8 * letter, text_anchor="middle")


# --- pieces of a plate ---


def _draw_slot(
    sheet: Sheet,
    slot: Slot,
    blades: Mapping[str, Blade],
    seated: tuple[str, ...] | None,
    words: Sequence[str],
) -> None:
    letter = sheet.letter_mm
    chosen = None if seated is None else (seated[0], seated[1]) if seated else None
    units = [] if seated == () else _units(slot, blades, chosen)
    for index, (seat, body) in enumerate(reversed(units)):
        last = index == len(units) - 1
        face = blades[seat.blade].face(seat.face)
        if last:
            face_fill, unit_fill = _materials(face)
            sheet.area(body, fill=unit_fill, stroke=INK, stroke_width=letter / 20)
            sheet.area(
                posed(face.silhouette, seat.pose), fill=face_fill, stroke=INK, stroke_width=letter / 14
            )
            for zone in face.zones:
                shown = posed(zone.polygon.intersection(face.silhouette), seat.pose)
                sheet.area(shown, fill=PETROL, fill_opacity=0.10, stroke=PETROL, stroke_width=letter / 24)
            _small_handle_arrow(sheet, face, seat, body)
        else:
            sheet.area(
                body,
                fill="none",
                stroke=FAINT,
                stroke_width=letter / 14,
                stroke_dasharray=f"{format_mm(letter / 2)} {format_mm(letter / 3)}",
            )
    x0, y0, x1, y1 = slot.outline.bounds
    _slot_number(sheet, slot, [body for _, body in units])
    for index, line in enumerate(words):
        y = (y0 + y1) / 2 + letter * (0.75 * (len(words) - 1) - 1.5 * index - 0.4)
        sheet.text(
            line,
            (x0 + x1) / 2,
            y,
            text_anchor="middle",
            stroke=PAPER,
            stroke_width=letter / 4,
            paint_order="stroke",
            stroke_linejoin="round",
            font_size=format_mm(1.2 * letter),
        )


def _slot_number(sheet: Sheet, slot: Slot, bodies: Sequence[Polygon]) -> None:
    """The slot's number, in the corner where its units leave most room."""
    letter = sheet.letter_mm
    x0, y0, x1, y1 = slot.outline.bounds
    width = 0.75 * letter * len(slot.slot)
    taken = shapely.union_all(list(bodies))

    def room(corner: tuple[float, float]) -> float:
        label = box(corner[0], corner[1], corner[0] + width, corner[1] + 0.8 * letter)
        if taken.is_empty or label.distance(taken) > letter / 2:
            return 1.0
        return -float(label.intersection(taken).area)

    corners = [
        (x, y)
        for x in (x0 + 0.4 * letter, x1 - 0.4 * letter - width)
        for y in (y1 - 1.15 * letter, y0 + 0.4 * letter)
    ]
    x, y = max(corners, key=room)
    sheet.text(slot.slot, x, y, font_weight="bold")


def _units(
    slot: Slot, blades: Mapping[str, Blade], chosen: tuple[str, str] | None
) -> list[tuple[Seat, Polygon]]:
    seats: Iterable[Seat] = slot.seats
    if chosen is not None:
        seat = slot.seat(*chosen)
        if seat is None:
            raise KeyError(f"slot {slot.slot} does not take {chosen[0]}, {chosen[1]} up")
        seats = (seat,)
    units = []
    for seat in seats:
        face = blades[seat.blade].face(seat.face)
        units.append((seat, posed(face.body or face.silhouette, seat.pose)))
    return units


def posed(polygon: Any, pose: Pose) -> Any:
    """A shape of a face's frame where the pose puts it, in the plate's frame."""
    return affinity.translate(
        affinity.rotate(polygon, pose.turn_deg, origin=(0, 0)), xoff=pose.x_mm, yoff=pose.y_mm
    )


def _small_handle_arrow(sheet: Sheet, face: Face, seat: Seat, body: Polygon) -> None:
    beyond_silhouette = (face.body or face.silhouette).difference(face.silhouette)
    handle = posed(face.silhouette if face.face == "handle" else beyond_silhouette, seat.pose)
    towards = math.radians(face.handle_deg + seat.pose.turn_deg)
    along = np.array([math.cos(towards), math.sin(towards)])
    middle = np.array(middle_of(body if handle.is_empty else handle))
    if handle.is_empty:
        # A bare blade: the arrow lies on its tang.
        reach = max(float((np.array(p) - middle) @ along) for p in body.exterior.coords)
        middle = middle + along * (reach - 2.5 * sheet.letter_mm)
    sheet.arrow(middle - along * 1.8 * sheet.letter_mm, middle + along * 1.8 * sheet.letter_mm)


def _seat_kinds(plate: Plate) -> tuple[Seat, ...]:
    kinds: dict[tuple[str, str], Seat] = {}
    for slot in plate.slots:
        for seat in slot.seats:
            kinds.setdefault((seat.blade, seat.face), seat)
    return tuple(kinds.values())


def _seat_words(seat: Seat) -> str:
    pose, play = seat.pose, seat.play
    tilt = (
        f", tilt {format_mm(pose.tilt_deg)}° towards {format_mm(pose.tilt_towards_deg % 360)}°"
        if pose.tilt_deg
        else ""
    )
    return (
        f"takes {seat.blade}, {_spoken(seat.face)} up: surface {format_mm(pose.height_mm)} mm high{tilt}; "
        f"play {format_mm(play.shift_mm)} mm and {format_mm(play.tilt_deg)}°"
    )


def _fiducial(sheet: Sheet, x: float, y: float) -> None:
    arm = 0.8 * sheet.letter_mm
    for dx, dy in ((arm, 0.0), (0.0, arm)):
        sheet.line([(x - dx, y - dy), (x + dx, y + dy)], stroke=INK, stroke_width=sheet.letter_mm / 8)
    ring = shapely.Point(x, y).buffer(0.6 * arm).exterior.coords
    sheet.line(ring, stroke=INK, stroke_width=sheet.letter_mm / 8)


def _spoken(face: str) -> str:
    return face.replace("_", " ")
