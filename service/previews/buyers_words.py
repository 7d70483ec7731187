"""What a check says, in a buyer's words: kind, without the trade's terms, with a way on where there is one.

The desk reads the same findings with their measures (`service.pages.sentences`).
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from layout.lettering.text import LINE_FEED, graphemes, normalise
from layout.pictures.preview import Sized
from layout.shop.findings import Finding, Verdict
from layout.shop.inscriptions import Inscription, Kind, MonogramInscription, TextInscription
from layout.shop.shop import FontSpec
from service.papers.voice import Voice


def _(message: str) -> str:
    """Marks a message for the catalogue; it is translated where it is shown."""
    return message


VERDICTS: Mapping[Verdict, str] = MappingProxyType(
    {
        Verdict.ACCEPT: _("This can be engraved as shown."),
        Verdict.REVIEW: _("This can probably be engraved as shown. We look at it before we begin."),
        Verdict.REFUSE: _("This can't be engraved as it stands."),
    }
)
#: By code, what a finding of a check means to a buyer.
FINDINGS: Mapping[str, str] = MappingProxyType(
    {
        "unknown_product": _("We don't engrave this product."),
        "no_inscription": _("Type what we should engrave."),
        "unknown_zone": _("There is no such place on this product. Please choose another."),
        "kind_not_offered": _("This place doesn't take that. Please choose another place."),
        "unknown_font": _("We don't have this font any more. Please choose another."),
        "font_not_offered": _("This font isn't offered here. Please choose another."),
        "font_refused": _("This font can't write that. Please choose another."),
        "unknown_artwork": _("We don't have this picture any more. Please choose another."),
        "no_process": _("We can't engrave this surface at the moment."),
        "empty_text": _("Type what we should engrave."),
        "lone_surrogate": _("Part of a character got lost. Please type it again."),
        "control_character": _("There is an invisible character in your text. Please type it again."),
        "bidi_control": _("There is an invisible character in your text. Please type it again."),
        "zero_width": _("There is an invisible character in your text. Please type it again."),
        "private_character": _("We can't engrave this character"),
        "unassigned_character": _("We can't engrave this character"),
        "replacement_character": _("A character got lost on the way. Please type it again."),
        "lone_mark": _("An accent stands without its letter. Please type it again."),
        "overloaded_character": _("This letter has more accents than we can engrave"),
        "look_alike": _("This letter is from another alphabet and only looks the same"),
        "missing_glyph": _("This font doesn't have every character"),
        "too_many_characters": _("That is more than we can engrave. Please shorten it."),
        "character_not_offered": _("This place doesn't take this character"),
        "words_not_taken": _("We can't engrave these words. Please choose others."),
        "words_to_review": _("We look at these words before we begin."),
        "too_many_lines": _("That is more lines than fit here."),
        "initials_count": _("A monogram has one to three initials."),
        "code_content": _("That doesn't fit into the code. Please shorten it."),
        "size_out_of_range": _("We can't engrave in that size."),
        "above_largest": _("That is larger than this place takes."),
        "below_smallest": _("That small, nobody could read it. Please choose larger letters."),
        "too_long": _("That is too long for this place. Fewer letters or a narrower font will fit."),
        "too_tall": _("That is too tall for this place. Smaller letters or fewer lines will fit."),
        "no_room": _("That doesn't fit here. Fewer letters or a narrower font will fit."),
        "stroke_too_thin": _("This font is too fine for that size. A bolder font or larger letters will do."),
        "counter_closed": _("At this size the hole in a letter would close. Larger letters will do"),
        "slit_closed": _("At this size a gap in a letter would close. Larger letters will do"),
        "part_lost": _("At this size fine parts would be lost. Larger letters or a bolder font will do"),
        "module_too_small": _("The code would be too fine to be read. Please make it larger or shorter."),
        "nothing_left": _("At this size nothing would be left of it. Please make it larger."),
        "outline_outside": _("It would come too near to the edge. Please make it a little smaller."),
        "out_of_reach": _("We can't reach this spot. Please choose another place."),
        "zone_taken": _("Something else is in this place already."),
        "marks_overlap": _("Two engravings would touch. Please make one of them smaller."),
        "no_common_slot": _("We can't engrave all of this on one piece. Please leave out one of them."),
        "mixed_alphabets": _("One word mixes letters of two alphabets. We look at it before we begin"),
        "bolder": _("Fine strokes come out a little bolder than on the screen."),
        "much_bolder": _("Fine strokes come out much bolder than drawn. We look at it before we begin."),
        "letters_touch": _("Two letters touch when engraved"),
        "less_room": _("It fills its place a little more than usual."),
        "small_capitals": _("The letters are very small. We look at it before we begin."),
    }
)
_IN_LINES = _("in %(count)s lines")
_IN_ONE_LINE = _("in one line")
_IN_FONT = _("in %(font)s")
_OTHER_WORDS = _("“%(words)s”")
_OTHER_PLACE = _("in another place")
_FURTHER_APART = _("letters a little further apart")
_AS_LARGE_AS = _("%(size)s mm tall, which fits")
_ANOTHER_WAY = _("another way")
_TEXT_SIZE = _("Capitals %(size)s mm tall; %(wide)s mm wide in all")
_MARK_SIZE = _("%(wide)s mm wide, %(high)s mm tall")
#: So many characters are named at the most: a sentence is no list.
_MOST_NAMED = 8


def finding_said(finding: Finding, inscription: Inscription | None, voice: Voice) -> str:
    """A finding for the buyer, with the characters that it is about."""
    sentence = voice.say(FINDINGS[finding.code])
    if sentence.endswith("."):
        return sentence
    named = _named(finding, inscription)
    return f"{sentence}: {named}" if named else f"{sentence}."


def size_said(sized: Sized, kind: Kind, voice: Voice) -> str:
    """How large an inscription is, as people measure."""
    mm = {
        "size": voice.number(sized.height_mm, "0.#"),
        "wide": voice.number(sized.width_mm, "0.#"),
        "high": voice.number(sized.extent_mm, "0.#"),
    }
    return voice.say(_TEXT_SIZE if kind in {"text", "monogram"} else _MARK_SIZE) % mm


def suggestion_said(
    asked: Inscription, suggested: Inscription, size_mm: float, fonts: Mapping[str, FontSpec], voice: Voice
) -> str:
    """What is other in a suggestion than in what was asked for."""
    said = []
    if suggested.zone != asked.zone:
        said.append(voice.say(_OTHER_PLACE))
    if isinstance(asked, TextInscription) and isinstance(suggested, TextInscription):
        said += _text_said(asked, suggested, voice)
    font = getattr(suggested, "font", None)
    if font is not None and font in fonts and font != getattr(asked, "font", None):
        said.append(voice.say(_IN_FONT) % {"font": fonts[font].name})
    if not said and isinstance(suggested, TextInscription | MonogramInscription):
        said.append(voice.say(_AS_LARGE_AS) % {"size": voice.number(size_mm, "0.#")})
    sentence = ", ".join(said) or voice.say(_ANOTHER_WAY)
    return sentence[0].upper() + sentence[1:]


def _text_said(asked: TextInscription, suggested: TextInscription, voice: Voice) -> list[str]:
    if suggested.letter_spacing > asked.letter_spacing:
        return [voice.say(_FURTHER_APART)]
    if suggested.text == asked.text:
        return []
    if suggested.text.split() != asked.text.split():
        return [voice.say(_OTHER_WORDS) % {"words": " / ".join(suggested.text.split(LINE_FEED))}]
    lines = suggested.text.count(LINE_FEED) + 1
    return [voice.say(_IN_ONE_LINE) if lines == 1 else voice.say(_IN_LINES) % {"count": lines}]


def _named(finding: Finding, inscription: Inscription | None) -> str:
    """The characters that a finding is about, each once; none that nobody can see."""
    words = getattr(inscription, "text", None) or getattr(inscription, "initials", None)
    if finding.span is None or words is None:
        return ""
    begin, end = finding.span
    meant = dict.fromkeys(graphemes(normalise(words))[begin:end])
    shown = [char for char in meant if char.isprintable() and not char.isspace()]
    return " ".join(shown) if len(shown) <= _MOST_NAMED else ""
