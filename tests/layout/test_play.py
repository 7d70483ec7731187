"""Play: wherever a unit sits within its play, a mark that fills its region stays in its zone."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from shapely.geometry import Point, box

from layout.measure import Floats
from layout.parts import Face, Play, Seat, Zone
from layout.play import stray_mm, worst_stray_mm
from layout.region import region_of
from service import catalogue

SHOP = catalogue.load(catalogue.default_folder())
SEATINGS = 10_000


def _zones() -> list[tuple[str, Face, Zone, tuple[Play, ...]]]:
    found = []
    for blade in SHOP.blades.values():
        for face in blade.faces:
            plays = {s.play for p in SHOP.plates.values() for slot in p.slots for s in slot.seats
                     if (s.blade, s.face) == (blade.blade, face.face)}  # fmt: skip
            found += [
                (blade.blade, face, zone, tuple(sorted(plays, key=repr))) for zone in face.zones if plays
            ]
    return found


def _displaced(points: Floats, play: Play, rng: np.random.Generator, share: float = 1.0) -> Floats:
    """Points (m, 2) under SEATINGS seatings, extremes included: (seatings, m, 2)."""
    tilt = rng.uniform(-1, 1, SEATINGS)
    tilt[: SEATINGS // 2] = np.sign(tilt[: SEATINGS // 2])
    reach = rng.uniform(0, 1, SEATINGS)
    reach[: SEATINGS // 2] = 1.0
    towards = rng.uniform(0, 2 * math.pi, SEATINGS)
    angle = np.radians(play.tilt_deg * tilt * share)
    shift = play.shift_mm * reach * share
    local = points - np.array(play.about)
    cos, sin = np.cos(angle)[:, None], np.sin(angle)[:, None]
    x = local[:, 0] * cos - local[:, 1] * sin + play.about[0] + (shift * np.cos(towards))[:, None]
    y = local[:, 0] * sin + local[:, 1] * cos + play.about[1] + (shift * np.sin(towards))[:, None]
    return np.stack([x, y], axis=-1)


def _allowed(face: Face, zone: Zone) -> object:
    """Where a burned line's middle may be: zone and silhouette without keep-outs, no margins."""
    free = zone.polygon.intersection(face.silhouette)
    return free.difference(shapely.union_all([k.polygon for k in face.keep_outs]))


def _escapes(face: Face, zone: Zone, play: Play, shrink_mm: float) -> float:
    """How far (mm) any point of a mark pressed to the boundary of the zone shrunk by that much gets out."""
    allowed = _allowed(face, zone)
    pressed = allowed.buffer(-shrink_mm, quad_segs=32)  # type: ignore[attr-defined]
    corners = shapely.get_coordinates(pressed)
    if len(corners) > 120:
        corners = corners[np.linspace(0, len(corners) - 1, 120).astype(int)]
    rng = np.random.default_rng(5)
    moved = _displaced(corners, play, rng).reshape(-1, 2)
    outside = moved[~shapely.contains_xy(allowed, moved[:, 0], moved[:, 1])]
    return float(shapely.distance(allowed, shapely.points(outside)).max()) if len(outside) else 0.0


@pytest.mark.parametrize(
    ("blade", "face", "zone", "plays"), _zones(), ids=lambda v: getattr(v, "zone", None) or ""
)
def test_no_seating_takes_a_mark_out_of_its_zone(
    blade: str, face: Face, zone: Zone, plays: tuple[Play, ...]
) -> None:
    for play in plays:
        # The arcs of the shrunk region lie inside the true ones by less than a micrometre.
        assert _escapes(face, zone, play, worst_stray_mm([play], zone.polygon)) <= 0.001


def test_with_a_fifth_less_play_allowed_for_every_blade_shows_an_escape() -> None:
    escapes: dict[str, float] = {}
    for blade, face, zone, plays in _zones():
        for play in plays:
            out = _escapes(face, zone, play, 0.8 * worst_stray_mm([play], zone.polygon))
            escapes[blade] = max(escapes.get(blade, 0.0), out)

    assert set(escapes) == {seat.blade for p in SHOP.plates.values() for s in p.slots for seat in s.seats}
    assert all(out > 0.005 for out in escapes.values()), escapes


def test_the_stray_is_the_shift_and_the_chord_of_the_tilt_at_the_longest_lever() -> None:
    play = Play(shift_mm=0.1, tilt_deg=0.5, about=(10.0, 0.0))

    found = stray_mm(play, box(10, 0, 60, 0.001))

    # Elementary: a chord is 2 r sin(angle / 2); r = 50 mm.
    assert found == pytest.approx(0.1 + 2 * 50 * math.sin(math.radians(0.25)), abs=1e-6)


def test_the_worst_of_several_seats_counts_and_none_is_no_play() -> None:
    small, large = Play(0.05, 0.0), Play(0.2, 0.0)

    assert worst_stray_mm([small, large], box(0, 0, 1, 1)) == pytest.approx(0.2)
    assert worst_stray_mm([], box(0, 0, 1, 1)) == 0.0


def test_the_region_is_shrunk_by_margin_half_a_line_and_play() -> None:
    _, face, zone, _ = _zones()[0]
    play = Play(0.25, 0.0)

    region = region_of(face, zone, line_width_mm=0.1, plays=[play])

    assert region.margin_mm == pytest.approx(zone.edge_margin_mm + 0.05 + 0.25)
    nearest = region.polygon.distance(_allowed(face, zone).boundary)  # type: ignore[attr-defined]
    assert nearest == pytest.approx(region.margin_mm, abs=1e-3)


def test_a_point_of_the_boundary_is_named_by_what_is_nearest() -> None:
    _, face, zone, _ = _zones()[0]
    keep_out = face.keep_outs[0]
    region = region_of(face, zone, line_width_mm=0.1, plays=[])
    at = keep_out.polygon.exterior.coords[0]

    assert region.source_at(*at).kind in {"keep_out", "silhouette", "zone"}
    assert Point(at).distance(region.source_at(*at).boundary) == pytest.approx(0.0, abs=1e-9)


def test_all_seats_of_the_shop_have_play() -> None:
    seats: list[Seat] = [seat for p in SHOP.plates.values() for slot in p.slots for seat in slot.seats]

    assert all(seat.play.shift_mm > 0 for seat in seats)
