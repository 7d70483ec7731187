"""Photos of marks that never were: drawn by Pillow and SciPy, with a camera of their own, from polygons.

Shares no code with `layout.look`, which draws with another library and knows nothing of how a photo is made
here. What a photo may be like stands in `Ranges`; everything else is drawn by the seed. The camera is a
pinhole (Hartley and Zisserman, Multiple View Geometry, 2nd edition, section 6.1; from memory): a point X of
the face goes to K [R | t] X. How metal, light and lenses look is common practice, no source.
"""

from __future__ import annotations

import io
import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import shapely
from PIL import Image, ImageDraw
from scipy import ndimage
from shapely import affinity

Kind = Literal[
    "letter missing", "accent missing", "half burned", "doubled", "wrong words", "wrong unit", "faint"
]


@dataclass(frozen=True, slots=True)
class Ranges:
    """What photos are like: each drawn evenly between its two ends."""

    px_per_mm: tuple[float, float] = (12.0, 24.0)
    tilt_deg: tuple[float, float] = (0.0, 25.0)
    turn_deg: tuple[float, float] = (-12.0, 12.0)  # in the picture's plane; every fourth upside down
    away_mm: tuple[float, float] = (150.0, 400.0)
    #: Share of the brighter of metal and mark by which the other is darker.
    contrast: tuple[float, float] = (0.15, 0.8)
    metal: tuple[float, float] = (0.35, 0.75)  # brightness of the brighter, of the sensor's range
    light: tuple[float, float] = (0.0, 0.35)  # the darkest edge is darker by this
    reflections: tuple[int, int] = (0, 3)
    reflection: tuple[float, float] = (0.05, 0.25)  # of the sensor's range, which is never filled by it
    grain: tuple[float, float] = (0.0, 0.04)  # standard deviation of the brushed metal's brightness
    blur_mm: tuple[float, float] = (0.01, 0.07)  # standard deviation
    noise: tuple[float, float] = (0.002, 0.016)  # standard deviation, of the sensor's range
    quality: tuple[int, int] = (65, 95)  # of JPEG
    #: Longest side of the picture over that of the mark.
    room: tuple[float, float] = (1.25, 2.5)


#: No fault is smaller (mm).
LEAST_MM = 0.3
BRIGHTEST = 0.97
#: Photos are no larger than this where the mark leaves the choice: to draw larger ones takes long.
MOST_PX = 1400


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo as a tablet sends it, and what is known of how it was made."""

    jpeg: bytes
    to_photo: Any  # (3, 3): from the face's mm to pixels
    said: dict[str, Any] = field(default_factory=dict)


def photo_of(
    marked: Sequence[Any],
    about: tuple[float, float, float, float],
    *,
    seed: int,
    ghost: tuple[float, float] | None = None,
    faint: Sequence[tuple[Any, float]] = (),
    ranges: Ranges | None = None,
    ground: tuple[Any, float] | None = None,
) -> Photo:
    """A photo of polygons (mm, y up) burned into metal.

    `about`: the box that the picture is aimed at; `ghost`: burned a second time, that far away; `faint`:
    polygons burned with so much less; `ground`: the blade's outline, and how bright what lies around it is.
    """
    dice, ranges = random.Random(seed), ranges or Ranges()
    chance = np.random.default_rng(seed)

    def between(ends: tuple[float, float]) -> float:
        return dice.uniform(*ends)

    scale, tilt, away = between(ranges.px_per_mm), between(ranges.tilt_deg), between(ranges.away_mm)
    turn = between(ranges.turn_deg) + (180 if dice.random() < 0.25 else 0)
    x0, y0, x1, y1 = about
    longest = max(x1 - x0, y1 - y0, 4.0)
    wide = max(longest * ranges.room[0], min(longest * between(ranges.room), MOST_PX / scale))
    shape = dice.choice(((3, 4), (9, 16), (4, 3)))
    width = round(wide * scale)
    height = round(max(wide * shape[0] / shape[1], (y1 - y0) * 1.4, 6.0) * scale)
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    spare = np.array(
        [max(0.0, width / scale - (x1 - x0) * 1.25), max(0.0, height / scale - (y1 - y0) * 1.35)]
    )
    aim = middle + np.array([dice.uniform(-0.3, 0.3), dice.uniform(-0.3, 0.3)]) * spare * 0.8
    camera = _camera(aim, scale, tilt, dice.uniform(0, 360), turn, away, (width, height))

    fine = scale * 1.2
    pad = 0.72 * max(math.hypot(width, height) / 1.25, width, height) / scale + 1.0
    left, top = aim[0] - pad, aim[1] + pad
    side = round(2 * pad * fine)
    to_texture = np.array([[fine, 0, -left * fine], [0, -fine, top * fine], [0, 0, 1.0]])

    def drawn(polygons: Sequence[Any]) -> Any:
        return _filled(polygons, to_texture, side)

    burned = drawn(marked)
    for polygon, share in faint:
        burned = np.maximum(burned, share * drawn([polygon]))
    if ghost is not None:
        again = drawn([affinity.translate(polygon, *ghost) for polygon in marked])
        burned = np.maximum(burned, dice.uniform(0.75, 1.0) * again)
    metal, contrast = between(ranges.metal), between(ranges.contrast)
    is_dark = dice.random() < 0.6
    bare, inked = (metal, metal * (1 - contrast)) if is_dark else (metal * (1 - contrast), metal)
    grain = _brushed(chance, side, dice.choice((0.0, 90.0, dice.uniform(0, 180))), fine) * between(
        ranges.grain
    )
    texture = bare * (1 + grain) * (1 - burned) + inked * (1 + 0.5 * grain) * burned
    if ground is not None:
        inside = drawn([ground[0]])
        texture = texture * inside + ground[1] * (1 - inside)

    light = _seen(texture, to_texture @ np.linalg.inv(camera), (width, height))
    light *= _uneven(dice, (width, height), between(ranges.light))
    for _ in range(dice.randint(*ranges.reflections)):
        light += _reflection(dice, (width, height)) * between(ranges.reflection)
    light = np.minimum(light, BRIGHTEST)
    light = ndimage.gaussian_filter(light, between(ranges.blur_mm) * scale)
    light += chance.normal(0, between(ranges.noise), light.shape)
    data = io.BytesIO()
    tint = np.array([1.0, dice.uniform(0.95, 1.0), dice.uniform(0.88, 1.0)])
    pixels = np.clip(light[..., None] * tint * 255, 0, 255).astype(np.uint8)
    Image.fromarray(pixels).save(data, "JPEG", quality=dice.randint(*ranges.quality))
    said = {
        "seed": seed, "px_per_mm": round(scale, 1), "tilt": round(tilt), "contrast": round(contrast, 2),
        "dark": is_dark, "size": (width, height), "turn": round(turn),
    }  # fmt: skip
    return Photo(data.getvalue(), camera, said)


def _camera(
    aim: Any, scale: float, tilt: float, about: float, turn: float, away: float, size: tuple[int, int]
) -> Any:
    """(3, 3) from the face's mm (y up) to pixels (y down): a pinhole that looks at `aim`."""
    a, t = math.radians(about), math.radians(tilt)
    axis = np.array([math.cos(a), math.sin(a), 0.0])
    cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    leaned = np.eye(3) + math.sin(t) * cross + (1 - math.cos(t)) * cross @ cross  # Rodrigues
    r = math.radians(turn)
    turned = np.array([[math.cos(r), -math.sin(r), 0], [math.sin(r), math.cos(r), 0], [0, 0, 1]])
    rotation = turned @ leaned @ np.diag([1.0, -1.0, -1.0])
    focal = scale * away
    inner = np.array([[focal, 0, size[0] / 2], [0, focal, size[1] / 2], [0, 0, 1.0]])
    place = np.column_stack([rotation[:, 0], rotation[:, 1], np.array([0, 0, away])])
    moved = np.array([[1, 0, -aim[0]], [0, 1, -aim[1]], [0, 0, 1.0]])
    whole = inner @ place @ moved
    return whole / whole[2, 2]


def _filled(polygons: Sequence[Any], to_texture: Any, side: int) -> Any:
    """How much of each pixel the polygons cover, drawn finer and brought down."""
    over = 3 if side < 2500 else 2
    picture = Image.new("L", (side * over, side * over))
    pen = ImageDraw.Draw(picture)
    for polygon in _parts(polygons):
        for ring, colour in [(polygon.exterior, 255), *((hole, 0) for hole in polygon.interiors)]:
            points = np.asarray(ring.coords)[:, :2] @ to_texture[:2, :2].T + to_texture[:2, 2]
            # The edge of a hole is burned: a stroke that ends in one would be wiped out where it is thinner
            # than the two pixels of its edges.
            pen.polygon([tuple(point) for point in points * over], fill=colour, outline=255)
    return np.asarray(picture.resize((side, side), Image.Resampling.BOX), dtype=np.float32) / 255


def _parts(polygons: Sequence[Any]) -> list[Any]:
    """Single polygons, larger first, so that what lies in another's hole is drawn after the hole."""
    parts = [part for shape in polygons for part in shapely.get_parts(shape) if not part.is_empty]
    return sorted(parts, key=lambda part: -shapely.Polygon(part.exterior).area)


def _brushed(chance: Any, side: int, angle: float, fine: float) -> Any:
    """Noise drawn out in one direction, of standard deviation 1."""
    noise = chance.normal(size=(side // 2 + 64, side // 2 + 64))
    noise = ndimage.gaussian_filter(noise, (0.02 * fine, 1.5 * fine))
    if angle:
        noise = ndimage.rotate(noise, angle, reshape=False, order=1, mode="wrap")
    noise = ndimage.zoom(noise, side / noise.shape[0], order=1)[:side, :side]
    noise = np.pad(noise, [(0, side - noise.shape[0]), (0, side - noise.shape[1])], mode="reflect")
    return noise / noise.std()


def _seen(texture: Any, to_texture: Any, size: tuple[int, int]) -> Any:
    """The texture through the camera: each pixel of the photo is looked up in it."""
    back = to_texture / to_texture[2, 2]
    seen = Image.fromarray(texture.astype(np.float32)).transform(
        size, Image.Transform.PERSPECTIVE, tuple(back.ravel()[:8]), Image.Resampling.BICUBIC
    )
    return np.asarray(seen, dtype=np.float64)


def _grid(size: tuple[int, int]) -> tuple[Any, Any]:
    return np.meshgrid(np.linspace(-1, 1, size[0]), np.linspace(-1, 1, size[1]))


def _uneven(dice: random.Random, size: tuple[int, int], depth: float) -> Any:
    x, y = _grid(size)
    a = dice.uniform(0, 2 * math.pi)
    slope = (x * math.cos(a) + y * math.sin(a)) / 1.5
    return 1 - depth * (0.5 + 0.35 * slope + 0.15 * (x * x + y * y) / 2 * dice.choice((-1, 1)))


def _reflection(dice: random.Random, size: tuple[int, int]) -> Any:
    """A soft patch or band of light, brightest at 1."""
    x, y = _grid(size)
    a = dice.uniform(0, math.pi)
    x, y = x - dice.uniform(-1, 1), y - dice.uniform(-1, 1)
    along, across = x * math.cos(a) + y * math.sin(a), y * math.cos(a) - x * math.sin(a)
    return np.exp(-0.5 * ((along / dice.uniform(0.3, 2.5)) ** 2 + (across / dice.uniform(0.15, 0.6)) ** 2))


# --- faults ---


def large_enough(shape: Any) -> bool:
    """Whether a part is a fault that counts: something of it is LEAST_MM across one way and the other."""
    x0, y0, x1, y1 = shape.bounds
    return min(x1 - x0, y1 - y0) >= LEAST_MM


def without(letters: Sequence[Any], index: int) -> list[Any]:
    return [letter for place, letter in enumerate(letters) if place != index]


def half_burned(letters: Sequence[Any], dice: random.Random) -> list[Any]:
    """The burn ended: what lies beyond a straight line is not there, at least LEAST_MM of it."""
    whole = shapely.union_all(list(letters))
    x0, y0, x1, y1 = whole.bounds
    kept = dice.uniform(0.2, 0.8)
    cut = dice.choice(
        (
            (x0 - 1, y0 - 1, x0 + max(0.0, (x1 - x0) * kept), y1 + 1),
            (x0 - 1, y0 - 1, x1 + 1, y0 + (y1 - y0) * kept),
            (x0 - 1, y1 - (y1 - y0) * kept, x1 + 1, y1 + 1),
        )
    )
    return [
        part for part in shapely.get_parts(shapely.intersection(whole, shapely.box(*cut))) if part.area > 0
    ]


def ghost_of(dice: random.Random) -> tuple[float, float]:
    """How far a mark lies from its double."""
    angle, far = dice.uniform(0, 2 * math.pi), dice.uniform(LEAST_MM, 1.0)
    return far * math.cos(angle), far * math.sin(angle)
