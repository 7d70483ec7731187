"""Can these words be engraved there? Everything that stands in the way at once, and the frozen outlines."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from types import MappingProxyType
from typing import Literal

from layout.burn.estimate import mark_seconds
from layout.check.burned_findings import Burned, burned_findings, letters_to_burn
from layout.check.pair_findings import pair_findings, places_by_face, slot_findings
from layout.check.request_findings import NOTHING_TO_PLACE, asked_findings, size_asked, words_of
from layout.check.size_findings import (
    does_not_fit,
    less_room,
    limit_findings,
    module_findings,
    small_findings,
    tallest,
    too_tall_findings,
)
from layout.check.sizes import Choice, Fits, choose, usual
from layout.check.suggestions import LETTERS_TOUCH, Trial, further_apart, suggestions_for
from layout.fit.fitters import Fitter
from layout.fit.prepared_zone import Ground, ground_of
from layout.fit.region import Region
from layout.fit.straight import Binding, Fit
from layout.lettering import breaks
from layout.lettering.fonts import Font, FontRefused, open_font
from layout.lettering.text import normalise
from layout.marks.blocks import Block, artwork_block, code_block, text_block
from layout.marks.codes import NotEncodable
from layout.marks.features import LEAST_STROKE, FeatureStore, keep_hulls
from layout.marks.monogram import monogram_block
from layout.shop.blades import Zone
from layout.shop.findings import Finding, Severity, Verdict, verdict_of
from layout.shop.inscriptions import (
    Align,
    ArtworkInscription,
    CodeInscription,
    Inscription,
    MonogramInscription,
    TextInscription,
)
from layout.shop.loads import Mark, Place
from layout.shop.measure import HEIGHT_STEP_MM
from layout.shop.outline import SPLINTER_MM, Outline
from layout.shop.shop import Shop
from layout.shop.stations import Calibration, Process, Station

NOMINAL: Mapping[tuple[str, str], Calibration] = MappingProxyType({})

#: How closely an inscription is looked at. "whole": every finding and measure. Of a trial only the verdict
#: counts: how far over it is where it does not fit, from which size it would be fine and what is only worth a
#: note are not worked out; "mark": with the frozen outline, for the others on the same unit; "verdict": up to
#: where it would be burned (see Unburned), and drawn only where bounds don't show that it is drawn well.
Depth = Literal["whole", "mark", "verdict"]
#: Strokes wider than this leave ink on the frozen grid.
_CERTAINLY_INK_MM = 10 * SPLINTER_MM


@dataclass(frozen=True, slots=True)
class Unburned:
    """A mark that fits, and by which processes it may be burned: whether it can be, nobody has looked yet."""

    mark: Burned
    processes: tuple[Process, ...]


@dataclass(frozen=True, slots=True)
class Checked:
    """What the check measured of one inscription; sizes in mm, face frame. `size_mm` is the capital height,
    the width of artwork, or the module of a code. None where nothing could be placed.

    `overrun` is the outline at the size asked for where it does not fit, at the zone's anchor: a picture of
    what is wrong, never a mark. `unburned` is what of a trial is left to be judged.
    """

    inscription: Inscription
    face: str | None
    lines: tuple[str, ...] = ()
    size_mm: float | None = None
    largest_mm: float | None = None
    thinnest_stroke_mm: float | None = None
    narrowest_gap_mm: float | None = None
    line_width_mm: float = 0.0
    region: Region | None = None
    fit: Fit | None = None
    mark: Mark | None = None
    overrun: Outline | None = None
    places: frozenset[Place] = frozenset()
    unburned: Unburned | None = None

    @property
    def box_mm(self) -> tuple[float, float, float, float] | None:
        """x0, y0, x1, y1 of the mark."""
        return self.mark.outline.bounds_mm if self.mark else None

    @property
    def clearance_mm(self) -> float | None:
        """Room left between the block's hull and the region's boundary."""
        return self.fit.clearance_mm if self.fit else None

    @property
    def binding(self) -> tuple[Binding, ...]:
        """What stops the mark from being larger or elsewhere."""
        return self.fit.binding if self.fit else ()


@dataclass(frozen=True, slots=True)
class CheckResult:
    """All findings and all measurements. `marks` is complete only when the verdict is not refuse;
    `eligible` are the places at which the whole job can be engraved, per face. `stations` are those of the
    eligible places, each with the process for every mark."""

    verdict: Verdict
    findings: tuple[Finding, ...]
    inscriptions: tuple[Checked, ...] = ()
    marks: tuple[Mark, ...] = ()
    eligible: frozenset[Place] = frozenset()
    stations: tuple[tuple[Station, tuple[Process | None, ...]], ...] = ()
    worked_out_s: float | None = None

    @property
    def burn_seconds(self) -> float | None:
        """Burning time at the slowest of the eligible stations, worked out when asked for: a promise must
        hold wherever the job lands. None where nothing will be burned."""
        if self.worked_out_s is not None:
            return self.worked_out_s
        if self.verdict is Verdict.REFUSE or not self.stations:
            return None
        return round(max(self._seconds_at(*at) for at in self.stations), 1)

    def timed(self) -> CheckResult:
        """The same with its burning time worked out, which takes as long as a good part of the check: whoever
        stores it afterwards must not keep others waiting for that."""
        return replace(self, worked_out_s=self.burn_seconds)

    def _seconds_at(self, station: Station, processes: tuple[Process | None, ...]) -> float:
        return sum(
            mark_seconds(mark.outline, process, station)
            for mark, process in zip(self.marks, processes, strict=True)
            if process is not None
        )


def check(
    shop: Shop,
    sku: str,
    inscriptions: Sequence[Inscription],
    *,
    calibrations: Mapping[tuple[str, str], Calibration] = NOMINAL,
    store: FeatureStore | None = None,
) -> CheckResult:
    """Check all inscriptions of one unit of a product. Never raises for what a customer may send.

    Every suggestion of a finding was checked in place of the inscription that it is said of, with all others
    as they are, and nothing refuses it. Words whose letters touch are suggested further apart where they then
    stand apart as burned.
    """
    if sku not in shop.products:
        message = "There is no product with this sku."
        return CheckResult(Verdict.REFUSE, (Finding("unknown_product", Severity.REFUSE, message),))
    if not inscriptions:
        message = "There is nothing to engrave."
        return CheckResult(Verdict.REFUSE, (Finding("no_inscription", Severity.REFUSE, message),))

    def check_alone(inscription: Inscription) -> tuple[Checked, list[Finding]]:
        return check_one(shop, sku, inscription, calibrations=calibrations, store=store)

    def hopeless(candidate: Inscription) -> bool:
        return is_hopeless(shop, sku, candidate, store=store)

    alone = [check_alone(inscription) for inscription in inscriptions]
    checked = [result for result, _ in alone]
    findings = [finding.about(index) for index, (_, own) in enumerate(alone) for finding in own]
    findings += _together(checked)
    verdict = verdict_of(tuple(findings))
    if verdict is Verdict.REFUSE:

        def trial_with(index: int, candidate: Inscription) -> Trial:
            others = [other for at, other in enumerate(checked) if at != index]
            return trial_of(shop, sku, candidate, others=others, calibrations=calibrations, store=store)

        findings = suggestions_for(
            shop, sku, inscriptions, findings, trial_with=trial_with, is_hopeless=hopeless
        )
    else:

        def passes(index: int, candidate: Inscription) -> bool:
            if hopeless(candidate):
                return False
            trial, trial_findings = check_alone(candidate)
            others = [other for at, other in enumerate(checked) if at != index]
            now = verdict_of((*trial_findings, *_together([*others, trial])))
            own = verdict_of(tuple(finding for finding in findings if finding.inscription == index))
            return now in {Verdict.ACCEPT, own} and all(f.code != LETTERS_TOUCH for f in trial_findings)

        sizes = [result.size_mm for result in checked]
        findings = further_apart(inscriptions, sizes, findings, passes=passes)
    marks = tuple(result.mark for result in checked if result.mark is not None)
    everywhere: frozenset[Place] = frozenset().union(*places_by_face(checked).values())
    return CheckResult(
        verdict, tuple(findings), tuple(checked), marks, everywhere, _stations(shop, marks, everywhere)
    )


def check_one(
    shop: Shop,
    sku: str,
    inscription: Inscription,
    *,
    calibrations: Mapping[tuple[str, str], Calibration] = NOMINAL,
    store: FeatureStore | None = None,
    depth: Depth = "whole",
) -> tuple[Checked, list[Finding]]:
    """Check one inscription by itself; no suggestions. See Depth. Raises KeyError for an unknown product."""
    ground = ground_of(shop, sku, inscription.zone)
    if ground is None:
        blade = shop.blades[shop.products[sku].blade]
        offered = ", ".join(zone.zone for face in blade.faces for zone in face.zones)
        message = f"This product has no zone of that name; it has {offered}."
        return Checked(inscription, None), [Finding("unknown_zone", Severity.REFUSE, message)]
    findings = asked_findings(shop, ground.zone, inscription)
    unplaced = Checked(
        inscription, ground.face.face, region=ground.region, line_width_mm=ground.line_width_mm
    )
    if not ground.where:
        surface = f"{ground.surface.material}, {ground.surface.finish}"
        message = f"No station has a proven process for {surface}, and a plate for it."
        return unplaced, [*findings, Finding("no_process", Severity.REFUSE, message)]
    if any(finding.code in NOTHING_TO_PLACE for finding in findings):
        return unplaced, findings
    try:
        placed, place_findings = _place(shop, ground, unplaced, calibrations, store, depth)
    except FontRefused as error:
        return unplaced, [*findings, Finding("font_refused", Severity.REFUSE, f"{error}.")]
    except NotEncodable as error:
        message = f"It can't be a {inscription.kind}: {error}."
        return unplaced, [*findings, Finding("code_content", Severity.REFUSE, message)]
    return placed, findings + place_findings


def trial_of(
    shop: Shop,
    sku: str,
    inscription: Inscription,
    *,
    others: Sequence[Checked] = (),
    calibrations: Mapping[tuple[str, str], Calibration] = NOMINAL,
    store: FeatureStore | None = None,
) -> Trial:
    """The verdict of an inscription together with others that were checked, and by itself where there are
    none: no other than the check's, by less work. Raises KeyError for an unknown product."""
    depth: Depth = "mark" if others else "verdict"
    checked, found = check_one(shop, sku, inscription, calibrations=calibrations, store=store, depth=depth)
    if verdict_of(tuple(found)) is not Verdict.REFUSE:
        # Put last, so that whatever stands between it and the others is said of it.
        found += [f for f in _together([*others, checked]) if f.inscription == len(others)]
    verdict, unburned = verdict_of(tuple(found)), checked.unburned
    if unburned is None:
        return Trial(verdict, 0, lambda: verdict)
    mark, processes = unburned.mark, unburned.processes

    def burned() -> Verdict:
        try:
            return verdict_of((*found, *burned_findings(shop.policy, mark, processes, is_trial=True)[0]))
        except ValueError:  # rounding leaves nothing valid of it (see `outline.frozen`)
            return Verdict.REFUSE

    return Trial(verdict, letters_to_burn(shop.policy, mark, processes), burned)


def is_hopeless(shop: Shop, sku: str, inscription: Inscription, *, store: FeatureStore | None = None) -> bool:
    """Whether the check certainly refuses the inscription: by what was asked for, or because it does not even
    fit at the smallest size that would do.

    One question to the fit, where the check itself looks for the largest size and measures what is over:
    what does not fit at a height fits at no greater one. (On a curve that is no law, but the scan that finds
    the largest size begins at the same floor.)
    """
    ground = ground_of(shop, sku, inscription.zone)
    if ground is None or not ground.where:
        return True
    if verdict_of(tuple(asked_findings(shop, ground.zone, inscription))) is Verdict.REFUSE:
        return True
    limited = words_of(inscription) is not None
    fitter = ground.fitter(_align(inscription, ground.zone), limited=limited)
    lowest = max(math.ceil(ground.limits(limited=limited).min_height_mm / HEIGHT_STEP_MM - 1e-6), 1)
    least = size_asked(inscription) or round(lowest * HEIGHT_STEP_MM, 6)
    try:
        blocks = [block for group in _ways(shop, ground, inscription, store) for block in group]
    except (FontRefused, NotEncodable):
        return True
    return not any(len(block.hull) > 0 and fitter.holds(block, least) for block in blocks)


def _place(
    shop: Shop,
    ground: Ground,
    unplaced: Checked,
    calibrations: Mapping[tuple[str, str], Calibration],
    store: FeatureStore | None,
    depth: Depth,
) -> tuple[Checked, list[Finding]]:
    """Set the inscription, place it, and measure what came of it. Raises FontRefused, NotEncodable."""
    inscription = unplaced.inscription
    limited = words_of(inscription) is not None
    fitter = ground.fitter(_align(inscription, ground.zone), limited=limited)
    zone = ground.limits(limited=limited)
    size_wanted = size_asked(inscription)
    chosen, room_mm = _chosen(shop, ground, fitter, inscription, store)
    if chosen is None:
        message = "There is nothing to engrave: the words leave no mark."
        return unplaced, [Finding("empty_text", Severity.REFUSE, message)]
    block, fit, largest_mm = chosen.block, chosen.fit, chosen.largest_mm
    findings = [*limit_findings(zone, inscription, size_wanted), *less_room(ground.zone, room_mm)]
    if size_wanted is not None and not findings:
        findings += too_tall_findings(ground.zone, inscription, size_wanted, block.extent[1])
    too_small = fit is not None and size_wanted is None and fit.height_mm < zone.min_height_mm - 1e-6
    if depth != "whole" and (fit is None or too_small):
        return unplaced, [Finding("no_room", Severity.REFUSE, "It does not fit.")]
    if fit is None or too_small:
        size = size_wanted or max(zone.min_height_mm, HEIGHT_STEP_MM)
        over = fitter.overhang(block, size, largest_mm)
        findings += does_not_fit(
            inscription, lines=len(block.lines), size=size, over=over, largest=largest_mm
        )
        if fit is None:
            overrun = _sketch(fitter, block, size)
            return replace(unplaced, lines=block.lines, largest_mm=largest_mm, overrun=overrun), findings
    assert fit is not None
    if verdict_of(tuple(findings)) is not Verdict.REFUSE:
        findings += small_findings(shop.policy, inscription, fit.height_mm)
    elif depth != "whole":
        return unplaced, findings
    features, processes = block.features, [candidate.process for candidate in ground.where]
    certain = depth == "verdict" and _is_drawn_for_certain(ground, block, fit, calibrations)
    mark, places, mark_findings = (
        (None, frozenset[Place](), list[Finding]())
        if certain
        else _frozen_mark(ground, fitter, block, fit, calibrations)
    )
    outline = None if mark is None else mark.outline
    placed = Burned(inscription, block, fit.height_mm, lambda: outline or fitter.draw(block, fit))
    is_code = isinstance(inscription, CodeInscription)
    if depth == "verdict" and not is_code and (certain or mark is not None):
        unburned = Unburned(placed, tuple(processes))
        return replace(unplaced, unburned=unburned), [*findings, *mark_findings]
    if is_code:
        findings += module_findings(shop.policy, fit.height_mm, ground.line_width_mm)
    elif mark is not None:
        burned, able = burned_findings(shop.policy, placed, processes, is_trial=depth != "whole")
        findings += burned
        places = frozenset(place for place in places if place.station in able)
    return Checked(
        inscription,
        ground.face.face,
        lines=block.lines,
        size_mm=fit.height_mm,
        largest_mm=largest_mm,
        thinnest_stroke_mm=features.stroke.width * fit.height_mm if features.stroke else None,
        narrowest_gap_mm=block.gap.width * fit.height_mm if depth == "whole" and block.gap else None,
        line_width_mm=ground.line_width_mm,
        region=ground.region,
        fit=fit,
        mark=mark,
        places=places,
    ), findings + mark_findings


def _chosen(
    shop: Shop, ground: Ground, fitter: Fitter, inscription: Inscription, store: FeatureStore | None
) -> tuple[Choice | None, float | None]:
    """The way to set the inscription, at the size asked for, at its usual size or at its largest, and the
    room (mm) that it keeps where that was looked for. Raises FontRefused, NotEncodable."""
    ways = _ways(shop, ground, inscription, store)
    size_wanted, room_mm = size_asked(inscription), None
    if size_wanted is None and inscription.size == "usual" and ground.zone.usual_height_mm is not None:
        limited = words_of(inscription) is not None
        fits = Fits(ground, _align(inscription, ground.zone), limited=limited)
        chosen, room_mm = usual(fits, inscription, ways, shop.policy)
    else:
        chosen = choose(fitter, ways, size_wanted)
    if chosen is None or chosen.largest_mm is None:
        return chosen, room_mm
    most = tallest(ground.zone, inscription, chosen.block.extent[1])
    if chosen.largest_mm > most:
        fit = chosen.fit and fitter.place(chosen.block, most)
        chosen = replace(chosen, fit=fit, largest_mm=most)
    return chosen, room_mm


def _is_drawn_for_certain(
    ground: Ground, block: Block, fit: Fit, calibrations: Mapping[tuple[str, str], Calibration]
) -> bool:
    """Whether words that fit there certainly have an outline, inside the region and in reach everywhere,
    drawn or not: they fit by hulls that hold it, and strokes far wider than a splinter stay when coordinates
    are rounded."""
    stroke = block.features.stroke
    return (
        block.composition is not None
        and stroke is not None
        and stroke.width > LEAST_STROKE  # what is measured as the least may be less
        and stroke.width * fit.height_mm > _CERTAINLY_INK_MM
        and ground.reach.is_whole(calibrations)
    )


def _frozen_mark(
    ground: Ground,
    fitter: Fitter,
    block: Block,
    fit: Fit,
    calibrations: Mapping[tuple[str, str], Calibration],
) -> tuple[Mark | None, frozenset[Place], list[Finding]]:
    """Draw the placed block; find its places; report what only the outline shows."""
    outline = _drawn(fitter, block, fit)
    if outline is None or outline.is_empty:
        message = f"At {fit.height_mm:g} mm nothing is left of it when coordinates are rounded."
        return None, frozenset(), [Finding("nothing_left", Severity.REFUSE, message)]
    findings = []
    if not ground.holds(outline):
        message = "The drawn outline does not lie inside the printable region."
        findings.append(Finding("outline_outside", Severity.REFUSE, message))
    places = ground.reach.places(outline, calibrations)
    if not places:
        message = "At no slot does the mark lie inside the laser's field and its depth of focus."
        findings.append(Finding("out_of_reach", Severity.REFUSE, message))
    return Mark(ground.zone.zone, ground.face.face, ground.surface, outline), places, findings


def _align(inscription: Inscription, zone: Zone) -> Align:
    wanted = inscription.align if isinstance(inscription, TextInscription) else None
    return wanted or zone.align


def _drawn(fitter: Fitter, block: Block, fit: Fit) -> Outline | None:
    """The frozen outline; None where rounding leaves nothing valid of it (see `outline.frozen`)."""
    try:
        return fitter.draw(block, fit)
    except ValueError:
        return None


def _sketch(fitter: Fitter, block: Block, size: float) -> Outline | None:
    try:
        return fitter.sketch(block, size)
    except ValueError:
        return None


def _ways(
    shop: Shop, ground: Ground, inscription: Inscription, store: FeatureStore | None
) -> Iterator[list[Block]]:
    """The block alone; for text that may be broken, the ways to set it in its own lines, in one more, and so
    on, each set only when asked for. Raises FontRefused, NotEncodable."""
    if isinstance(inscription, TextInscription):
        font = _font_of(shop, inscription, store)
        words = normalise(inscription.text)
        align = _align(inscription, ground.zone)

        def set_in(lines: tuple[str, ...]) -> Block:
            return text_block(
                lines,
                font,
                ground.zone,
                align=align,
                text=words,
                store=store,
                letter_spacing=inscription.letter_spacing,
            )

        (own,) = breaks.choices(words, 1)
        yield [set_in(own)]
        if inscription.breaks == "as_typed":
            return
        for _, group in groupby(breaks.choices(words, ground.zone.max_lines)[1:], key=len):
            yield [set_in(lines) for lines in group]
    elif isinstance(inscription, MonogramInscription):
        frame = shop.artworks[inscription.frame] if inscription.frame else None
        font = _font_of(shop, inscription, store)
        yield [monogram_block(normalise(inscription.initials.strip()), font, frame, store=store)]
    elif isinstance(inscription, ArtworkInscription):
        yield [artwork_block(shop.artworks[inscription.artwork])]
    else:
        yield [code_block(inscription)]


def _font_of(
    shop: Shop, inscription: TextInscription | MonogramInscription, store: FeatureStore | None
) -> Font:
    font = open_font(shop.fonts[inscription.font])
    keep_hulls(font, store)
    return font


def _together(checked: Sequence[Checked]) -> list[Finding]:
    """What is wrong only because several inscriptions are on one unit."""
    return [] if len(checked) < 2 else [*pair_findings(checked), *slot_findings(checked)]


def _stations(
    shop: Shop, marks: Sequence[Mark], places: frozenset[Place]
) -> tuple[tuple[Station, tuple[Process | None, ...]], ...]:
    return tuple(
        (shop.stations[name], tuple(shop.process_for(name, mark.surface) for mark in marks))
        for name in sorted({place.station for place in places})
    )
