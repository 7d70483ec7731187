"""What a buyer gets to see of words that they try on a product: the product with the mark as burned, how
large it is, and near pictures of what could be engraved instead.

What is refused is on no picture: a buyer would remember it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from layout.check.feasibility import NOMINAL, Checked, CheckResult, check, check_one
from layout.marks.features import FeatureStore
from layout.pictures.buyers_picture import Engraved, buyers_svg, near_svg, scene
from layout.shop.findings import Finding, Severity, Verdict
from layout.shop.inscriptions import Inscription
from layout.shop.loads import Mark
from layout.shop.shop import Shop
from layout.shop.stations import Calibration

#: So many suggestions are shown with pictures.
MOST_SUGGESTED = 3


@dataclass(frozen=True, slots=True)
class Sized:
    """How large an inscription (by its index) is: its capital height, the width of artwork or the module of a
    code, and how wide and high the whole mark is on its face (mm)."""

    inscription: int
    zone: str
    face: str
    lines: tuple[str, ...]
    height_mm: float
    width_mm: float
    extent_mm: float


@dataclass(frozen=True, slots=True)
class Suggested:
    """An inscription that would pass in place of the one with that index, its size and its near picture."""

    changes: int
    inscription: Inscription
    size_mm: float
    picture: str


@dataclass(frozen=True, slots=True)
class Preview:
    """A check as its buyer sees it; `pictures` by face, `digest` of the marks (None: refused)."""

    verdict: Verdict
    findings: tuple[Finding, ...]
    sizes: tuple[Sized, ...]
    pictures: Mapping[str, str]
    suggestions: tuple[Suggested, ...]
    digest: str | None


def tried(
    shop: Shop,
    sku: str,
    inscriptions: Sequence[Inscription],
    calibrations: Mapping[tuple[str, str], Calibration] = NOMINAL,
    store: FeatureStore | None = None,
) -> Preview:
    """Inscriptions checked, as their buyer sees them."""
    result = check(shop, sku, inscriptions, calibrations=calibrations, store=store)
    return preview(shop, sku, result, calibrations=calibrations, store=store)


def preview(
    shop: Shop,
    sku: str,
    result: CheckResult,
    *,
    calibrations: Mapping[tuple[str, str], Calibration] = NOMINAL,
    store: FeatureStore | None = None,
) -> Preview:
    """A check's result as its buyer sees it."""
    good = [at for at in range(len(result.inscriptions)) if not _is_refused(result.findings, at)]
    marked = [(at, result.inscriptions[at]) for at in good if result.inscriptions[at].mark is not None]
    stations = [station.station for station, _ in result.stations]
    faces = dict.fromkeys(checked.face for checked in result.inscriptions if checked.face is not None)
    engraved = [one for _, checked in marked for one in _engraved(checked)]
    pictures = {
        face: buyers_svg(scene(shop, sku, face, engraved, stations=stations), None, is_near_smooth=True)
        for face in faces
    }
    suggestions = [
        drawn
        for at, suggestion in _suggestions(result.findings)
        if (drawn := _drawn(shop, sku, at, suggestion, calibrations, store)) is not None
    ]
    return Preview(
        result.verdict,
        result.findings,
        tuple(_sized(at, checked) for at, checked in marked),
        pictures,
        tuple(suggestions),
        None if result.verdict is Verdict.REFUSE else digest_of(result.marks),
    )


def digest_of(marks: Sequence[Mark]) -> str:
    """SHA-256 (hex) of what is burned where: equal digests burn equal units."""
    burned = sorted((mark.face, mark.zone, mark.outline.digest) for mark in marks)
    return hashlib.sha256(repr(burned).encode()).hexdigest()


def _is_refused(findings: Sequence[Finding], at: int) -> bool:
    """Whether an inscription is refused, or everything is."""
    return any(f.severity is Severity.REFUSE and f.inscription in {None, at} for f in findings)


def _engraved(checked: Checked) -> list[Engraved]:
    return [Engraved(checked.mark, checked.lines)] if checked.mark is not None else []


def _sized(at: int, checked: Checked) -> Sized:
    assert checked.mark is not None and checked.size_mm is not None
    x0, y0, x1, y1 = checked.mark.outline.bounds_mm
    return Sized(at, checked.mark.zone, checked.mark.face, checked.lines, checked.size_mm, x1 - x0, y1 - y0)


def _suggestions(findings: Sequence[Finding]) -> Iterator[tuple[int, Inscription]]:
    """The first ones of all findings in turn, each once."""
    named = [(f.inscription or 0, suggestion) for f in findings for suggestion in f.suggestions]
    yield from list(dict.fromkeys(named))[:MOST_SUGGESTED]


def _drawn(
    shop: Shop,
    sku: str,
    at: int,
    suggestion: Inscription,
    calibrations: Mapping[tuple[str, str], Calibration],
    store: FeatureStore | None,
) -> Suggested | None:
    """A suggestion with its picture. The check has accepted it; here it is only drawn."""
    checked, _ = check_one(shop, sku, suggestion, calibrations=calibrations, store=store, depth="mark")
    if checked.mark is None or checked.size_mm is None:
        return None
    stations = {place.station for place in checked.places}
    seen = scene(shop, sku, checked.mark.face, _engraved(checked), stations=stations)
    return Suggested(at, suggestion, checked.size_mm, near_svg(seen))
