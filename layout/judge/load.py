"""The judge: whether a load may be burned at all. It trusts nobody who proposed it.

It has its own seating, its own containment and its own way to the station's frame, and imports neither
the fit, the region, the planner nor the burn. A unit in its seat may be shifted in any direction by the
play and turned either way about the locating point. Nothing is sampled blindly: the distance from the
turned ink to what it must not touch changes by no more than its points move, so a range of turns whose
two ends leave room enough is cleared as a whole, and any other is halved until it is settled.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import shapely

from layout.judge.clearance import clearance_mm, field_overhang_mm, free_area
from layout.judge.focus import Surface, out_of_focus, surface_under
from layout.judge.refusals import refuse
from layout.judge.refusals import who as who_of
from layout.shop.blades import Face
from layout.shop.findings import Finding
from layout.shop.loads import LoadLayout, Mark, Place, SlotFill, Turn
from layout.shop.plates import Seat
from layout.shop.shop import Shop
from layout.shop.stations import Process

#: A mark is inside its zone when what its clearance lacks is no more than this: one micrometre, room for
#: frozen coordinates and for arcs drawn as chords, and nothing that a laser could show.
CONTAINMENT_TOLERANCE_MM = 0.001

#: The same for the field and for heights.
FIELD_TOLERANCE_MM = 0.001
HEIGHT_TOLERANCE_MM = 1e-6


def verify(
    shop: Shop, load: LoadLayout, *, burned: frozenset[tuple[str, str]] = frozenset()
) -> tuple[Finding, ...]:
    """Everything against burning the load; empty when it may be burned.

    `burned` holds (job, face) pairs that are already on the metal. Every finding refuses, and its message
    names the slot and the job or lot. A lot is bare blades, counted and not numbered: one lot may sit in
    many slots, and acceptance froze no places for it, so its `eligible` may be empty. Never raises for
    names the shop doesn't know: those are findings.
    """
    mounted = tuple(_mounting(shop, load))
    if mounted:
        return mounted
    findings = [*_repeats(load, burned)]
    for turn in load.turns:
        findings += _turn(shop, load, turn)
    return tuple(findings)


def _mounting(shop: Shop, load: LoadLayout) -> Iterator[Finding]:
    """Station, plate, copy and calibration belong together."""
    station, plate = shop.stations.get(load.station), shop.plates.get(load.plate)
    if station is None:
        yield refuse("unknown_station", f"no station named {load.station}")
    if plate is None:
        yield refuse("unknown_plate", f"no plate named {load.plate}")
    if station is None or plate is None:
        return
    if load.plate not in station.plates:
        yield refuse("plate_not_mountable", f"{load.station} can't mount plate {load.plate}")
    if load.copy not in plate.copies:
        yield refuse("unknown_copy", f"plate {load.plate} has no copy {load.copy}")
    if (load.calibration.station, load.calibration.copy) != (load.station, load.copy):
        calibrated = f"{load.calibration.copy} on {load.calibration.station}"
        yield refuse(
            "wrong_calibration", f"the calibration is of {calibrated}, not of {load.copy} on {load.station}"
        )


def _repeats(load: LoadLayout, burned: frozenset[tuple[str, str]]) -> Iterator[Finding]:
    """Nothing twice: turns, slots in a turn, a job's face in a load, and nothing that is on the metal."""
    for number, count in Counter(turn.turn for turn in load.turns).items():
        if count > 1:
            yield refuse("turn_twice", f"turn {number} is there {count} times")
    faces = Counter((f.job, f.face) for turn in load.turns for f in turn.fills if f.job is not None)
    skus: dict[str, str] = {}
    for turn in load.turns:
        slots = Counter(fill.slot for fill in turn.fills)
        jobs = Counter(fill.job for fill in turn.fills if fill.job is not None)
        for fill in turn.fills:
            who = who_of(turn, fill)
            if slots[fill.slot] > 1:
                yield refuse("slot_twice", f"{who}: {slots[fill.slot]} units in one slot")
            if fill.job is None:
                continue
            if jobs[fill.job] > 1:
                yield refuse("job_twice", f"{who}: the job is in {jobs[fill.job]} slots of one turn")
            if faces[fill.job, fill.face] > 1:
                yield refuse("face_twice", f"{who}: {fill.face} would be burned more than once")
            if (fill.job, fill.face) in burned:
                yield refuse("already_burned", f"{who}: {fill.face} is already engraved")
            if skus.setdefault(fill.job, fill.sku) != fill.sku:
                yield refuse("wrong_product", f"{who}: {fill.sku} here, {skus[fill.job]} in another turn")


def _turn(shop: Shop, load: LoadLayout, turn: Turn) -> Iterator[Finding]:
    surfaces: list[tuple[str, Surface]] = []
    for fill in turn.fills:
        who = who_of(turn, fill)
        unit = tuple(_unit(shop, load, fill, who))
        yield from unit
        if unit:
            continue
        seat, face = _seated(shop, load, fill)
        for mark in fill.marks:
            process = shop.process_for(load.station, mark.surface)
            if process is None:
                surface = f"{mark.surface.material}, {mark.surface.finish}"
                yield refuse(
                    "no_process", f"{who}: {load.station} has no process with a test card for {surface}"
                )
                continue
            yield from _mark(shop, load, (seat, face, process), mark, f"{who}, zone {mark.zone}")
            if not mark.outline.is_empty:
                lies = surface_under(mark.outline, seat.pose, tolerance_mm=process.focus_tolerance_mm)
                surfaces.append((f"{who}, zone {mark.zone}", lies))
        yield from _overlaps(fill.marks, who)
    yield from _focus(surfaces)


def _unit(shop: Shop, load: LoadLayout, fill: SlotFill, who: str) -> Iterator[Finding]:
    """The right blade, the right face up, in a slot that takes it and that acceptance allowed."""
    if (fill.job is None) == (fill.lot is None):
        yield refuse("job_or_lot", f"{who}: a slot holds either a job or a lot")
    product, blade = shop.products.get(fill.sku), shop.blades.get(fill.blade)
    slot = next((s for s in shop.plates[load.plate].slots if s.slot == fill.slot), None)
    if product is None or product.blade != fill.blade or blade is None:
        yield refuse("wrong_blade", f"{who}: {fill.sku} is not a {fill.blade}")
    elif all(face.face != fill.face for face in blade.faces):
        yield refuse("wrong_face", f"{who}: {fill.blade} has no {fill.face}")
    if blade is not None and fill.lot is not None and not blade.bare:
        yield refuse("lot_not_bare", f"{who}: {fill.blade} is no bare blade, so it can't be in a lot")
    if slot is None:
        yield refuse("unknown_slot", f"{who}: plate {load.plate} has no such slot")
    elif slot.seat(fill.blade, fill.face) is None:
        yield refuse("wrong_slot", f"{who}: the slot does not take {fill.blade} with {fill.face} up")
    place = Place(load.station, load.plate, fill.slot, fill.face)
    if place not in fill.eligible and (fill.job is not None or fill.eligible):
        yield refuse("not_eligible", f"{who}: acceptance did not allow this place")
    if not fill.marks:
        yield refuse("no_marks", f"{who}: nothing to burn")


def _seated(shop: Shop, load: LoadLayout, fill: SlotFill) -> tuple[Seat, Face]:
    seat = shop.plates[load.plate].slot(fill.slot).seat(fill.blade, fill.face)
    if seat is None:  # `_unit` has found that already; this is for whoever calls in another order
        raise KeyError(f"slot {fill.slot} does not take {fill.blade}")
    return seat, shop.blades[fill.blade].face(fill.face)


def _mark(
    shop: Shop, load: LoadLayout, unit: tuple[Seat, Face, Process], mark: Mark, who: str
) -> Iterator[Finding]:
    seat, face, process = unit
    zone = next((z for z in face.zones if z.zone == mark.zone), None)
    if mark.face != face.face or zone is None:
        yield refuse("wrong_face", f"{who}: the mark belongs on {mark.face}, and {face.face} is up")
        return
    if mark.outline.is_empty:
        yield refuse("empty_mark", f"{who}: the mark is empty")
        return
    need = seat.play.shift_mm + process.line_width_mm / 2
    have = clearance_mm(
        mark.outline, free_area(face, zone), seat.play, enough_mm=need - CONTAINMENT_TOLERANCE_MM
    )
    if have < need - CONTAINMENT_TOLERANCE_MM:
        message = f"{who}: {have:.3f} mm clear at the worst seating, {need:.3f} mm needed"
        yield refuse("outside_zone", message, have, need)
    over = field_overhang_mm(
        mark.outline,
        seat.pose,
        load.calibration,
        shop.stations[load.station],
        line_width_mm=process.line_width_mm,
    )
    if over > FIELD_TOLERANCE_MM:
        yield refuse("outside_field", f"{who}: {over:.3f} mm outside the field of {load.station}", over, 0.0)
    allowance = process.edge_allowance_mm
    lost = 0
    if allowance > 0 and not process.burns_centre_lines:
        lost = sum(area.buffer(-allowance).is_empty for area in mark.outline.areas)
    if lost:
        message = f"{who}: {lost} areas are narrower than twice the edge allowance and would not burn"
        yield refuse("burns_nothing", message, limit=2 * allowance)


def _overlaps(marks: tuple[Mark, ...], who: str) -> Iterator[Finding]:
    inks = [shapely.STRtree([*mark.outline.areas, *mark.outline.strokes]) for mark in marks]
    for first in range(len(marks)):
        for second in range(first + 1, len(marks)):
            if marks[first].face == marks[second].face and _touch(inks[first], inks[second]):
                zones = f"{marks[first].zone} and {marks[second].zone}"
                yield refuse("marks_overlap", f"{who}: the marks in {zones} would burn the same metal twice")


def _touch(tree: shapely.STRtree, other: shapely.STRtree) -> bool:
    return bool(tree.query(other.geometries, predicate="intersects").size)


def _focus(surfaces: list[tuple[str, Surface]]) -> Iterator[Finding]:
    """One head height for the turn, and every mark within its process's tolerance of it."""
    for who, off, allowed in out_of_focus(surfaces):
        if off > allowed + HEIGHT_TOLERANCE_MM:
            message = f"{who}: {off:.3f} mm out of focus, {allowed:.3f} mm allowed"
            yield refuse("out_of_focus", message, off, allowed)
