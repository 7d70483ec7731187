"""Pictures of the guide "A shop from nothing", each a file that its own commands write."""

from __future__ import annotations

import io
import re
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from service.pages.guides import FOLDER
from tests.pictures.drawn import as_png
from tests.service.guides.running import Reader

_FONT = "font.atkinson-hyperlegible-bold.carving-axe.flat.svg"
#: By the picture's name: the file in the reader's folder, how wide it is made (dots), and whether it is cut
#: to what is on it, because a burn file is as large as the laser's field.
GUIDED: Mapping[str, tuple[str, int, bool]] = {
    "first-shop-blade.png": ("pictures/drawing.carving-axe.svg", 1000, False),
    "first-shop-plate.png": ("pictures/plate.heads.svg", 1200, False),
    "first-shop-font.png": (f"pictures/{_FONT}", 700, False),
    "first-shop-frame.png": ("pictures/mark.hoop.svg", 700, False),
    "first-shop-matrix.png": ("matrix/MATRIX-bench-*.svg", 5600, True),
}
_MARGIN = 20
_AT_SERVING = "## 7. Serve it"


def guided() -> dict[str, bytes]:
    """PNG files by their names: the guide is followed up to where it serves the shop."""
    guide, found, _ = (FOLDER / "first-shop.md").read_text(encoding="utf-8").partition(_AT_SERVING)
    assert found
    with tempfile.TemporaryDirectory() as folder, Reader(Path(folder)) as reader:
        reader.follows(guide)
        return guided_in(Path(folder))


def guided_in(folder: Path) -> dict[str, bytes]:
    """The same of a folder in which the guide was followed."""
    made = {}
    for name, (file, wide, is_cut) in GUIDED.items():
        (path,) = folder.glob(file)
        svg = path.read_text(encoding="utf-8")
        if 'mm"' not in svg[:400]:  # a mark's outline states no size
            box = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg)
            assert box is not None, path
            width, height = box.groups()
            svg = svg.replace("<svg ", f'<svg width="{width}mm" height="{height}mm" ', 1)
        # A burn file's lines are as wide as the beam: no screen shows them.
        png = as_png(re.sub(r'stroke-width="0\.05\d*"', 'stroke-width="0.12"', svg) if is_cut else svg, wide)
        made[name] = _cut(png) if is_cut else png
    return made


def _cut(png: bytes) -> bytes:
    picture = Image.open(io.BytesIO(png)).convert("RGB")
    inked: Any = np.asarray(picture).min(axis=2) < 250
    rows, columns = np.flatnonzero(inked.any(axis=1)), np.flatnonzero(inked.any(axis=0))
    left, top, right, bottom = map(int, (columns[0], rows[0], columns[-1], rows[-1]))
    box = (left - _MARGIN, top - _MARGIN, right + _MARGIN, bottom + _MARGIN)
    written = io.BytesIO()
    picture.crop(box).save(written, "PNG", optimize=True)
    return written.getvalue()
