"""Marks pressed to their region's boundary stay in their zone, however the unit is seated."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from shapely.geometry import Point, Polygon, box

from layout.fit.region import region_of
from layout.seating.play import stray_mm, worst_stray_mm
from layout.shop.blades import Face, KeepOut, Zone
from layout.shop.measure import CONTAINMENT_MM, Floats
from layout.shop.plates import Play
from service.shop.catalogue.loader import default_folder, load
from tests.regions import a_zone

SEATINGS = 10_000
SEED = 20260914
PLAY = Play(0.12, 0.3, (-20.0, 4.0))


def a_face(zone: Zone, silhouette: Polygon, *keep_outs: Polygon) -> Face:
    named = tuple(KeepOut(f"hollow {n}", "hollow", polygon) for n, polygon in enumerate(keep_outs, start=1))
    return Face("mark_side", silhouette, (zone,), named, handle_deg=180.0)


def built_faces() -> dict[str, Face]:
    """Simple blades: straight, with a hole, with a curved edge, with a row of hollows, leaf-shaped."""
    straight = box(0, 0, 90, 22)
    curve = np.column_stack([np.linspace(90, 0, 60), 6 * np.sin(np.linspace(0, np.pi / 2, 60)) - 4])
    leaf = Point(0, 0).buffer(20, quad_segs=24)
    leaf = shapely.transform(leaf, lambda points: points * [2.2, 0.7] + [45, 10])
    zone = box(6, 4, 84, 18)
    return {
        "straight": a_face(a_zone(zone), straight),
        "hole": a_face(a_zone(zone), straight, Point(70, 11).buffer(2.5)),
        "curved edge": a_face(a_zone(zone), Polygon([(0, 22), (90, 22), *curve.tolist()]).buffer(0)),
        "hollows": a_face(
            a_zone(zone), straight, *(box(x, 4, x + 4, 8).buffer(0.5) for x in range(12, 80, 12))
        ),
        "leaf": a_face(a_zone(leaf), leaf.buffer(3)),
    }


def seatings(play: Play) -> tuple[Floats, Floats]:
    """Shifts (n, 2) in mm and turns (n,) in radians: two thirds by chance, one third both extreme."""
    rng = np.random.default_rng(SEED)
    extreme = np.arange(SEATINGS) % 3 == 0
    reach = np.where(extreme, 1.0, np.sqrt(rng.random(SEATINGS))) * play.shift_mm
    towards = rng.uniform(0, 2 * np.pi, SEATINGS)
    turn = np.where(extreme, rng.choice([-1.0, 1.0], SEATINGS), rng.uniform(-1, 1, SEATINGS))
    shifts = np.column_stack([np.cos(towards), np.sin(towards)]) * reach[:, None]
    return shifts, turn * math.radians(play.tilt_deg)


def farthest_out_mm(region: Any, free: Any, play: Play) -> float:
    """Seat the unit SEATINGS times: how far (mm) the region's boundary comes out of the free area.

    Followed are its outermost corners and up to 120 of its points, evenly spread.
    """
    boundary = shapely.get_coordinates(shapely.segmentize(region.boundary, 1.5))
    spread = boundary[np.linspace(0, len(boundary) - 1, min(len(boundary), 120)).astype(int)]
    points = np.concatenate([spread, shapely.get_coordinates(region.convex_hull.simplify(0.05))])
    shifts, turns = seatings(play)
    arm = points - np.array(play.about)
    cos, sin = np.cos(turns)[:, None], np.sin(turns)[:, None]
    x = play.about[0] + arm[:, 0] * cos - arm[:, 1] * sin + shifts[:, :1]
    y = play.about[1] + arm[:, 0] * sin + arm[:, 1] * cos + shifts[:, 1:]
    shapely.prepare(free)
    out = ~shapely.contains_xy(free, x.ravel(), y.ravel())
    return float(shapely.distance(free, shapely.points(x.ravel()[out], y.ravel()[out])).max(initial=0.0))


def free_area(face: Face, zone: Zone) -> Any:
    kept_out = shapely.union_all([k.polygon for k in face.keep_outs])
    return zone.polygon.intersection(face.silhouette).difference(kept_out)


def region_for(face: Face, zone: Zone, play: Play, *, share: float) -> Any:
    """The region with that share of its play and neither margin nor line, which would hide a lack of play."""
    bare = replace(zone, edge_margin_mm=-(1 - share) * worst_stray_mm([play], zone.polygon))
    return region_of(face, bare, line_width_mm=0.0, plays=[play]).polygon


@pytest.mark.parametrize("name", sorted(built_faces()))
def test_ten_thousand_seatings_of_a_built_blade_keep_the_mark_in_its_zone(name: str) -> None:
    face = built_faces()[name]
    zone = face.zones[0]

    whole = farthest_out_mm(region_for(face, zone, PLAY, share=1.0), free_area(face, zone), PLAY)
    cut = farthest_out_mm(region_for(face, zone, PLAY, share=0.8), free_area(face, zone), PLAY)

    assert whole <= CONTAINMENT_MM
    assert cut > CONTAINMENT_MM


def test_ten_thousand_seatings_of_every_blade_of_the_shop_keep_marks_in_their_zones() -> None:
    shop = load(default_folder())
    escaped: set[str] = set()
    done = set()
    for plate in shop.plates.values():
        for slot in plate.slots:
            for seat in slot.seats:
                face = shop.blades[seat.blade].face(seat.face)
                for zone in face.zones:
                    if (seat.blade, seat.face, zone.zone, seat.play) in done:
                        continue
                    done.add((seat.blade, seat.face, zone.zone, seat.play))
                    free = free_area(face, zone)
                    whole = region_for(face, zone, seat.play, share=1.0)
                    assert farthest_out_mm(whole, free, seat.play) <= CONTAINMENT_MM, (seat.blade, zone.zone)
                    if seat.blade not in escaped:  # one zone of each blade shows that less play is seen
                        cut = region_for(face, zone, seat.play, share=0.8)
                        if farthest_out_mm(cut, free, seat.play) > CONTAINMENT_MM:
                            escaped.add(seat.blade)

    assert escaped == shop.blades.keys()


def test_the_stray_is_the_shift_and_the_chord_of_the_tilt_at_the_longest_arm() -> None:
    play = Play(0.1, 60.0, (0.0, 0.0))

    # A chord of 60 degrees is as long as its radius: here the diagonal of 3 by 4.
    assert stray_mm(play, box(0, 0, 3, 4)) == pytest.approx(0.1 + 5.0)


def test_the_worst_of_several_seats_counts_and_no_seat_costs_nothing() -> None:
    zone = box(0, 0, 10, 5)
    plays = [Play(0.1, 0.0), Play(0.4, 0.0), Play(0.2, 0.0)]

    assert worst_stray_mm(plays, zone) == pytest.approx(0.4)
    assert worst_stray_mm([], zone) == 0.0


def test_the_margin_is_edge_margin_half_the_line_and_the_worst_play() -> None:
    zone = a_zone(box(0, 0, 40, 10), edge_margin_mm=0.3)
    face = a_face(zone, box(-5, -5, 45, 15))

    region = region_of(face, zone, line_width_mm=0.08, plays=[Play(0.16, 0.0)])

    assert region.margin_mm == pytest.approx(0.3 + 0.04 + 0.16)
    assert region.play_mm == pytest.approx(0.16)
    assert region.polygon.bounds == pytest.approx((0.5, 0.5, 39.5, 9.5))


def test_arcs_round_keep_outs_stay_within_the_tolerance_for_any_margin() -> None:
    zone = a_zone(box(0, 0, 40, 40))
    corner = box(15, 15, 25, 25)
    face = a_face(zone, box(-5, -5, 45, 45), corner)
    for margin in (0.0001, 0.05, 0.4, 3.0):
        known = region_of(face, replace(zone, edge_margin_mm=margin), line_width_mm=0.0, plays=[])

        apart = corner.distance(known.polygon)
        assert margin - CONTAINMENT_MM / 2 - 1e-9 <= apart <= margin + 1e-9


def test_a_region_too_small_for_its_margin_is_empty() -> None:
    zone = a_zone(box(0, 0, 40, 1.0), edge_margin_mm=0.5)

    region = region_of(a_face(zone, box(0, 0, 40, 1)), zone, line_width_mm=0.1, plays=[PLAY])

    assert region.polygon.is_empty


def test_a_region_names_what_bounds_it() -> None:
    zone = a_zone(box(0, 0, 40, 12), edge_margin_mm=0.2)
    face = a_face(zone, box(-5, 2, 45, 20), Point(20, 8).buffer(1.5))

    region = region_of(face, zone, line_width_mm=0.1, plays=[])

    assert (region.source_at(20, 11.9).kind, region.source_at(20, 11.9).name) == ("zone", "z")
    assert (region.source_at(8, 2.1).kind, region.source_at(8, 2.1).name) == ("silhouette", "mark_side")
    assert (region.source_at(20, 6.3).kind, region.source_at(20, 6.3).name) == ("keep_out", "hollow 1")
