"""Scale and perspective of a photo, held against OpenCV (`findHomography`, `projectPoints`) and scikit-image
(`ProjectiveTransform`), and what is said of the error against many shaky hands."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import shapely
from skimage.transform import ProjectiveTransform

from layout.drawing.photo import (
    KnownDistance,
    TracedShape,
    flat_by_ruler,
    flat_from,
    honest,
    honest_by_ruler,
    off_when_aslant,
    rectangle,
    shrink,
    strokes_of,
)
from layout.drawing.strokes import DrawingRefused

SIZE = (210.0, 297.0)
SHEET = [(0.0, 0.0), (210.0, 0.0), (210.0, 297.0), (0.0, 297.0)]


def camera(points_mm, *, tilt=(0.35, -0.2, 0.4), height=600.0, focal=2400.0, above=0.0):
    """Where a pinhole camera over the sheet sees points that lie so much above it, in dots, by OpenCV. Its z
    axis looks at the sheet, whose y runs up: it is turned over first."""
    over = cv2.Rodrigues(np.array([np.pi, 0.0, 0.0]))[0]
    turn = cv2.Rodrigues(np.array(tilt, float))[0] @ over
    middle = np.array([105.0, 148.5, 0.0])
    shift = np.array([0.0, 0.0, height]) - turn @ middle
    lens = np.array([[focal, 0, 2000.0], [0, focal, 1500.0], [0, 0, 1]])
    points = np.column_stack([np.asarray(points_mm, float), np.full(len(points_mm), above)])
    seen, _ = cv2.projectPoints(points, cv2.Rodrigues(turn)[0], shift, lens, None)
    return [tuple(map(float, p)) for p in seen[:, 0]]


def test_what_a_camera_saw_of_the_sheet_comes_back_in_millimetres():
    inside = np.random.default_rng(1).uniform((0, 0), SIZE, (50, 2))
    flat = flat_from(camera(SHEET), SHEET)

    assert np.abs(flat.to_mm(camera(inside)) - inside).max() < 1e-6
    assert np.abs(flat.to_px(inside) - camera(inside)).max() < 1e-5


@pytest.mark.parametrize("count", [4, 5, 12, 40])
def test_the_plane_is_that_of_other_libraries(count):
    rng = np.random.default_rng(count)
    mm = np.array(SHEET + rng.uniform((0, 0), SIZE, (count - 4, 2)).tolist())
    px = np.array(camera(mm)) + (rng.normal(0, 1.5, (count, 2)) if count > 4 else 0)
    ours = flat_from(px.tolist(), mm.tolist())
    there = np.random.default_rng(9).uniform((0, 0), SIZE, (200, 2))
    looked = ours.to_px(there)

    by_cv, _ = cv2.findHomography(px, mm, 0)
    seen = np.column_stack([looked, np.ones(len(looked))]) @ by_cv.T
    theirs = seen[:, :2] / seen[:, 2:]
    by_skimage = ProjectiveTransform.from_estimate(px, mm)(looked)

    # OpenCV minimises the same sum; scikit-image an algebraic one, which is the same for four points.
    assert np.abs(theirs - there).max() < (1e-3 if count > 4 else 1e-4)
    assert np.abs(by_skimage - there).max() < (0.3 if count > 4 else 1e-6)
    if count > 4:

        def off(found):
            return (found**2).sum()

        assert off(ours.to_mm(px) - mm) <= off(by_skimage_of(px, mm) - mm) + 1e-9


def by_skimage_of(px, mm):
    return ProjectiveTransform.from_estimate(px, mm)(px)


def test_corners_may_be_clicked_either_way_round_and_nothing_is_mirrored():
    px = camera(SHEET)
    one = flat_from(px, rectangle(px, *SIZE))
    back = [px[1], px[0], px[3], px[2]]
    other = flat_from(back, rectangle(back, *SIZE))
    triangle = camera([(10, 10), (60, 10), (10, 40)])

    for flat in (one, other):
        (ax, ay), (bx, by), (cx, cy) = flat.to_mm(triangle)
        assert (bx - ax) * (cy - ay) - (by - ay) * (cx - ax) == pytest.approx(50 * 30)


@pytest.mark.parametrize(
    "corners", [[(0, 0), (9, 0), (0, 9), (9, 9)], [(0, 0), (5, 0), (9, 0), (0, 9)], [(0, 0)] * 4]
)
def test_corners_that_are_no_rectangle_are_refused(corners):
    with pytest.raises(DrawingRefused, match="one after the other"):
        rectangle(corners, 100, 100)


def test_a_place_above_the_horizon_is_refused():
    flat = flat_from([(0, 100), (100, 100), (60, 50), (40, 50)], SHEET)

    with pytest.raises(DrawingRefused, match="horizon"):
        flat.to_mm([(50, 90), (50, -500)])


def test_what_is_said_of_a_shaky_hand_is_what_shaky_hands_do():
    """19 of 20 of those who click with an error of one dot lie within what is said, and not all by far."""
    outline = [(20, 40), (190, 60), (180, 90), (30, 70)]
    corners, traced = np.array(camera(SHEET)), np.array(camera(outline))
    said = honest(corners.tolist(), SHEET, traced.tolist())
    rng = np.random.default_rng(5)
    worst = []
    for _ in range(400):
        flat = flat_from((corners + rng.normal(0, 1, corners.shape)).tolist(), SHEET)
        seen = flat.to_mm(traced + rng.normal(0, 1, traced.shape))
        worst.append(np.hypot(*(seen - outline).T))

    each = np.array(worst)
    assert 0.1 < said.click_mm < 2
    assert (each <= said.click_mm).mean() > 0.95
    assert np.quantile(each, 0.95, axis=0).max() > 0.6 * said.click_mm
    assert not said.is_checked


def test_a_known_distance_says_what_is_off():
    px = camera(SHEET)
    begin, end = camera([(20, 100), (120, 100)])
    said = honest(px, SHEET, [begin], [KnownDistance(begin, end, 100.0), KnownDistance(begin, end, 98.5)])

    assert said.off_mm == pytest.approx((0.0, 1.5), abs=1e-6)
    assert said.about_mm == pytest.approx(1.5)


def test_a_blade_above_the_paper_is_seen_too_large_and_shrunk_again():
    """Seen from straight above, whatever lies 5 mm nearer to a camera at 600 mm is larger by 600 / 595."""
    flat = flat_from(camera(SHEET, tilt=(0, 0, 0)), SHEET)
    seen = camera([(40, 100), (140, 100)], tilt=(0, 0, 0), above=5.0)
    (stroke,) = strokes_of(flat, [TracedShape("baseline", tuple(seen), False, False)], shrunk=shrink(5, 600))

    assert np.hypot(*(stroke.points[1] - stroke.points[0])) == pytest.approx(100, abs=0.01)
    assert np.hypot(*np.diff(flat.to_mm(seen), axis=0)[0]) == pytest.approx(100 * 600 / 595, abs=0.001)


def test_a_smooth_shape_is_round_and_keeps_its_corners():
    angles = np.radians(np.arange(0, 360, 22.5))
    circle = np.column_stack([100 + 40 * np.cos(angles), 120 + 40 * np.sin(angles)])
    drop = np.vstack([circle[2:15], [(190, 120)]])
    flat = flat_from(camera(SHEET), SHEET)

    def drawn(points, smooth=True):
        shape = TracedShape("outline", tuple(camera(points)), True, smooth)
        return shapely.Polygon(strokes_of(flat, [shape])[0].points)

    assert drawn(circle).area == pytest.approx(np.pi * 1600, rel=2e-4)
    assert drawn(circle, smooth=False).area == pytest.approx(np.pi * 1600, rel=0.03)
    assert drawn(drop).bounds[2] == pytest.approx(190, abs=0.01)
    assert drawn(drop).is_valid


def test_too_few_points_and_doubled_ones_are_refused():
    flat = flat_from(camera(SHEET), SHEET)
    for points, said in [([(0, 0), (9, 9)], "3 points"), ([(0, 0), (0, 0), (9, 9)], "one place")]:
        with pytest.raises(DrawingRefused, match=said):
            strokes_of(flat, [TracedShape("outline", tuple(points), True, False)])


# --- a ruler alone ---

RULER = [(20.0, 250.0), (190.0, 250.0)]
BLADE = [(20.0, 120.0), (150.0, 112.0), (190.0, 138.0), (150.0, 165.0), (20.0, 158.0)]


def ruler_of(**seen):
    begin, end = camera(RULER, **seen)
    return KnownDistance(begin, end, 170.0)


def longest_off(ruler, traced):
    """By how much the lengths between traced points are off, at worst."""
    measured = flat_by_ruler(ruler).to_mm(traced)

    def lengths(points):
        points = np.array(points)
        return np.linalg.norm(points[:, None] - points[None], axis=2)

    return np.abs(lengths(measured) - lengths(BLADE)).max()


def test_from_straight_above_a_ruler_gives_the_scale_and_mirrors_nothing():
    for turn in (0.0, 0.7, 2.5):
        seen = {"tilt": (0, 0, turn)}
        traced = camera(BLADE, **seen)

        assert longest_off(ruler_of(**seen), traced) < 1e-6
        a, b, c = flat_by_ruler(ruler_of(**seen)).to_mm(traced)[:3]
        turned = (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0])
        assert turned == pytest.approx(130 * 26 + 8 * 40)


@pytest.mark.parametrize("tilt_deg", [1.0, 2.0, 5.0, 10.0])
def test_what_is_said_of_a_camera_that_looks_aslant_is_what_such_cameras_see(tilt_deg):
    """Held against OpenCV's camera, tilted every way: none is worse than what is said, and one is nearly as
    bad."""
    tilt = np.radians(tilt_deg)
    off, said = [], []
    for way in np.radians(np.arange(0, 360, 15)):
        seen = {"tilt": (tilt * np.cos(way), tilt * np.sin(way), 0.0)}
        ruler, traced = ruler_of(**seen), camera(BLADE, **seen)
        off.append(longest_off(ruler, traced))
        said.append(
            off_when_aslant(ruler, traced, tilt_deg=tilt_deg, middle_px=(2000.0, 1500.0), focal_px=2400.0)
        )

    assert all(is_off <= 1.1 * told for is_off, told in zip(off, said, strict=True))
    assert max(off) > 0.85 * min(said)


def test_shaky_hands_at_a_ruler_are_off_by_what_is_said():
    seen = {"tilt": (0, 0, 0.3)}
    ruler, traced = ruler_of(**seen), np.array(camera(BLADE, **seen))
    said = honest_by_ruler(ruler, traced.tolist())
    rng = np.random.default_rng(11)
    off = []
    for _ in range(400):
        begin, end = np.array([ruler.begin, ruler.end]) + rng.normal(0, 1, (2, 2))
        flat = flat_by_ruler(KnownDistance(tuple(begin), tuple(end), 170.0))
        seen_mm = flat.to_mm(traced + rng.normal(0, 1, traced.shape))
        off.append(abs(np.hypot(*(seen_mm[2] - seen_mm[0])) - np.hypot(170, 18)))

    assert np.mean(np.array(off) <= said.click_mm) > 0.95
    assert np.quantile(off, 0.95) > 0.6 * said.click_mm


def test_a_ruler_without_length_and_a_view_beyond_the_horizon_are_refused():
    with pytest.raises(DrawingRefused, match="in one place"):
        flat_by_ruler(KnownDistance((5, 5), (5, 5), 100))
    with pytest.raises(DrawingRefused, match="horizon"):
        off_when_aslant(
            KnownDistance((0, 0), (900, 0), 100),
            [(0, 0), (4000, 0)],
            tilt_deg=60,
            middle_px=(0, 0),
            focal_px=500,
        )
