"""Builders of checks in the made-up shop, and of shops that differ from it in one thing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

from layout.check.feasibility import CheckResult, check
from layout.shop.blades import Face, Zone
from layout.shop.findings import Finding
from layout.shop.inscriptions import Inscription, TextInscription
from layout.shop.shop import Shop
from service.shop.catalogue.loader import default_folder, load

CHEF = "AQ-CHEF-20"


@cache
def the_shop() -> Shop:
    return load(default_folder())


def words(text: str, **changes: Any) -> TextInscription:
    """Words at the heel, the largest that fit, for that is where the limits lie."""
    return replace(TextInscription("heel", text, "lato-bold", size="largest"), **changes)


def checked(*inscriptions: Inscription, shop: Shop | None = None, sku: str = CHEF) -> CheckResult:
    return check(shop or the_shop(), sku, inscriptions)


def codes(result: CheckResult) -> list[str]:
    return [finding.code for finding in result.findings]


def the_finding(result: CheckResult, code: str) -> Finding:
    found = [finding for finding in result.findings if finding.code == code]
    assert found, f"{code} is not among {codes(result)}"
    return found[0]


def with_zone(zone: str, change: Callable[[Zone], Zone], *, shop: Shop | None = None) -> Shop:
    """The shop with one zone of the chef's knife changed."""
    before = shop or the_shop()
    blade = before.blades["chef-20"]

    def face_with(face: Face) -> Face:
        return replace(face, zones=tuple(change(z) if z.zone == zone else z for z in face.zones))

    faces = tuple(face_with(face) for face in blade.faces)
    return replace(before, blades={**before.blades, "chef-20": replace(blade, faces=faces)})


def without_centre_lines() -> Shop:
    """The shop with cards that were burned before there were any isolated lines on them."""
    shop = the_shop()
    processes = {
        name: replace(process, test_card=card and replace(card, isolated_lines=False))
        for name, process in shop.processes.items()
        for card in [process.test_card]
    }
    return replace(shop, processes=processes)
