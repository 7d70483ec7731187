"""What a zone loses to what lies over it, and its picture."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import pytest
from shapely import affinity
from shapely.geometry import box

from layout.pictures.set_words import outline_svg, set_in
from layout.pictures.zone_trial import draw_trial, losses
from layout.shop.blades import KeepOut
from layout.shop.outline import Outline
from tests.layout.made_up import the_shop


def test_a_zone_half_off_the_blade_loses_what_is_off_it() -> None:
    face = the_shop().blades["chef-20"].faces[0]
    _, y0, x1, y1 = face.silhouette.bounds
    zone = replace(face.zones[0], polygon=box(x1 - 5, y0 - 100, x1 + 15, y1 + 100))
    inside = zone.polygon.intersection(face.silhouette).area

    assert dict(losses(replace(face, keep_outs=()), zone))[""] == pytest.approx(zone.polygon.area - inside)


def test_a_keep_out_takes_what_it_covers_and_nothing_twice() -> None:
    face = the_shop().blades["chef-20"].faces[0]
    zone = face.zones[0]
    covered = affinity.scale(box(*zone.polygon.bounds), 0.5, 1.0)
    rivet = replace(face.keep_outs[0], keep_out="rivet", polygon=covered) if face.keep_outs else None
    assert isinstance(rivet, KeepOut)

    found = dict(losses(replace(face, keep_outs=(rivet,)), zone))

    both = zone.polygon.intersection(covered).intersection(face.silhouette).area
    assert found["rivet"] == pytest.approx(both) and both > 1


def test_words_that_are_refused_have_another_colour() -> None:
    face = the_shop().blades["chef-20"].faces[0]
    zone = face.zones[0]
    x, y = zone.polygon.centroid.coords[0]
    outline = Outline((box(x - 2, y - 1, x + 2, y + 1),), ())

    fine, refused = (
        draw_trial(face, zone=zone, region=zone.polygon, outline=outline, is_refused=wrong)
        for wrong in (False, True)
    )

    assert fine != refused
    ElementTree.fromstring(fine)


def test_a_small_picture_of_words_is_empty_where_the_font_can_not_set_them() -> None:
    shop = the_shop()
    font = shop.fonts["lato-bold"]
    drawn, nothing = set_in([("Anna", font, "centre"), ("   ", font, "centre")])

    assert 'class="mark"' in drawn and nothing == ""
    with pytest.raises(ValueError):
        outline_svg(Outline((), ()))
