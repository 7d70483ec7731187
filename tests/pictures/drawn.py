"""Pictures that need no browser: proofs, plate, papers and timeline of one made-up morning, whose clock
stands still."""

from __future__ import annotations

import io
import re
import tempfile
from datetime import timedelta
from importlib import resources
from pathlib import Path
from typing import Any

import resvg_py

from demo import orders
from layout.pictures.blades_and_plates import draw_plate
from service.plan.promises import keep_promises
from service.records.db import Database, open_engine
from service.records.tables import Base
from tests import pdf
from tests.clocks import MORNING, a_clock
from tests.counter import Counter, an_open_counter

#: Labels are set in the same letters on every machine; the second is for words in Arabic.
_LETTERS = [
    str(resources.files(f"fontpkg_{font.lower()}") / "files" / f"{font}-{cut}.ttf")
    for font, cut in (("Lato", "Medium"), ("Lato", "Bold"), ("Amiri", "Bold"))
]
_PAPER_DPI = 85
_WIDTH_PX = 1200
#: What is drawn.
DRAWN = (
    "proof-accepted.png",
    "proof-refused.png",
    "pallet.png",
    "timeline.png",
    "load-sheet.png",
    "unit-label.png",
    "proof-sheet.png",
)
_ON_THE_LONG_PLATE = frozenset({"AQ-CHEF-20", "AQ-SANT-17"})


def drawn() -> dict[str, bytes]:
    """PNG files by their names."""
    with tempfile.TemporaryDirectory() as folder:
        engine = open_engine(f"sqlite:///{folder}/shop.sqlite3")
        Base.metadata.create_all(engine)
        try:
            with an_open_counter(Database(engine), a_clock(), Path(folder), boxed=400) as counter:
                return _of_one_morning(counter)
        finally:
            engine.dispose()


def _of_one_morning(counter: Counter) -> dict[str, bytes]:
    accepted, refused = (
        counter.ask("desk", "POST", "/v1/checks", body).json()["proofs"]["mark_side"]
        for body in (orders.A_CHECK_THAT_PASSES, orders.A_CHECK_THAT_FAILS)
    )
    long, others = _by_plate(orders.todays_orders())
    _post(counter, long)
    asked = {"station": "north", "operator": "Ines"}
    load = counter.ask("bench", "POST", "/v1/loads/next", asked).json()
    _post(counter, others)
    _post(counter, [_many(order, number) for number in range(2, 8) for order in long])
    keep_promises(counter.tools)
    timeline = counter.ask("bench", "GET", "/v1/plan/timeline.svg").text
    sheet, labels, proof = (
        counter.ask("bench", "GET", address).content
        for address in (
            f"/v1/loads/{load['id']}/sheet.pdf",
            f"/v1/loads/{load['id']}/labels.pdf",
            "/v1/orders/O1/proof.pdf",
        )
    )
    pictures = (
        *map(as_png, (accepted, refused, _pallet(counter, load), timeline)),
        _first_page(sheet),
        _first_page(labels, dpi=2 * _PAPER_DPI),
        _first_page(proof),
    )
    return dict(zip(DRAWN, pictures, strict=True))


def _by_plate(taken: list[dict[str, Any]]) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The lines that go on the long plate, and the others, each under its order."""
    long, others = (
        [
            {**order, "order_ref": f"{order['order_ref']}{mark}", "lines": lines}
            for order in taken
            if (lines := [line for line in order["lines"] if (line["sku"] in _ON_THE_LONG_PLATE) == is_long])
        ]
        for is_long, mark in ((True, ""), (False, "-B"))
    )
    return long, others


def _many(order: dict[str, Any], number: int) -> dict[str, Any]:
    """The same words on more units."""
    lines = [{**line, "quantity": 3 + number} for line in order["lines"]]
    return {**order, "order_ref": f"{order['order_ref']}-{number}", "lines": lines}


def _post(counter: Counter, wanted: list[dict[str, Any]]) -> None:
    for number, order in enumerate(wanted):
        answer = counter.post_order(
            order | {"ship_by": (MORNING + timedelta(days=2 + number % 4)).isoformat()}
        )
        assert answer.json()["state"] == "ready", answer.text


def _pallet(counter: Counter, load: dict[str, Any]) -> str:
    shop, [turn, *_] = counter.tools.catalogue.current, load["turns"]
    return draw_plate(
        shop.plates[load["plate"]],
        shop.blades,
        seated={slot["slot"]: (shop.products[slot["sku"]].blade, slot["face"]) for slot in turn["slots"]},
        words={slot["slot"]: [slot["job"] or slot["lot"], *slot["texts"]] for slot in turn["slots"]},
        title=f"Load {load['id']}, turn 1, plate {load['copy']}",
    )


def as_png(svg: str, wide_px: int = _WIDTH_PX) -> bytes:
    """A picture whose size is in millimetres, so wide, its words in the same letters on every machine."""
    wide = re.search(r'width="([\d.]+)mm"', svg)
    assert wide is not None
    return bytes(
        resvg_py.svg_to_bytes(
            svg_string=svg,
            dpi=round(wide_px * 25.4 / float(wide[1])),
            background="white",
            font_files=_LETTERS,
            font_family="Lato",
            sans_serif_family="Lato",
            skip_system_fonts=True,
        )
    )


def _first_page(data: bytes, *, dpi: float = _PAPER_DPI) -> bytes:
    file = io.BytesIO()
    pdf.pictures_of(data, dpi=dpi)[0].save(file, "PNG", optimize=True)
    return file.getvalue()
