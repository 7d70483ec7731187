"""The made-up shop's zones are good for something: the check accepts a word in each."""

from __future__ import annotations

from layout.check.feasibility import check
from layout.shop.findings import Verdict
from layout.shop.inscriptions import TextInscription
from tests.made_up import the_made_up_shop

SHOP = the_made_up_shop()


def test_a_word_can_be_engraved_in_every_zone_of_every_product():
    refused = {}

    for sku, product in SHOP.products.items():
        for face in SHOP.blades[product.blade].faces:
            for zone in face.zones:
                result = check(SHOP, sku, (TextInscription(zone.zone, "Ida", "lato-bold"),))
                if result.verdict is Verdict.REFUSE:
                    refused[sku, zone.zone] = [finding.message for finding in result.findings]

    assert refused == {}
