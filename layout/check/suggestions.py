"""What could be engraved instead: inscriptions that the same check accepts, and nothing else."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from difflib import SequenceMatcher
from functools import lru_cache
from itertools import combinations, pairwise

from layout.check.request_findings import WRONG_WORDS, size_asked, words_of
from layout.check.size_findings import fine_from
from layout.lettering import breaks
from layout.lettering.fonts import suggest
from layout.lettering.text import LINE_FEED, graphemes, normalise, plain_words
from layout.shop.blades import Zone
from layout.shop.findings import Finding, Severity, Verdict
from layout.shop.inscriptions import (
    ArtworkInscription,
    CodeInscription,
    Inscription,
    MonogramInscription,
    TextInscription,
)
from layout.shop.shop import Policy, Shop

MOST_SUGGESTIONS = 3
#: A budget of work, counted so that the same request always gets the same answer: so many candidates are
#: checked whole, and so many more are seen to be hopeless by their bounds. What comes after is left out.
MOST_TRIED = 5
MOST_HOPELESS = 12
#: Of those checked whole so many letters with hairlines are burned, the first candidate's however many they
#: are: each costs as much as all else that is checked of a word.
MOST_BURNED = 12
#: Said of a refusal with fewer suggestions than there may be.
_MORE = " There may be other ways; not all of them were looked at."

#: What the largest size of the same words, in their own lines, may do away with.
_TOO_LARGE = frozenset({"too_long", "too_tall", "no_room", "above_largest"})
#: What breaking a line may do away with.
_BROKEN = frozenset({"too_long", "too_tall", "no_room"})
#: What fewer words may do away with.
_TOO_MUCH = frozenset({"too_long", "too_tall", "no_room", "too_many_characters"})
#: What another zone does away with, and nothing in this one.
_ELSEWHERE = frozenset({"unknown_zone", "zone_taken", "kind_not_offered"})
#: What a smaller size may do away with.
_SMALLER = frozenset({"marks_overlap", "no_common_slot", "out_of_reach"})
_SHARES = (0.75, 0.5)
#: So many ways to join lines are offered, and lines so many at the most are joined other than into one.
_MOST_WAYS, _MOST_JOINED = 2, 12
#: What another font, mark, frame or kind of code may do away with.
_OTHERWISE = frozenset(
    {
        "unknown_font",
        "font_not_offered",
        "font_refused",
        "missing_glyph",
        "unknown_artwork",
        "code_content",
        "too_long",
        "too_tall",
        "no_room",
        "stroke_too_thin",
        "counter_closed",
        "slit_closed",
        "part_lost",
        "module_too_small",
    }
)

#: What words further apart may do away with.
LETTERS_TOUCH = "letters_touch"
#: The distance that is missing is tried, then twice that: slanted letters part by less than they are moved.
#: More than this, in capital heights, would look like another font.
_TIMES, _MOST_APART = (1, 2), 0.2


@dataclass(frozen=True, slots=True)
class Trial:
    """What is known of the whole request with a candidate in place of what was asked for: the verdict before
    its letters are burned, how many must be burned to know more, and the verdict then, which is never better.
    """

    verdict: Verdict
    letters: int
    burned: Callable[[], Verdict]


#: The trial of a candidate put in place of an inscription (by its index).
TrialWith = Callable[[int, Inscription], Trial]
#: Whether an inscription is certainly refused, by much less work than its check.
IsHopeless = Callable[[Inscription], bool]


def suggestions_for(
    shop: Shop,
    sku: str,
    inscriptions: Sequence[Inscription],
    findings: Sequence[Finding],
    *,
    trial_with: TrialWith,
    is_hopeless: IsHopeless,
) -> list[Finding]:
    """The findings, the first refusing one of each inscription with up to MOST_SUGGESTIONS inscriptions.

    None of them is refused in the whole request; those that a person would still have to look at come last.
    Where there are fewer because the budget of work was spent, the finding says that more may pass.
    """
    with_suggestions = list(findings)
    for index, inscription in enumerate(inscriptions):
        refusing = [
            at
            for at, finding in enumerate(with_suggestions)
            if finding.inscription == index and finding.severity is Severity.REFUSE
        ]
        if not refusing:
            continue
        about = [with_suggestions[at] for at in refusing]
        wanted = _candidates(shop, sku, inscription, about, frozenset(i.zone for i in inscriptions))
        search = _Search(index, trial_with, is_hopeless)
        passing = search.passing(inscription, wanted)
        if not passing and {finding.code for finding in about} & _TOO_MUCH:
            passing = search.passing(inscription, _shortened(shop, inscription))
        first = with_suggestions[refusing[0]]
        more = _MORE if search.has_left_out and len(passing) < MOST_SUGGESTIONS else ""
        with_suggestions[refusing[0]] = replace(first, message=first.message + more, suggestions=passing)
    return with_suggestions


def further_apart(
    inscriptions: Sequence[Inscription],
    sizes_mm: Sequence[float | None],
    findings: Sequence[Finding],
    *,
    passes: Callable[[int, Inscription], bool],
) -> list[Finding]:
    """The findings; those of letters that touch suggest the same words a little further apart, if that
    passes."""
    with_suggestions = list(findings)
    for at, finding in enumerate(findings):
        index = finding.inscription or 0
        inscription, size_mm = inscriptions[index], sizes_mm[index]
        if finding.code != LETTERS_TOUCH or not isinstance(inscription, TextInscription) or not size_mm:
            continue
        for spacing in _spacings(finding, size_mm):
            wider = replace(inscription, letter_spacing=round(inscription.letter_spacing + spacing, 2))
            if wider.letter_spacing <= _MOST_APART and passes(index, wider):
                with_suggestions[at] = replace(finding, suggestions=(wider,))
                break
    return with_suggestions


def _spacings(finding: Finding, size_mm: float) -> list[float]:
    """How far letters that touch are moved apart, in capital heights."""
    assert finding.limit is not None and finding.measured is not None
    least = math.ceil(100 * (finding.limit - finding.measured) / size_mm) / 100
    return [times * least for times in _TIMES]


class _Search:
    """The search for inscriptions that pass in place of one, by its index, within the budget of work."""

    def __init__(self, index: int, trial_with: TrialWith, is_hopeless: IsHopeless) -> None:
        self._index, self._trial_with, self._is_hopeless = index, trial_with, is_hopeless
        self._burned = 0
        #: Whether the budget left out something that may pass.
        self.has_left_out = False

    def passing(self, inscription: Inscription, candidates: Iterable[Inscription]) -> tuple[Inscription, ...]:
        """Up to MOST_SUGGESTIONS that pass, accepted ones first. Letters are burned only of those that would
        be among them."""
        accepted: list[Inscription] = []
        to_review: list[tuple[Inscription, Trial | None]] = []  # without a trial: burned already
        already_tried = {inscription}
        tried = hopeless = 0
        for candidate in candidates:
            if len(accepted) == MOST_SUGGESTIONS:
                break
            if candidate in already_tried:
                continue
            if tried == MOST_TRIED or hopeless == MOST_HOPELESS:
                self.has_left_out = True
                break
            already_tried.add(candidate)
            if self._is_hopeless(candidate):
                hopeless += 1
                continue
            tried += 1
            trial = self._trial_with(self._index, candidate)
            if trial.verdict is Verdict.REVIEW:
                to_review.append((candidate, trial))
            elif (verdict := self._verdict(trial)) is Verdict.ACCEPT:
                accepted.append(candidate)
            elif verdict is Verdict.REVIEW:
                to_review.append((candidate, None))
        return (*accepted, *self._to_be_seen(to_review, MOST_SUGGESTIONS - len(accepted)))

    def _to_be_seen(
        self, to_review: Sequence[tuple[Inscription, Trial | None]], most: int
    ) -> list[Inscription]:
        """Up to so many of those that a person must look at, those that cost the least; in their order."""
        passing: list[Inscription] = []
        for candidate, unburned in sorted(to_review, key=lambda entry: bool(entry[1] and entry[1].letters)):
            if len(passing) == most:
                break
            if unburned is None or self._verdict(unburned) is not Verdict.REFUSE:
                passing.append(candidate)
        return [candidate for candidate, _ in to_review if candidate in passing]

    def _verdict(self, trial: Trial) -> Verdict:
        """The verdict once burned; refused, too, where that would cost more than is left."""
        if trial.verdict is Verdict.REFUSE:
            return Verdict.REFUSE
        if self._burned and trial.letters and self._burned + trial.letters > MOST_BURNED:
            self.has_left_out = True
            return Verdict.REFUSE
        verdict = trial.burned()
        if verdict is not Verdict.REFUSE:  # a refusal is seen at the first letter that has a fault
            self._burned += trial.letters
        return verdict


def _candidates(
    shop: Shop, sku: str, inscription: Inscription, about: Sequence[Finding], taken: frozenset[str]
) -> Iterator[Inscription]:
    """Other words where the words are at fault; then other sizes, other fonts, other zones of the product."""
    codes = {finding.code for finding in about}
    zones = [zone for face in shop.blades[shop.products[sku].blade].faces for zone in face.zones]
    here = next((zone for zone in zones if zone.zone == inscription.zone), None)
    free = [zone for zone in zones if zone is not here and zone.zone not in taken]
    if codes & WRONG_WORDS:
        wordings = _rewordings(inscription, here, shop.policy)
        if not wordings:
            for zone in free:
                for wording in _rewordings(inscription, zone, shop.policy):
                    yield from _in_zones(shop, wording, [zone])
            return
        yield from wordings
        inscription = wordings[0]
    if here is None or codes & _ELSEWHERE:
        yield from _in_zones(shop, inscription, _nearest(inscription.zone, free))
        return
    if codes & _BROKEN:
        yield from _rebroken(here, inscription)
    yield from (_sized(inscription, size) for size in _sizes(shop, here, inscription, about))
    if codes & _TOO_LARGE:
        yield replace(_sized(inscription, None), size="largest")
    yield _sized(inscription, None)
    if codes & _OTHERWISE:
        yield from _otherwise(shop, here, inscription)
    yield from _in_zones(shop, inscription, free)
    if "missing_glyph" in codes:
        yield from _without_missing(inscription, about)


def _rewordings(inscription: Inscription, here: Zone | None, policy: Policy) -> list[Inscription]:
    """The words without what can't be engraved, their lines joined where the zone takes fewer, and broken
    where one is longer than the shop takes; none where that changes or leaves nothing."""
    if not isinstance(inscription, TextInscription):
        wording = _reworded(inscription)
        return [wording] if wording is not None else []
    typed = normalise(inscription.text) if not _is_torn(inscription.text) else inscription.text
    words = plain_words(inscription.text)
    wordings = [words]
    if here is not None and words.count(LINE_FEED) >= here.max_lines:
        wordings = _joined(words.split(LINE_FEED), here.max_lines)
    elif here is not None and not _is_taken(words, policy):
        wordings = [way for way in map(LINE_FEED.join, _even_ways(words, here)) if _is_taken(way, policy)]
    return [replace(inscription, text=wording) for wording in wordings if wording not in {"", typed}]


def _is_taken(words: str, policy: Policy) -> bool:
    """Whether the shop takes so many characters, in all and in each line."""
    longest = max(len(graphemes(line)) for line in words.split(LINE_FEED))
    return len(graphemes(words)) <= policy.max_graphemes and longest <= policy.max_graphemes_per_line


def _shortened(shop: Shop, inscription: Inscription) -> Iterator[Inscription]:
    """The last resort for words that can't stand there as they are: the first of them, as many as the shop
    takes in a line, and three, two and one quarters of that. No word is cut."""
    if not isinstance(inscription, TextInscription):
        return
    every = plain_words(inscription.text).split()
    for quarters in (4, 3, 2, 1):
        most = shop.policy.max_graphemes_per_line * quarters // 4
        kept = [word for at, word in enumerate(every) if len(graphemes(" ".join(every[: at + 1]))) <= most]
        if kept:
            yield replace(inscription, text=" ".join(kept), height_mm=None)


def _is_torn(text: str) -> bool:
    """Whether it holds half of a character, which no normal form is defined for."""
    return any("\ud800" <= char <= "\udfff" for char in text)


def _joined(lines: Sequence[str], most: int) -> list[str]:
    """Neighbouring lines joined until there are at most so many: the ways with the shortest longest line."""
    kept = [line.strip() for line in lines if line.strip()]
    most = min(most, len(kept))
    if most <= 0 or len(kept) > _MOST_JOINED:
        return [" ".join(kept)]
    ways = []
    for cuts in combinations(range(1, len(kept)), most - 1):
        ends = (0, *cuts, len(kept))
        ways.append([" ".join(kept[a:b]) for a, b in pairwise(ends)])
    ways.sort(key=lambda way: max(map(len, way)))
    return [LINE_FEED.join(way) for way in ways[:_MOST_WAYS]]


def _rebroken(here: Zone, inscription: Inscription) -> Iterator[Inscription]:
    """The words with line breaks that nobody typed yet, for the buyer to see and to take: for each number of
    lines the most even way, at the size asked for and at the zone's own."""
    if not isinstance(inscription, TextInscription) or inscription.breaks != "as_typed":
        return
    for way in _even_ways(normalise(inscription.text), here):
        broken = replace(inscription, text=LINE_FEED.join(way))
        yield broken
        if size_asked(broken) is not None:
            yield _sized(broken, None)


def _even_ways(words: str, here: Zone) -> list[tuple[str, ...]]:
    """Words with more line breaks than were typed: for each number of lines the most even way."""
    ways: dict[int, tuple[str, ...]] = {}
    for way in breaks.choices(words, here.max_lines)[1:]:
        if len(way) not in ways or max(map(len, way)) < max(map(len, ways[len(way)])):
            ways[len(way)] = way
    return [way for _, way in sorted(ways.items())]


def _reworded(inscription: Inscription) -> Inscription | None:
    """Initials or a code's content without what can't be engraved; None where that changes or leaves
    nothing."""
    if isinstance(inscription, MonogramInscription):
        letters = (c for c in graphemes(normalise(plain_words(inscription.initials))) if c[0].isalnum())
        initials = "".join(letters)
        return replace(inscription, initials=initials) if initials not in {"", inscription.initials} else None
    if isinstance(inscription, CodeInscription):
        content = plain_words(inscription.content).replace(LINE_FEED, "")
        return replace(inscription, content=content) if content not in {"", inscription.content} else None
    return None


def _without_missing(inscription: Inscription, about: Sequence[Finding]) -> Iterator[Inscription]:
    """The last resort: the words without the characters that no font here has."""
    gone = {at for f in about if f.code == "missing_glyph" and f.span for at in range(*f.span)}
    if not isinstance(inscription, TextInscription):
        return
    kept = [c for at, c in enumerate(graphemes(normalise(inscription.text))) if at not in gone]
    words = "\n".join(" ".join(line.split()) for line in "".join(kept).split(LINE_FEED)).strip()
    if words:
        yield replace(inscription, text=words)


def _sizes(shop: Shop, here: Zone, inscription: Inscription, about: Sequence[Finding]) -> list[float]:
    """Sizes that may do away with what was found, the nearest to the one asked for first."""
    sizes: list[float] = []
    size_wanted = size_asked(inscription)
    if size_wanted is not None:
        fine = [size for finding in about if (size := fine_from(finding, size_wanted)) is not None]
        sizes += [max(fine)] if fine else []
    codes = {finding.code for finding in about}
    if "below_smallest" in codes:
        sizes += [max(here.min_height_mm, shop.policy.review_height_mm), here.min_height_mm]
    if codes & _SMALLER:
        before = size_wanted or here.max_height_mm
        sizes += [round(before * share, 1) for share in _SHARES]
    return sizes


def _otherwise(shop: Shop, here: Zone, inscription: Inscription) -> Iterator[Inscription]:
    """The same zone at its largest, with another font, mark or kind of code."""
    whole = _sized(inscription, None)
    if isinstance(whole, MonogramInscription) and whole.frame is not None:
        frames = [name for name, artwork in shop.artworks.items() if artwork.use == "frame"]
        if whole.frame not in frames:
            yield from (replace(whole, frame=frame) for frame in _alike(whole.frame, frames)[:2])
            yield replace(whole, frame=None)
            return
    if isinstance(whole, TextInscription | MonogramInscription):
        yield from (replace(whole, font=font) for font in _fonts(shop, here, whole))
    elif isinstance(whole, ArtworkInscription):
        marks = [name for name, artwork in shop.artworks.items() if artwork.use != "frame"]
        yield from (replace(whole, artwork=mark) for mark in _alike(whole.artwork, marks)[:2])
    else:
        yield replace(whole, symbology="qr" if whole.symbology == "datamatrix" else "datamatrix")


def _in_zones(shop: Shop, inscription: Inscription, zones: Iterable[Zone]) -> Iterator[Inscription]:
    """The same in other zones that take it: as asked for and at its largest, in a font that they offer.

    Zones with a curved baseline come last: the largest size on a curve takes long to find.
    """
    for zone in sorted(zones, key=lambda zone: not zone.baseline.is_straight):
        if inscription.kind not in zone.kinds:
            continue
        moved = replace(inscription, zone=zone.zone)
        if isinstance(moved, TextInscription | MonogramInscription) and moved.font not in zone.fonts:
            moved = next((replace(moved, font=font) for font in _fonts(shop, zone, moved)), moved)
        yield moved
        if size_asked(moved) is not None:
            yield _sized(moved, None)


def _sized(inscription: Inscription, size: float | None) -> Inscription:
    if isinstance(inscription, TextInscription | MonogramInscription):
        return replace(inscription, height_mm=size)
    if isinstance(inscription, ArtworkInscription):
        return replace(inscription, width_mm=size)
    return replace(inscription, cell_mm=size)


def _fonts(shop: Shop, zone: Zone, inscription: TextInscription | MonogramInscription) -> Iterator[str]:
    """Fonts of the zone that have every character: those of the asked font's style first, then by how much
    their names are like its own. Each is opened only when it is asked for."""
    wanted = inscription.font
    style = shop.fonts[wanted].style if wanted in shop.fonts else ""
    words = normalise(words_of(inscription) or "")
    offered = [font for font in zone.fonts if font in shop.fonts]
    for font in sorted(_alike(wanted, offered), key=lambda font: shop.fonts[font].style != style):
        yield from suggest(words, shop.fonts, (font,))


def _nearest(name: str, zones: Sequence[Zone]) -> list[Zone]:
    order = _alike(name, [zone.zone for zone in zones])
    return sorted(zones, key=lambda zone: order.index(zone.zone))


def _alike(name: str, names: Sequence[str]) -> list[str]:
    """Names by how much they are like the one given, which is not among them any more."""
    return sorted((other for other in names if other != name), key=lambda other: -_likeness(name, other))


@lru_cache(maxsize=4096)
def _likeness(name: str, other: str) -> float:
    """How much two names are alike, from 0 to 1; shops have few names, and refusals ask again and again."""
    return SequenceMatcher(None, name, other).ratio()
