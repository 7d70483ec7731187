"""Can these words be engraved there? Everything that stands in the way at once, and the frozen outlines."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from types import MappingProxyType

import shapely

from layout import breaks, fit
from layout.blocks import Block, NotEncodable, artwork_block, code_block, monogram_block, text_block
from layout.eligible import Candidate, candidates, eligible
from layout.estimate import mark_seconds
from layout.features import FeatureStore
from layout.findings import Finding, Severity, Verdict, verdict_of
from layout.fitters import Fitter, fitter_for
from layout.fonts import Font, FontRefused, open_font
from layout.legible import feature_findings, size_findings
from layout.measure import CONTAINMENT_MM
from layout.outline import Outline
from layout.parts import (
    Align,
    ArtworkInscription,
    Calibration,
    Face,
    Inscription,
    Mark,
    MonogramInscription,
    Place,
    Shop,
    TextInscription,
    Zone,
)
from layout.region import Region, region_of
from layout.suggest import suggestions_for
from layout.text import LINE_FEED, inspect, normalise

NOMINAL: Mapping[tuple[str, str], Calibration] = MappingProxyType({})
#: Artwork and codes have no capital height; their zone's shape alone limits them.
_NO_LIMIT_MM = 500.0


@dataclass(frozen=True, slots=True)
class Checked:
    """What the check measured of one inscription; sizes in mm, face frame. `size_mm` is the capital height,
    the width of artwork, or the module of a code. None where nothing could be placed."""

    inscription: Inscription
    face: str | None
    lines: tuple[str, ...] = ()
    size_mm: float | None = None
    largest_mm: float | None = None
    box_mm: tuple[float, float, float, float] | None = None
    clearance_mm: float | None = None
    thinnest_stroke_mm: float | None = None
    narrowest_gap_mm: float | None = None
    binding: tuple[fit.Binding, ...] = ()
    region: Region | None = None
    mark: Mark | None = None
    places: frozenset[Place] = frozenset()


@dataclass(frozen=True, slots=True)
class CheckResult:
    """All findings and all measurements. `marks` is complete only when the verdict is not refuse;
    `eligible` are the places at which the whole job can be engraved, per face."""

    verdict: Verdict
    findings: tuple[Finding, ...]
    inscriptions: tuple[Checked, ...]
    marks: tuple[Mark, ...]
    eligible: frozenset[Place]
    burn_seconds: float | None


def check(
    shop: Shop,
    sku: str,
    inscriptions: Sequence[Inscription],
    *,
    calibrations: Mapping[tuple[str, str], Calibration] = NOMINAL,
    store: FeatureStore | None = None,
) -> CheckResult:
    """Check all inscriptions of one unit of a product. Never raises for what a customer may send."""
    if sku not in shop.products:
        finding = Finding("unknown_product", Severity.REFUSE, "There is no product with this sku.")
        return CheckResult(Verdict.REFUSE, (finding,), (), (), frozenset(), None)
    findings: list[Finding] = []
    checked: list[Checked] = []
    if not inscriptions:
        findings.append(Finding("no_inscription", Severity.REFUSE, "There is nothing to engrave."))
    for index, inscription in enumerate(inscriptions):
        one, said = check_one(shop, sku, inscription, calibrations=calibrations, store=store)
        if verdict_of(tuple(said)) is Verdict.REFUSE:
            said = suggestions_for(
                shop,
                sku,
                one,
                said,
                try_one=partial(check_one, shop, sku, calibrations=calibrations, store=store),
            )
        findings += [finding.about(index) for finding in said]
        checked.append(one)
    findings += _together(checked)
    everywhere, said = _common_places(checked)
    findings += said
    verdict = verdict_of(tuple(findings))
    marks = tuple(one.mark for one in checked if one.mark is not None)
    seconds = _seconds(shop, marks, everywhere) if verdict is not Verdict.REFUSE else None
    return CheckResult(verdict, tuple(findings), tuple(checked), marks, everywhere, seconds)


def check_one(
    shop: Shop,
    sku: str,
    inscription: Inscription,
    *,
    calibrations: Mapping[tuple[str, str], Calibration] = NOMINAL,
    store: FeatureStore | None = None,
) -> tuple[Checked, list[Finding]]:
    """Check one inscription by itself; no suggestions."""
    blade = shop.blades[shop.products[sku].blade]
    try:
        face = blade.face_of_zone(inscription.zone)
    except KeyError:
        offered = ", ".join(zone.zone for f in blade.faces for zone in f.zones)
        message = f"This product has no zone of that name; it has {offered}."
        return Checked(inscription, None), [Finding("unknown_zone", Severity.REFUSE, message)]
    zone = face.zone(inscription.zone)
    findings = _offer_findings(shop, zone, inscription)
    findings += _word_findings(shop, inscription)
    surface = shop.surface_of(sku, zone.zone)
    where = candidates(shop, sku, face.face, surface)
    if not where:
        message = (
            f"No station has a proven process for {surface.material}, {surface.finish}, and a plate for it."
        )
        findings.append(Finding("no_process", Severity.REFUSE, message))
    one = Checked(inscription, face.face)
    if any(finding.code in _NOTHING_TO_PLACE for finding in findings) or not where:
        return one, findings
    region = _region(face, zone, where)
    try:
        placed, said = _place(
            shop, face, zone, region, inscription, _blocks(shop, zone, inscription, store), where
        )
    except FontRefused as error:
        return one, [*findings, Finding("font_refused", Severity.REFUSE, str(error))]
    except NotEncodable as error:
        return one, [*findings, Finding("code_content", Severity.REFUSE, f"{error}.".capitalize())]
    placed = replace(placed, region=region)
    findings += said
    if placed.mark is not None:
        places = eligible(shop, placed.mark, where, calibrations=calibrations)
        placed = replace(placed, places=places)
        if not places:
            message = "At no slot does the mark lie inside the laser's field and its depth of focus."
            findings.append(Finding("out_of_reach", Severity.REFUSE, message))
    return placed, findings


_NOTHING_TO_PLACE = frozenset(
    {"empty_text", "unknown_font", "unknown_artwork", "lone_surrogate", "initials_count", "font_refused"}
)


def _offer_findings(shop: Shop, zone: Zone, inscription: Inscription) -> list[Finding]:
    """What the zone and the shop don't offer."""
    findings = []
    if inscription.kind not in zone.kinds:
        message = f"This zone takes {', '.join(sorted(zone.kinds))}; not {inscription.kind}."
        findings.append(Finding("kind_not_offered", Severity.REFUSE, message))
    if isinstance(inscription, TextInscription | MonogramInscription):
        if inscription.font not in shop.fonts:
            findings.append(Finding("unknown_font", Severity.REFUSE, "There is no font of that name."))
        elif inscription.font not in zone.fonts:
            findings.append(
                Finding("font_not_offered", Severity.REFUSE, "This font is not offered for this zone.")
            )
    if isinstance(inscription, ArtworkInscription):
        artwork = shop.artworks.get(inscription.artwork)
        if artwork is None or artwork.use == "frame":
            findings.append(Finding("unknown_artwork", Severity.REFUSE, "There is no mark of that name."))
    if isinstance(inscription, MonogramInscription) and inscription.frame is not None:
        frame = shop.artworks.get(inscription.frame)
        if frame is None or frame.use != "frame":
            findings.append(Finding("unknown_artwork", Severity.REFUSE, "There is no frame of that name."))
    return findings


def _word_findings(shop: Shop, inscription: Inscription) -> list[Finding]:
    """What is wrong with the words themselves, and characters that the font lacks."""
    words = words_of(inscription)
    if words is None:
        return []
    findings = list(inspect(words, shop.policy))
    if isinstance(inscription, MonogramInscription) and not 1 <= len(words.strip()) <= 3:
        findings.append(Finding("initials_count", Severity.REFUSE, "A monogram has one to three initials."))
    font = opened(shop, inscription)
    if font is None or any(finding.code == "lone_surrogate" for finding in findings):
        return findings
    normal = normalise(words)
    for start, end in font.missing(normal):
        findings.append(_missing_glyph(shop, inscription, start, end))
    return findings


def _missing_glyph(shop: Shop, inscription: Inscription, start: int, end: int) -> Finding:
    assert isinstance(inscription, TextInscription | MonogramInscription)
    message = f"Character {start + 1} is not in the font {shop.fonts[inscription.font].name}."
    return Finding("missing_glyph", Severity.REFUSE, message, span=(start, end))


def words_of(inscription: Inscription) -> str | None:
    """The words of an inscription that has any."""
    if isinstance(inscription, TextInscription):
        return inscription.text
    return inscription.initials if isinstance(inscription, MonogramInscription) else None


def opened(shop: Shop, inscription: Inscription) -> Font | None:
    """The inscription's font, where it names one that the shop has."""
    if not isinstance(inscription, TextInscription | MonogramInscription):
        return None
    spec = shop.fonts.get(inscription.font)
    return open_font(spec) if spec else None


def _region(face: Face, zone: Zone, where: Sequence[Candidate]) -> Region:
    """The region for the widest line and the worst play of all places where the job may land."""
    key = (id(face), zone.zone, tuple((c.process.line_width_mm, c.seat.play) for c in where))
    if key not in _REGIONS:
        if len(_REGIONS) > 4096:
            _REGIONS.clear()
        line_width = max(c.process.line_width_mm for c in where)
        plays = {c.seat.play for c in where}
        # The face is kept with its region, so that its id is not given to another while the entry lives.
        _REGIONS[key] = (region_of(face, zone, line_width_mm=line_width, plays=plays), face)
    return _REGIONS[key][0]


_REGIONS: dict[tuple[int, str, tuple[object, ...]], tuple[Region, Face]] = {}


def _blocks(shop: Shop, zone: Zone, inscription: Inscription, store: FeatureStore | None) -> Iterator[Block]:
    """The block, or for text one for every way to break it into lines, set only when it is asked for."""
    if isinstance(inscription, TextInscription):
        font = open_font(shop.fonts[inscription.font])
        words = normalise(inscription.text)
        align = inscription.align or zone.align
        for lines in breaks.choices(words, zone.max_lines):
            yield text_block(lines, font, zone, align=align, text=words, store=store)
        return
    if isinstance(inscription, MonogramInscription):
        frame = shop.artworks[inscription.frame] if inscription.frame else None
        font = open_font(shop.fonts[inscription.font])
        yield monogram_block(normalise(inscription.initials.strip()), font, frame, store=store)
    elif isinstance(inscription, ArtworkInscription):
        yield artwork_block(shop.artworks[inscription.artwork])
    else:
        yield code_block(inscription)


def size_asked(inscription: Inscription) -> float | None:
    """The size that was asked for: capital height, width or module (mm)."""
    if isinstance(inscription, TextInscription | MonogramInscription):
        return inscription.height_mm
    return inscription.width_mm if isinstance(inscription, ArtworkInscription) else inscription.cell_mm


def _place(
    shop: Shop,
    face: Face,
    zone: Zone,
    region: Region,
    inscription: Inscription,
    blocks: Iterable[Block],
    where: Sequence[Candidate],
) -> tuple[Checked, list[Finding]]:
    findings = _line_findings(zone, inscription)
    limits = (
        zone
        if words_of(inscription) is not None
        else replace(zone, min_height_mm=0.0, max_height_mm=_NO_LIMIT_MM)
    )
    align: Align = (inscription.align if isinstance(inscription, TextInscription) else None) or zone.align
    asked = size_asked(inscription)
    fitter = fitter_for(region, limits, align)
    best = _best(fitter, blocks, asked)
    if best is None:
        message = "There is nothing to engrave: the words leave no mark."
        return Checked(inscription, face.face), [Finding("empty_text", Severity.REFUSE, message)]
    block, found = best
    largest = fitter.largest(block) if found is None else None
    largest_mm = largest.height_mm if largest else None
    findings += size_findings(
        shop.policy, limits, region, block, inscription, asked=asked, found=found, largest_mm=largest_mm
    )
    if found is None:
        return Checked(inscription, face.face, block.lines, largest_mm=largest_mm), findings
    outline = fitter.draw(block, found)
    line_width = max(c.process.line_width_mm for c in where)
    findings += feature_findings(shop.policy, block.features, found.height_mm, line_width, inscription)
    if not _contained(outline, region):
        message = "The drawn outline does not lie inside the printable region."
        findings.append(Finding("outline_outside", Severity.REFUSE, message))
    mark = Mark(zone.zone, face.face, where[0].process.surface, outline)
    stroke, gap = block.features.stroke, block.features.gap
    return (
        Checked(
            inscription,
            face.face,
            block.lines,
            size_mm=found.height_mm,
            largest_mm=largest_mm,
            box_mm=outline.bounds_mm,
            clearance_mm=found.clearance_mm,
            thinnest_stroke_mm=stroke.width * found.height_mm if stroke else None,
            narrowest_gap_mm=gap.width * found.height_mm if gap else None,
            binding=found.binding,
            mark=mark,
        ),
        findings,
    )


def _contained(outline: Outline, region: Region) -> bool:
    allowed = region.polygon.buffer(CONTAINMENT_MM)
    shapely.prepare(allowed)
    return bool(shapely.covers(allowed, [*outline.areas, *outline.strokes]).all())


def _line_findings(zone: Zone, inscription: Inscription) -> list[Finding]:
    """More of the buyer's own lines than the zone takes."""
    own = len(inscription.text.split(LINE_FEED)) if isinstance(inscription, TextInscription) else 1
    if own <= zone.max_lines:
        return []
    message = f"{own} lines; this zone takes {zone.max_lines}."
    return [
        Finding("too_many_lines", Severity.REFUSE, message,
                measured=float(own), limit=float(zone.max_lines), unit="lines")
    ]  # fmt: skip


def _best(
    fitter: Fitter, blocks: Iterable[Block], asked: float | None
) -> tuple[Block, fit.Fit | None] | None:
    """The block with the largest size; with a size asked for, the one with the fewest lines that has it.

    None when no block has any ink.
    """
    best: tuple[Block, fit.Fit | None] | None = None
    for block in blocks:
        if len(block.hull) < 3:
            continue
        if asked is not None and (found := fitter.place(block, asked)) is not None:
            return block, found
        largest = fitter.largest(block)
        if best is None or _size(largest) > _size(best[1]):
            best = (block, largest)
    return best if best is None or asked is None else (best[0], None)


def _size(found: fit.Fit | None) -> float:
    return found.height_mm if found else 0.0


def _together(checked: Sequence[Checked]) -> list[Finding]:
    """Marks of one unit must not lie on one another, and a zone takes one inscription."""
    findings = []
    for index, one in enumerate(checked):
        for other in range(index):
            first = checked[other]
            if one.face is not None and one.inscription.zone == first.inscription.zone:
                message = f"Inscription {other + 1} is in this zone already."
                findings.append(Finding("zone_taken", Severity.REFUSE, message, inscription=index))
            elif one.mark and first.mark and one.face == first.face and _touch(one.mark, first.mark):
                message = f"It would lie on inscription {other + 1}."
                findings.append(Finding("marks_overlap", Severity.REFUSE, message, inscription=index))
    return findings


def _touch(a: Mark, b: Mark) -> bool:
    first, second = (shapely.geometrycollections([*m.outline.areas, *m.outline.strokes]) for m in (a, b))
    return bool(first.intersects(second))


def _common_places(checked: Sequence[Checked]) -> tuple[frozenset[Place], list[Finding]]:
    """Places at which every mark of a face can be burned: all marks of one face are burned in one seating."""
    per_face: dict[str, frozenset[Place]] = {}
    for one in checked:
        if one.face is None or one.mark is None:
            continue
        known = per_face.get(one.face)
        per_face[one.face] = one.places if known is None else known & one.places
    findings = [
        Finding("no_common_slot", Severity.REFUSE, f"No slot can take all that is asked for on the {face}.")
        for face, places in sorted(per_face.items())
        if not places and all(one.places for one in checked if one.face == face and one.mark)
    ]
    everywhere: frozenset[Place] = frozenset().union(*per_face.values()) if per_face else frozenset()
    return everywhere, findings


def _seconds(shop: Shop, marks: Sequence[Mark], places: frozenset[Place]) -> float | None:
    """Burning time at the slowest of the eligible stations: a promise must hold wherever the job lands."""
    stations = sorted({place.station for place in places})
    times = []
    for name in stations:
        station = shop.stations[name]
        processes = [shop.process_for(name, mark.surface) for mark in marks]
        times.append(
            sum(
                mark_seconds(mark.outline, process, station)
                for mark, process in zip(marks, processes, strict=True)
                if process is not None
            )
        )
    return round(max(times), 1) if times else None
