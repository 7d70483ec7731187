"""From which height each font can be burned by each recipe, worked out once and kept beside the font tables.

One small file for each font and recipe, named by what the figure depends on: the font's file, face and axes,
the recipe's line and fill, the shop's limits. A change of any of them is another name, so nothing here is
ever out of date. `ricasso fonts measure` works out what is missing.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path

from layout.check.smallest import SMALLEST_VERSION, smallest_mm
from layout.lettering.fonts import FontRefused, open_font
from layout.shop.blades import Zone
from layout.shop.shop import FontSpec, Policy, Shop
from layout.shop.stations import Process
from service.shop.font_tables import FontTables

#: What a file holds of a font that a recipe can never burn.
NEVER = float("inf")


def smallest_sizes(shop: Shop, sku: str, zone: Zone, folder: Path) -> Mapping[str, float]:
    """By font of a zone, the smallest height (mm) that is offered there: the zone's own, or what the best of
    its recipes can burn. NEVER for a font that can't be burned at any height that the zone takes; fonts that
    were not worked out yet are left out."""
    recipes = processes_of(shop, sku, zone)
    sizes: dict[str, float] = {}
    for name in zone.fonts:
        if name not in shop.fonts:
            continue
        heights = [kept(shop.fonts[name], recipe, shop.policy, folder) for recipe in recipes]
        if heights and None not in heights:
            least = max(zone.min_height_mm, min(height for height in heights if height is not None))
            sizes[name] = least if least <= zone.max_height_mm else NEVER
    return sizes


def processes_of(shop: Shop, sku: str, zone: Zone) -> list[Process]:
    """The proven recipes of all stations for a product's zone."""
    surface = zone.surface or shop.products[sku].surface
    recipes = (shop.process_for(station, surface) for station in shop.stations)
    return [recipe for recipe in recipes if recipe is not None]


def missing(shop: Shop, folder: Path) -> Iterator[tuple[str, Process]]:
    """Fonts and proven recipes of which the figure is not kept yet."""
    used = {
        process.process: process
        for product in shop.products.values()
        for face in shop.blades[product.blade].faces
        for zone in face.zones
        for process in processes_of(shop, product.sku, zone)
    }
    for name, spec in sorted(shop.fonts.items()):
        for _, process in sorted(used.items()):
            if kept(spec, process, shop.policy, folder) is None:
                yield name, process


def work_out_missing(shop: Shop, folder: Path) -> None:
    """Every figure that is not kept yet."""
    for name, process in list(missing(shop, folder)):
        work_out(shop.fonts[name], process, shop.policy, folder)


def work_out(spec: FontSpec, process: Process, policy: Policy, folder: Path) -> float:
    """The figure for one font and recipe, measured now and kept; NEVER for a font that is refused."""
    try:
        size = smallest_mm(open_font(spec), process, policy, store=FontTables(folder))
    except FontRefused:
        size = None
    path = _path(spec, process, policy, folder)
    folder.mkdir(parents=True, exist_ok=True)
    handle, scratch = tempfile.mkstemp(dir=folder, prefix=".writing-")
    with os.fdopen(handle, "w") as file:
        json.dump({"smallest_mm": size}, file)
    os.replace(scratch, path)
    return NEVER if size is None else size


def kept(spec: FontSpec, process: Process, policy: Policy, folder: Path) -> float | None:
    """The figure where it was worked out before."""
    path = _path(spec, process, policy, folder)
    return _read(path) if path.exists() else None


@cache
def _read(path: Path) -> float:
    size = json.loads(path.read_text())["smallest_mm"]
    return NEVER if size is None else float(size)


def _path(spec: FontSpec, process: Process, policy: Policy, folder: Path) -> Path:
    rows = process.rows
    facts = (
        SMALLEST_VERSION,
        spec.identity,
        (process.line_width_mm, process.edge_allowance_mm, process.edge_line, rows.spacing_mm),
        process.burns_centre_lines,
        (policy.open_lines, policy.stroke_lines),
    )
    return folder / f"{hashlib.sha256(repr(facts).encode()).hexdigest()[:32]}.smallest"
