"""Outlines as records."""

from __future__ import annotations

import json

import numpy as np
import shapely
from shapely.geometry import LineString, Point

from layout.shop.outline import Outline, frozen, points_of_text


def test_points_of_a_records_text_are_those_of_its_outline() -> None:
    ring = Point(-3.2, 4.1).buffer(2.0).difference(Point(-3.2, 4.1).buffer(1.0))
    outline = frozen([ring, Point(100.0, 0.0).buffer(0.5)], [LineString([(0, 0), (-0.0001, 12.3456)])])
    for record in (outline.to_record(), Outline().to_record()):
        for text in (json.dumps(record), json.dumps(record, separators=(",", ":"), indent=1)):
            read = Outline.from_record(record)
            assert np.array_equal(points_of_text(text), shapely.get_coordinates([*read.areas, *read.strokes]))
