"""PDF files read by PDFium (pypdfium2), which this project did not write: pages, words, paths, pictures.

Points of the page, y up, as the file has them; `MM` is a millimetre in points.
"""

from __future__ import annotations

import ctypes
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium
from PIL import Image

MM = 72 / 25.4
Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Path:
    """One path: its subpaths (n, 2), a closed one repeating its first point; its fill as r, g, b, or None."""

    subpaths: list[np.ndarray]
    fill: tuple[int, int, int] | None

    @property
    def lines(self) -> int:
        return sum(len(points) - 1 for points in self.subpaths)

    @property
    def box(self) -> Box:
        low, high = np.vstack(self.subpaths).min(axis=0), np.vstack(self.subpaths).max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])


@contextmanager
def pages_of(data: bytes) -> Iterator[list[pypdfium2.PdfPage]]:
    with pypdfium2.PdfDocument(data) as document:
        yield list(document)


def sizes_of(data: bytes) -> list[tuple[float, float]]:
    """Width and height of every page, in points."""
    with pages_of(data) as pages:
        return [page.get_size() for page in pages]


def words_of(data: bytes) -> list[str]:
    """The text of every page."""
    with pages_of(data) as pages:
        return [page.get_textpage().get_text_range() for page in pages]


def pictures_of(data: bytes, *, dpi: float) -> list[Image.Image]:
    """Every page as PDFium draws it."""
    with pages_of(data) as pages:
        return [page.render(scale=dpi / 72).to_pil() for page in pages]


def letters_of(page: pypdfium2.PdfPage) -> list[tuple[str, Box]]:
    """Every letter of a page that leaves ink, with the box of its line's height around it."""
    text = page.get_textpage()
    letters = [
        (text.get_text_range(at, 1), text.get_charbox(at, loose=True)) for at in range(text.count_chars())
    ]
    return [(letter, box) for letter, box in letters if letter.strip()]


def box_of(page: pypdfium2.PdfPage, words: str) -> Box:
    """Where the first of such words stand on a page. Raises ValueError where they don't."""
    text = page.get_textpage()
    place = text.search(words).get_next()
    if place is None:
        raise ValueError(f"not on the page: {words}")
    boxes = np.array([text.get_charbox(at, loose=True) for at in range(place[0], place[0] + place[1])])
    return (
        float(boxes[:, 0].min()),
        float(boxes[:, 1].min()),
        float(boxes[:, 2].max()),
        float(boxes[:, 3].max()),
    )


def paths_of(data: bytes) -> list[list[Path]]:
    """Every path of every page, in file order. Raises ValueError for a curve: the project writes none."""
    with pages_of(data) as pages:
        return [
            [_path(thing) for thing in page.get_objects(filter=(pdfium.FPDF_PAGEOBJ_PATH,))] for page in pages
        ]


def _path(thing: pypdfium2.PdfObject) -> Path:
    a, b, c, d, e, f = thing.get_matrix().get()
    subpaths: list[list[tuple[float, float]]] = []
    x, y = ctypes.c_float(), ctypes.c_float()
    for at in range(pdfium.FPDFPath_CountSegments(thing)):
        segment = pdfium.FPDFPath_GetPathSegment(thing, at)
        pdfium.FPDFPathSegment_GetPoint(segment, x, y)
        kind = pdfium.FPDFPathSegment_GetType(segment)
        if kind == pdfium.FPDF_SEGMENT_MOVETO:
            subpaths.append([])
        elif kind != pdfium.FPDF_SEGMENT_LINETO:
            raise ValueError("not a straight line")
        subpaths[-1].append((x.value, y.value))
        if pdfium.FPDFPathSegment_GetClose(segment) and subpaths[-1][0] != subpaths[-1][-1]:
            subpaths[-1].append(subpaths[-1][0])
    return Path(
        [np.array(points) @ np.array([[a, b], [c, d]]) + np.array([e, f]) for points in subpaths],
        _fill(thing),
    )


def _fill(thing: pypdfium2.PdfObject) -> tuple[int, int, int] | None:
    mode, stroked = ctypes.c_int(), ctypes.c_int()
    pdfium.FPDFPath_GetDrawMode(thing, mode, stroked)
    if mode.value == pdfium.FPDF_FILLMODE_NONE:
        return None
    red, green, blue, alpha = (ctypes.c_uint() for _ in range(4))
    pdfium.FPDFPageObj_GetFillColor(thing, red, green, blue, alpha)
    return red.value, green.value, blue.value
