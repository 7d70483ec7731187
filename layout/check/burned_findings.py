"""What a process makes of a mark: findings of the shape that is burned, not of the drawing.

For each eligible process every letter is looked at by itself (artwork and monograms as a whole). A closed
counter, a bridged opening or a lost part refuses; strokes that come out bolder, and neighbours that touch,
are worth a note, for the words can still be read.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import repeat

import numpy as np
import shapely
from shapely.geometry import Polygon

from layout.burn.as_burned import How, nothing_lost_from_mm, worst_burned
from layout.check.burned_letters import (
    FLAW_HEIGHTS,
    Fault,
    Remembered,
    Shape,
    beyond_mm,
    burned_letter,
    certainly_fine,
    fill_keeps_openings,
)
from layout.check.request_findings import SIZE_WORDS
from layout.check.size_findings import stroke_findings
from layout.lettering.fonts import Font, OutlineFont
from layout.lettering.typeset import Cluster
from layout.marks.blocks import Block
from layout.marks.features import LEAST_STROKE, measured_glyph
from layout.shop.findings import Finding, Severity, Verdict, verdict_of
from layout.shop.inscriptions import Inscription, TextInscription
from layout.shop.outline import Outline
from layout.shop.shop import Policy
from layout.shop.stations import Process

#: The size from which a letter is fine is looked for upward in steps of this ratio, so many at the most: that
#: a letter is fine at one size proves nothing about another.
_GROWTH, _MOST_STEPS = 1.12, 24

_SENTENCES: dict[Fault, str] = {
    "counter_closed": "The counter{where} closes when burned: the line is {width:.3f} mm wide.",
    "slit_closed": "An opening{where} closes when burned: the line is {width:.3f} mm wide.",
    "part_lost": "A part{where} is so thin that nothing of it would be burned.",
}


@dataclass(frozen=True, eq=False)  # no slots: cached properties need a dictionary
class Burned:
    """A placed mark: what was asked for, its block, its size (mm), and how its frozen outline is drawn."""

    inscription: Inscription
    block: Block
    size_mm: float
    draw: Callable[[], Outline]

    @cached_property
    def outline(self) -> Outline:
        """Drawn when first asked for: most words are judged by their letters alone."""
        return self.draw()


def burned_findings(
    policy: Policy, mark: Burned, processes: Sequence[Process], *, is_trial: bool = False
) -> tuple[list[Finding], frozenset[str]]:
    """What is to be said, and the stations whose process can burn the mark.

    Where some can, those that can't just leave the eligible places; where none can, the process with the
    fewest faults speaks. Of a trial only the verdict counts: the first fault is enough, from which size it
    would be fine is not looked for, nor is what is only worth a note.
    """
    letters = tuple(_letters(mark))
    by_process = [
        (
            process,
            _until_refused(_of_process(policy, mark, letters, process, is_trial=is_trial), is_trial=is_trial),
        )
        for process in _distinct(processes)
    ]
    able = [entry for entry in by_process if verdict_of(tuple(entry[1])) is not Verdict.REFUSE]
    if not able:
        best = min(by_process, key=lambda entry: len(entry[1]), default=None)
        return (best[1] if best else []), frozenset(process.station for process, _ in by_process)
    by_code: dict[str, Finding] = {}
    for _, findings in able:
        for finding in findings:
            by_code.setdefault(finding.code, finding)
    if "much_bolder" in by_code:
        by_code.pop("bolder", None)
    return list(by_code.values()), frozenset(process.station for process, _ in able)


def letters_to_burn(policy: Policy, mark: Burned, processes: Sequence[Process]) -> int:
    """How many letters with hairlines must be burned to know their faults: for each process those that the
    bounds leave open. They are what a trial costs; all else is quick."""
    letters = tuple(_letters(mark))
    return sum(
        len(_doubtful(policy, mark, letters, process))
        for process in _distinct(processes)
        if not _is_plain(policy, mark, process)
    )


def _doubtful(policy: Policy, mark: Burned, letters: Sequence[_Letter], process: Process) -> list[_Letter]:
    return [letter for letter in letters if not letter.is_certainly_fine(mark.size_mm, process, policy)]


def _is_plain(policy: Policy, mark: Burned, process: Process) -> bool:
    """Whether no stroke is so thin that fill leaves it out, and no counter so narrow that it may close."""
    features, size = mark.block.features, mark.size_mm
    thin_mm = 2 * (process.edge_allowance_mm + (0.0 if process.edge_line else process.rows.spacing_mm / 2))
    return (features.stroke is None or features.stroke.width * size >= thin_mm) and (
        features.counter is None
        or features.counter.width * size >= (1 + policy.open_lines) * process.line_width_mm
    )


def _distinct(processes: Sequence[Process]) -> list[Process]:
    return list({process.process: process for process in processes}.values())


def _until_refused(findings: Iterator[Finding], *, is_trial: bool) -> list[Finding]:
    """All of the findings; of a trial those up to the first that refuses."""
    looked_at = []
    for finding in findings:
        looked_at.append(finding)
        if is_trial and finding.severity is Severity.REFUSE:
            break
    return looked_at


def _of_process(
    policy: Policy, mark: Burned, letters: Sequence[_Letter], process: Process, *, is_trial: bool
) -> Iterator[Finding]:
    features, size, width = mark.block.features, mark.size_mm, process.line_width_mm
    stroke = features.stroke.width * size if features.stroke is not None else None
    if stroke is not None and not process.burns_centre_lines:
        yield from stroke_findings(policy, features, size, width, mark.inscription)
    doubtful, faulty = _doubtful(policy, mark, letters, process), set[Fault]()
    # Files are made from the frozen outline, so it has the last word on what has a path.
    hows: list[How | None] = [None] * len(doubtful)
    if not _is_plain(policy, mark, process):
        unsure = [at for at, letter in enumerate(doubtful) if not letter.loses_nothing(process)]
        frozen_areas = _hows_burned(mark, [doubtful[at] for at in unsure], process)
        for at, frozen in zip(unsure, frozen_areas, strict=True):
            hows[at] = frozen
            if is_trial and frozen == "lost":
                yield _part_lost(mark)
                return
    for letter, how in zip(doubtful, hows, strict=True):
        if how != "lost" and letter.keeps_openings(process, policy, how):
            continue
        for fault in sorted(letter.faults(size, process, policy) - faulty):
            faulty.add(fault)  # one of each is enough to say
            fine = None if is_trial else _fine_from(letter, mark.size_mm, process, policy)
            yield _fault(fault, letter, mark, process, fine)
    if "lost" in hows and "part_lost" not in faulty:
        yield _part_lost(mark)
    if stroke is not None:
        yield from _bolder(policy, process, stroke)
    if not is_trial:
        yield from _touching(policy, mark, process)


@dataclass(frozen=True, slots=True)
class _Letter:
    """One cluster of a composition, or (without a cluster) a whole mark."""

    font: Font | None
    cluster: Cluster | None
    mark: Burned

    @property
    def span(self) -> tuple[int, int] | None:
        return self.cluster.span if self.cluster is not None else None

    @property
    def arranged(self) -> tuple[tuple[int, int, int], ...] | None:
        return _arranged(self.cluster) if self.cluster is not None else None

    def shape(self, size: float) -> Shape:
        if self.font is None or self.cluster is None:
            scale, outline = size / self.mark.size_mm, self.mark.outline
            areas = [shapely.transform(area, lambda p: p * scale) for area in outline.areas]
            strokes = [shapely.transform(stroke, lambda p: p * scale) for stroke in outline.strokes]
            return Shape(tuple(areas), tuple(strokes))
        return letter_shape(self.font, self.cluster, size)

    def is_certainly_fine(self, size: float, process: Process, policy: Policy) -> bool:
        """Whether bounds show that it has no fault; most letters are never looked at more closely."""
        glyph = self._glyph
        return glyph is not None and certainly_fine(*glyph, size, process, open_lines=policy.open_lines)

    def loses_nothing(self, process: Process) -> bool:
        """Whether its strokes are wide enough to show that no part of it is lost."""
        font, enough = self.font, nothing_lost_from_mm(process) / self.mark.size_mm
        if self.cluster is None or not isinstance(font, OutlineFont) or enough == math.inf:
            return False
        strokes = [measured_glyph(font, glyph.gid).stroke_up_to(enough) for glyph in self.cluster.glyphs]
        # What is measured as the least may be less.
        return all(stroke is None or (stroke >= enough and stroke > LEAST_STROKE) for stroke in strokes)

    def keeps_openings(self, process: Process, policy: Policy, how: How | None) -> bool:
        """Whether it certainly keeps its counters and openings in the mark: where fill alone burns it, by its
        bounds; however it is burned, by what the word's narrowest counter has in hand, and by what half a
        line around all of the letter does. `how` it is burned, where that is known."""
        size = self.mark.size_mm
        is_fine_filled = self._is_fine_filled(size, process, policy)
        if is_fine_filled and how == "filled":
            return True
        counter = self.mark.block.features.counter
        is_wide = counter is None or counter.width * size >= (1 + policy.open_lines) * process.line_width_mm
        return is_wide and self._remembered(size, process).keeps_apart(is_fine_filled=is_fine_filled)

    def _is_fine_filled(self, size: float, process: Process, policy: Policy) -> bool:
        """Whether it certainly has no fault where fill alone burns it."""
        glyph = self._glyph
        return glyph is not None and fill_keeps_openings(*glyph, size, process, open_lines=policy.open_lines)

    @property
    def _glyph(self) -> tuple[OutlineFont, int] | None:
        """The one glyph that it consists of, where bounds are known of it."""
        font, cluster = self.font, self.cluster
        if not isinstance(font, OutlineFont) or cluster is None or len(cluster.glyphs) != 1:
            return None
        return font, cluster.glyphs[0].gid

    def faults(self, size: float, process: Process, policy: Policy) -> frozenset[Fault]:
        """What is wrong with it when burned."""
        is_fine_filled = self._is_fine_filled(size, process, policy)
        return self._remembered(size, process).faults(policy.open_lines, is_fine_filled=is_fine_filled)

    def _remembered(self, size: float, process: Process) -> Remembered:
        key: object
        if self.font is None or self.cluster is None:
            key = (self.mark.outline.digest, round(size / self.mark.size_mm, 9))
        else:
            key = self.font.spec.identity, round(size, 6), _arranged(self.cluster)
        return Remembered(key, lambda: self.shape(size), process)


def letter_shape(font: Font, cluster: Cluster, size: float) -> Shape:
    """A cluster's areas and strokes (mm) at a capital height, in the composition's own place."""
    areas, strokes = [], []
    for glyph in cluster.glyphs:
        at = np.array([glyph.x, glyph.y])

        def move(points: np.ndarray, at: np.ndarray = at) -> np.ndarray:
            return np.asarray((points + at) * size)

        def move_stroke(points: np.ndarray, at: np.ndarray = at) -> np.ndarray:
            return np.asarray((points / font.capital_height + at) * size)

        areas += [shapely.transform(shape.area, move) for shape in font.shapes(glyph.gid, size)]
        strokes += [shapely.transform(stroke, move_stroke) for stroke in font.strokes_of(glyph.gid)]
    if len(cluster.glyphs) > 1 and len(areas) > 1:
        areas = [part for part in shapely.get_parts(shapely.union_all(areas)) if part.area > 0]
    return Shape(tuple(areas), tuple(strokes), FLAW_HEIGHTS * size)


def _letters(mark: Burned) -> Iterator[_Letter]:
    """Every letter once, however often it stands there."""
    composition = mark.block.composition
    if composition is None:
        yield _Letter(None, None, mark)
        return
    measured_glyphs = set()
    for cluster in composition.clusters:
        if not cluster.glyphs:
            continue
        glyphs = _arranged(cluster)
        if glyphs in measured_glyphs or not any(map(len, composition.font.hulls([g[0] for g in glyphs]))):
            continue
        measured_glyphs.add(glyphs)
        yield _Letter(composition.font, cluster, mark)


def _hows_burned(mark: Burned, letters: Sequence[_Letter], process: Process) -> Iterator[How]:
    """How the frozen areas of each of some letters are burned, wherever it stands; all areas of the mark
    where it can't be told which are its own, because letters met and were merged."""
    areas, composition = mark.outline.areas, mark.block.composition
    if composition is not None:
        drawn = [
            (shape.corners, _arranged(cluster))
            for cluster in composition.clusters
            for glyph in cluster.glyphs
            for shape in composition.font.shapes(glyph.gid, mark.size_mm)
        ]
        if [corners for corners, _ in drawn] == shapely.get_num_coordinates(areas).tolist():
            own: dict[object, list[Polygon]] = {}
            for area, (_, arranged) in zip(areas, drawn, strict=True):
                own.setdefault(arranged, []).append(area)
            yield from (worst_burned(own.get(letter.arranged, ()), process) for letter in letters)
            return
    if letters:
        yield from repeat(worst_burned(areas, process), len(letters))


def _arranged(cluster: Cluster) -> tuple[tuple[int, int, int], ...]:
    """A cluster's glyphs and how they lie to one another."""
    base = cluster.glyphs[0]
    if len(cluster.glyphs) == 1:
        return ((base.gid, 0, 0),)
    return tuple((g.gid, round((g.x - base.x) * 1e5), round((g.y - base.y) * 1e5)) for g in cluster.glyphs)


def _fault(fault: Fault, letter: _Letter, mark: Burned, process: Process, fine: float | None) -> Finding:
    """What is wrong with a letter, and the size `fine` (mm) from which it would not be."""
    span = letter.span if isinstance(mark.inscription, TextInscription) else None
    where = f" of character {span[0] + 1}" if span else ""
    message = _SENTENCES[fault].format(where=where, width=process.line_width_mm)
    if fine is not None:
        message += f" It works at a {SIZE_WORDS[mark.inscription.kind]} of {fine:.2f} mm or more."
    return Finding(fault, Severity.REFUSE, message, span=span, measured=mark.size_mm, limit=fine, unit="mm")


def _part_lost(mark: Burned) -> Finding:
    message = "A part is so thin that nothing of it would be burned."
    return Finding("part_lost", Severity.REFUSE, message, measured=mark.size_mm, unit="mm")


def _fine_from(letter: _Letter, size: float, process: Process, policy: Policy) -> float | None:
    """A size above at which the letter has no fault; None where none was found."""
    for _ in range(_MOST_STEPS):
        size = round(size * _GROWTH + 0.005, 2)
        if letter.is_certainly_fine(size, process, policy):
            return size
        if not letter.faults(size, process, policy):
            return size
    return None


def _bolder(policy: Policy, process: Process, stroke_mm: float) -> Iterator[Finding]:
    """How many times as wide as drawn the thinnest stroke is burned."""
    width, allowance = process.line_width_mm, process.edge_allowance_mm
    burned = width if stroke_mm < 2 * allowance else stroke_mm - 2 * allowance + width
    bolder = burned / stroke_mm
    if bolder <= policy.bolder_note:
        return
    is_much = bolder > policy.bolder_review
    message = (
        f"The thinnest stroke is drawn {stroke_mm:.3f} mm wide and burned {burned:.3f} mm wide: "
        f"{bolder:.1f} times as bold."
    )
    yield Finding(
        "much_bolder" if is_much else "bolder",
        Severity.REVIEW if is_much else Severity.NOTE,
        message,
        measured=burned,
        limit=policy.bolder_review * stroke_mm if is_much else stroke_mm,
        unit="mm",
    )


def _touching(policy: Policy, mark: Burned, process: Process) -> Iterator[Finding]:
    """Neighbours that stand apart in the drawing and touch when burned."""
    gap, composition = mark.block.gap, mark.block.composition
    if gap is None or composition is None or gap.width * mark.size_mm >= process.line_width_mm:
        return
    first, last = gap.span
    pair = [c for c in composition.clusters if c.glyphs and first <= c.span[0] and c.span[1] <= last]
    letters = [_Letter(composition.font, cluster, mark) for cluster in pair]
    apart_mm = gap.width * mark.size_mm
    if apart_mm > 2 * beyond_mm(mark.size_mm, process) and all(
        letter.is_certainly_fine(mark.size_mm, process, policy) for letter in letters
    ):
        return
    # Remembered letters lie where they were met first; these are burned where they stand.
    shapes = [
        burned_letter(
            letter_shape(composition.font, cluster, mark.size_mm), process, open_lines=policy.open_lines
        ).shape
        for cluster in pair
    ]
    if not any(a.intersects(b) for at, a in enumerate(shapes) for b in shapes[at + 1 :]):
        return
    message = f"Characters {first + 1} to {last} touch when burned; they are {apart_mm:.3f} mm apart."
    yield Finding(
        "letters_touch",
        Severity.NOTE,
        message,
        span=gap.span,
        measured=apart_mm,
        limit=process.line_width_mm,
        unit="mm",
    )
