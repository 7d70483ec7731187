"""One burn file, built and judged in a geometry process: values in, bytes and the judge's findings out."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from layout.burn.estimate import burn_travel
from layout.burn.formats import WRITERS
from layout.burn.turn import burn_of
from layout.judge.written_file import inspect_file
from layout.shop.findings import Finding
from layout.shop.loads import LoadLayout
from layout.shop.shop import Shop


@dataclass(frozen=True, slots=True)
class Built:
    """One file's bytes with its digests; `seconds` is the catalogue's estimate of its burn, `process` its
    processes, joined; `findings` is what the judge objects to after reading it."""

    data: bytes
    sha256: str
    short_code: str
    seconds: float
    process: str
    findings: tuple[Finding, ...]


def build(shop: Shop, layout: LoadLayout, turn: int, format_name: str) -> Built:
    """One file of one turn. Same values, same bytes, in any process."""
    station = shop.stations[layout.station]
    burn = burn_of(shop, layout, turn)
    data = WRITERS[format_name](burn, station)
    return Built(
        data=data,
        sha256=hashlib.sha256(data).hexdigest(),
        short_code=burn.short_code,
        seconds=burn_travel(shop, burn, station).total_s,
        process="+".join(sorted({part.process for part in burn.parts})),
        findings=inspect_file(shop, layout, turn, data, format_name),
    )
