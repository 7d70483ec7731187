"""Orders of made-up buyers. Names, words and dates are invented."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any


def _in_days(days: int) -> str:
    return (datetime.now(UTC) + timedelta(days=days)).replace(microsecond=0).isoformat()


def todays_orders() -> list[dict[str, Any]]:
    """Orders that can be engraved: several lines, a quantity, two faces, other scripts, single lines."""
    return [
        {
            "order_ref": "AQ-1001",
            "ship_by": _in_days(3),
            "buyer": {"name": "Marta Alder"},
            "notes": {"gift": "Happy anniversary!", "bench": "Handles are oiled: wipe before seating."},
            "lines": [
                {
                    "line_ref": "1",
                    "sku": "AQ-CHEF-20",
                    "quantity": 3,
                    "inscriptions": [{"zone": "heel", "text": "Marta\nand Jonas", "font": "garamond-bold"}],
                },
                {
                    "line_ref": "2",
                    "sku": "AQ-HORI-18",
                    "quantity": 1,
                    "inscriptions": [
                        {"zone": "ricasso", "text": "For Nan", "font": "lato-bold", "height_mm": 6.0},
                        {"zone": "ricasso_back", "text": "1 May", "font": "oswald-medium", "height_mm": 6.0},
                    ],
                },
            ],
        },
        {
            "order_ref": "AQ-1002",
            "buyer": {"name": "Eleni Birch"},
            "ship_by": _in_days(2),
            "priority": 10,
            "lines": [
                {
                    "line_ref": "1",
                    "sku": "AQ-CHEESE-14",
                    "quantity": 1,
                    "inscriptions": [
                        {"zone": "between_holes", "text": "\u0646\u0648\u0631", "font": "amiri-bold"}
                    ],
                },
                {
                    "line_ref": "2",
                    "sku": "AQ-CHEF-20",
                    "quantity": 1,
                    "inscriptions": [
                        {
                            "zone": "heel",
                            "text": "\u0395\u03bb\u03ad\u03bd\u03b7",
                            "font": "noto-sans-semibold",
                        }
                    ],
                },
            ],
        },
        {
            "order_ref": "AQ-1003",
            "ship_by": _in_days(4),
            "lines": [
                {
                    "line_ref": "1",
                    "sku": "AQ-SANT-17",
                    "quantity": 1,
                    "inscriptions": [
                        {"zone": "flat", "text": "Quay Lane 7", "font": "line-script", "height_mm": 5.0}
                    ],
                },
            ],
        },
    ]


def an_order_to_hold() -> dict[str, Any]:
    """Paid for, but the font has no such letters: held for the desk, never dropped."""
    return {
        "order_ref": "AQ-1004",
        "ship_by": _in_days(5),
        "lines": [
            {
                "line_ref": "1",
                "sku": "AQ-GRAFT-7",
                "quantity": 1,
                "inscriptions": [{"zone": "flat", "text": "Zo\u00eb \u2665 Bo", "font": "cinzel-semibold"}],
            }
        ],
    }


#: What the buyer agreed to on the telephone.
WORDS_AGREED = [{"zone": "flat", "text": "Zo\u00eb & Bo", "font": "cinzel-semibold"}]

#: Asked by the desk before a sale: far too much for the place.
A_CHECK_THAT_FAILS: dict[str, Any] = {
    "sku": "AQ-CHEF-20",
    "inscriptions": [
        {
            "zone": "heel",
            "text": "In memory of a long summer by the sea",
            "font": "great-vibes",
            "height_mm": 8.0,
        }
    ],
}

#: Shown as a picture.
A_CHECK_THAT_PASSES = {
    "sku": "AQ-CHEF-20",
    "inscriptions": [{"zone": "heel", "text": "Marta\nand Jonas", "font": "garamond-bold"}],
}


def for_the_fair(sku: str, quantity: int) -> dict[str, Any]:
    """Units on which nothing is engraved, for a week from now."""
    return {
        "order_ref": "AQ-1010",
        "ship_by": _in_days(8),
        "lines": [{"line_ref": "1", "sku": sku, "quantity": quantity, "inscriptions": []}],
    }
