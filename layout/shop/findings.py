"""What a check has to say: findings are data, all of them at once, never exceptions.

A caller switches on a finding's `code`; every code that exists is listed here with its severity and meaning.
One finding that refuses makes the whole verdict `refuse`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType

from layout.shop.inscriptions import Inscription


class Severity(StrEnum):
    """How much a finding weighs: `refuse` beats `review` beats `note`."""

    REFUSE = "refuse"
    REVIEW = "review"
    NOTE = "note"


class Verdict(StrEnum):
    ACCEPT = "accept"
    REVIEW = "review"
    REFUSE = "refuse"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing a check has to say.

    `inscription` is the index of the inscription in the request, `span` a half-open range of
    grapheme clusters of its NFC text. `measured` and `limit` are in `unit`. Every suggestion is
    an inscription that the same check accepts. `for_desk` is for the shop's own people alone: neither stores
    nor buyers are told.
    """

    code: str
    severity: Severity
    message: str
    inscription: int | None = None
    span: tuple[int, int] | None = None
    measured: float | None = None
    limit: float | None = None
    unit: str | None = None
    suggestions: tuple[Inscription, ...] = ()
    for_desk: str | None = None

    def about(self, inscription: int) -> Finding:
        """The same finding about the inscription with this index."""
        return replace(self, inscription=inscription)


def verdict_of(findings: tuple[Finding, ...]) -> Verdict:
    """The verdict that a set of findings amounts to."""
    severities = {finding.severity for finding in findings}
    if Severity.REFUSE in severities:
        return Verdict.REFUSE
    if Severity.REVIEW in severities:
        return Verdict.REVIEW
    return Verdict.ACCEPT


@dataclass(frozen=True, slots=True)
class Meaning:
    """Severity and meaning of one finding code, the same wherever it occurs."""

    severity: Severity
    meaning: str


def _refusing(meanings: dict[str, str]) -> dict[str, Meaning]:
    return {code: Meaning(Severity.REFUSE, meaning) for code, meaning in meanings.items()}


#: Every code that a check can say, with severity and meaning. The set is closed: callers may switch on it.
CHECK_CODES: Mapping[str, Meaning] = MappingProxyType(
    _refusing(
        {
            # What was asked for is not there, or not there for this product.
            "unknown_product": "There is no product with the sku.",
            "no_inscription": "The request holds no inscription.",
            "unknown_zone": "The product has no zone of that name.",
            "kind_not_offered": "The zone does not take this kind of inscription.",
            "unknown_font": "The shop has no font of that name.",
            "font_not_offered": "The zone does not offer the font.",
            "font_refused": "The font can't draw these words, or can't be used at all.",
            "unknown_artwork": "The shop's library has no mark, or no frame, of that name.",
            "no_process": "No station with a plate for the blade has a proven process for the surface.",
            # The words themselves.
            "empty_text": "There is nothing to engrave: no words, or words that leave no mark.",
            "lone_surrogate": "The words hold half of a character; nothing else can be said of them.",
            "control_character": "A control character.",
            "bidi_control": "An invisible control of the reading direction.",
            "zero_width": "A character that is invisible and takes no room.",
            "private_character": "A private-use character, which means something else in every font.",
            "unassigned_character": "A code point that is no character yet.",
            "replacement_character": "The sign for a character that was lost on the way.",
            "lone_mark": "A mark with no letter to stand on.",
            "overloaded_character": "A letter with more marks than any language has.",
            "look_alike": "A letter of another alphabet that can't be told from the word's own.",
            "missing_glyph": "Characters that the font does not have.",
            "too_many_characters": "More characters than the shop or the zone takes, in all or in one line.",
            "character_not_offered": "Characters of a kind that the zone does not take.",
            "words_not_taken": "The shop does not engrave these words; which and why is not said to stores.",
            "too_many_lines": "More lines of the buyer's own than the zone takes.",
            "initials_count": "A monogram of no or of more than three initials.",
            "code_content": "The content is empty or does not go into the code.",
            # The size, and what it means on metal.
            "size_out_of_range": "The size asked for is no finite number above 0, or beyond any blade.",
            "above_largest": "Larger than the zone takes.",
            "below_smallest": "Smaller than what can be read in the zone.",
            "too_long": "Too long along the baseline; `measured` is by how many mm.",
            "too_tall": "Too tall across the baseline; `measured` is by how many mm.",
            "no_room": "The shape of the zone leaves no room, though its length and height would.",
            "stroke_too_thin": "A stroke thinner than the laser's line can make.",
            "counter_closed": "A hole in a letter of which too little stays open when burned.",
            "slit_closed": "An opening of a letter that is bridged or filled when burned.",
            "part_lost": "A part of a letter so thin that nothing of it would be burned.",
            "module_too_small": "A code's modules smaller than the laser's line can make.",
            "nothing_left": "At this size nothing is left of the mark.",
            "outline_outside": "The drawn outline does not lie inside the region, though its hull does.",
            "out_of_reach": "At no slot does the mark lie inside the laser's field and its depth of focus.",
            # Several inscriptions on one unit.
            "zone_taken": "Another inscription of the request is in the zone already.",
            "marks_overlap": "The mark would meet another one, or come nearer to it than a line's width.",
            "no_common_slot": "No slot can take all that is asked for on one face.",
        }
    )
    | {
        "words_to_review": Meaning(
            Severity.REVIEW, "A person of the shop looks at these words; why is not said to stores."
        ),
        "mixed_alphabets": Meaning(
            Severity.REVIEW, "One word visibly mixes alphabets; a person looks at it."
        ),
        "bolder": Meaning(Severity.NOTE, "Strokes come out bolder than they were drawn."),
        "much_bolder": Meaning(Severity.REVIEW, "Strokes come out bolder than the shop does unseen."),
        "letters_touch": Meaning(Severity.NOTE, "Two letters that stand apart touch when burned."),
        "less_room": Meaning(
            Severity.NOTE, "Nearer to the zone's edge than is usual; `measured` is the room."
        ),
        "small_capitals": Meaning(Severity.REVIEW, "Readable, but so small that a person looks at it first."),
    }
)

#: Every code that the judge of loads (`layout.judge.load`) can say. All of them refuse.
JUDGE_CODES: Mapping[str, Meaning] = MappingProxyType(
    _refusing(
        {
            "unknown_station": "The load's station is not the shop's.",
            "unknown_plate": "The load's plate is not the shop's.",
            "plate_not_mountable": "The station can't mount the plate.",
            "unknown_copy": "The plate has no such copy.",
            "wrong_calibration": "The calibration is of another station or copy.",
            "turn_twice": "Two turns bear one number.",
            "slot_twice": "Two units in one slot.",
            "job_twice": "One job in several slots of a turn.",
            "face_twice": "A job's face would be burned more than once.",
            "already_burned": "The face is on the metal already.",
            "wrong_product": "A job is of one product here and of another there.",
            "job_or_lot": "A slot holds neither a job nor a lot, or both.",
            "wrong_blade": "The product is not of that blade.",
            "wrong_face": "The blade has no such face, or the mark belongs on another.",
            "lot_not_bare": "A blade that is not bare is in a lot.",
            "unknown_slot": "The plate has no such slot.",
            "wrong_slot": "The slot does not take the blade with that face up.",
            "not_eligible": "Acceptance did not allow this place.",
            "no_marks": "There is nothing to burn in the slot.",
            "no_process": "The station has no proven process for the mark's surface.",
            "empty_mark": "A mark without any geometry.",
            "outside_zone": "At the worst seating the mark leaves its zone; `measured` is the clearance.",
            "outside_field": "The mark leaves the station's field.",
            "burns_nothing": "An area narrower than twice the edge allowance, of which nothing would burn.",
            "marks_overlap": "Two marks of one face would burn the same metal twice.",
            "out_of_focus": "A mark's surface is farther from the turn's focus than its process allows.",
            "not_readable": "The judge can't read the written file.",
            "unburned": "A part of an approved mark is not in the written file.",
            "rows_missing": "A row of a mark's fill is not in the written file.",
            "burns_beside": "The written file burns beside an approved outline.",
            "burns_elsewhere": "The written file burns where no mark is.",
            "counter_closed": "A counter is closed by the lines of the written file.",
            "zones_touch": "Marks of two zones touch as burned; `measured` is between their paths.",
        }
    )
)

#: Every code that a measured calibration (`layout.seating.calibration`) can say.
MEASURED_CODES: Mapping[str, Meaning] = MappingProxyType(
    _refusing(
        {
            "residual_too_large": "The marks of a plate disagree with one another.",
            "mark_off": "One mark was met far from where the others put it.",
            "turned_away": "The plate would lie turned from how the station is described.",
            "shifted_away": "The plate would lie far from where the station's description has it.",
            "scaled": "The marks lie farther apart or nearer than on the plate, or mirrored.",
            "error_too_large": "The predicted error at some blade is too large.",
        }
    )
    | {"error_unknown": Meaning(Severity.NOTE, "Too few marks to predict the error at a blade.")}
)
