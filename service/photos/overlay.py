"""A photo and the approved outline over one another, with rings around what looks wrong."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely

from layout.shop.measure import Floats, format_mm
from layout.shop.outline import Outline
from service.photos.photo_answers import PhotoAnswer, SuspectAnswer

#: Rings stand so far from what they ring, and are no smaller than that (pixels of the picture).
_AROUND_PX, _LEAST_PX = 10.0, 26.0
#: Outlines are shown to this accuracy.
_SHOWN_MM = 0.01
#: Colours that are seen on metal, bright or dark, each line with a darker one under it.
_LINE, _RING, _UNDER = "#00d5ff", "#ff2fa0", "#101010"


def overlay_svg(photo: PhotoAnswer, outline: Outline, picture: bytes | str) -> str:
    """The picture as SVG. `picture`: its JPEG, to be held in the SVG itself, or the address where it is."""
    address = picture if isinstance(picture, str) else _embedded(picture)
    w, h = photo.width, photo.height
    drawn = [f'<image href="{address}" width="{w}" height="{h}"/>']
    if photo.to_photo is not None:
        to_photo = np.array(photo.to_photo).reshape(3, 3)
        # Lines keep their width however large the picture is shown.
        lines = 'fill="none" vector-effect="non-scaling-stroke" stroke-linejoin="round"'
        drawn.append(f'<defs><path id="{photo.id}-mark" d="{" ".join(_paths(outline, to_photo))}"/></defs>')
        drawn += [
            f'<use href="#{photo.id}-mark" {lines} stroke="{colour}" stroke-width="{width}"/>'
            for colour, width in ((_UNDER, 2.6), (_LINE, 1.3))
        ]
        for place, suspect in enumerate(photo.suspects, 1):
            drawn += _ring(place, suspect, to_photo, max(w, h) / 900)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" width="{w}" height="{h}">'
        f"{''.join(drawn)}</svg>"
    )


def _embedded(picture: bytes) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(picture).decode()}"


def _paths(outline: Outline, to_photo: Floats) -> Iterator[str]:
    for area in outline.areas:
        for ring in (area.exterior, *area.interiors):
            yield _path(ring.coords, to_photo) + "Z"
    for stroke in outline.strokes:
        yield _path(stroke.coords, to_photo)


def _path(coordinates: Any, to_photo: Floats) -> str:
    simple = shapely.simplify(shapely.linestrings(coordinates), _SHOWN_MM)
    points = _seen(shapely.get_coordinates(simple), to_photo)
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def _ring(place: int, suspect: SuspectAnswer, to_photo: Floats, scale: float) -> list[str]:
    """An ellipse around a place, with its number beside it."""
    x0, y0, x1, y1 = suspect.box_mm
    corners = _seen(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]), to_photo)
    (left, top), (right, bottom) = corners.min(axis=0), corners.max(axis=0)
    across = max((right - left) / 2 * 1.2 + _AROUND_PX * scale, _LEAST_PX * scale)
    down = max((bottom - top) / 2 * 1.2 + _AROUND_PX * scale, _LEAST_PX * scale)
    at = f'cx="{(left + right) / 2:.1f}" cy="{(top + bottom) / 2:.1f}" rx="{across:.1f}" ry="{down:.1f}"'
    lines = 'fill="none" vector-effect="non-scaling-stroke"'
    size = 34 * scale
    x, y = (left + right) / 2 + 0.75 * across, (top + bottom) / 2 - 0.75 * down
    font = f'font-family="sans-serif" font-weight="700" font-size="{size:.1f}"'
    word = f'x="{x:.1f}" y="{max(y, size):.1f}" {font}'
    return [
        f'<ellipse {at} {lines} stroke="{_UNDER}" stroke-width="5"/>',
        f'<ellipse {at} {lines} stroke="{_RING}" stroke-width="2.5"/>',
        f'<text {word} fill="{_RING}" stroke="{_UNDER}" stroke-width="{format_mm(4 * scale)}"'
        f' paint-order="stroke">{place}</text>',
    ]


def _seen(points: Floats, to_photo: Floats) -> Floats:
    at = np.column_stack([points, np.ones(len(points))]) @ to_photo.T
    shown: Floats = at[:, :2] / at[:, 2:]
    return shown
