"""What the service says in its own words, in the language of a page.

A finding is data: its code has one sentence here, followed by what was measured. The service's refusals are
English sentences with a few things filled in; a listed one is recognised by its fixed words, translated, and
filled with the same things. English pages show what programs are answered.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import cache
from math import ceil, floor

from babel.numbers import format_decimal

from layout.lettering.text import graphemes, normalise
from layout.shop.findings import Severity
from service.papers import texts, words
from service.records.errors import Refusal
from service.requests.check_answers import FindingAnswer


def _(message: str) -> str:
    """Marks a message for the catalogue; it is translated where it is shown."""
    return message


#: By code, what a finding of a check or of the judge says, without numbers.
FINDINGS: Mapping[str, str] = {
    "unknown_product": _("This product is not known."),
    "no_inscription": _("There is nothing to engrave."),
    "unknown_zone": _("This product has no such place."),
    "kind_not_offered": _("This place does not take inscriptions of this kind."),
    "unknown_font": _("The shop has no such font."),
    "font_not_offered": _("This place does not offer the font."),
    "font_refused": _("The font can't draw these words."),
    "unknown_artwork": _("The shop's library has no mark or frame of that name."),
    "no_process": _("No station has a proven process for this surface."),
    "empty_text": _("There is nothing to engrave: the words leave no mark."),
    "lone_surrogate": _("The words hold half of a character."),
    "control_character": _("A control character can't be engraved."),
    "bidi_control": _("An invisible control of the reading direction can't be engraved."),
    "zero_width": _("An invisible character can't be engraved."),
    "private_character": _("A private-use character means something else in every font."),
    "unassigned_character": _("This character doesn't exist yet."),
    "replacement_character": _("A character was lost on the way here."),
    "lone_mark": _("A mark has no letter to stand on."),
    "overloaded_character": _("A letter has more accents than any language uses."),
    "look_alike": _("A letter is of another alphabet than the rest of its word and looks the same."),
    "mixed_alphabets": _("One word mixes letters of different alphabets: a person must look."),
    "missing_glyph": _("The font does not have these characters."),
    "too_many_characters": _("There are too many characters."),
    "character_not_offered": _("This place does not take characters of this kind."),
    "words_not_taken": _("The shop does not engrave these words."),
    "words_to_review": _("A person of the shop looks at these words first."),
    "too_many_lines": _("There are more lines than this place takes."),
    "initials_count": _("A monogram has one to three initials."),
    "code_content": _("This content doesn't fit into the code."),
    "size_out_of_range": _("That size can't be engraved."),
    "above_largest": _("That size is too large for this place."),
    "below_smallest": _("That size is too small to be read here."),
    "too_long": _("It is too long for this place."),
    "too_tall": _("It is too tall for this place."),
    "no_room": _("The shape of the place leaves no room for it."),
    "stroke_too_thin": _("A stroke is thinner than the laser's line can make."),
    "counter_closed": _("The hole in a letter closes when it is burned."),
    "slit_closed": _("An opening of a letter closes when it is burned."),
    "part_lost": _("A part of a letter is so thin that nothing of it would be burned."),
    "bolder": _("Thin strokes come out bolder than they are drawn."),
    "much_bolder": _("Thin strokes come out much bolder than they are drawn: a person must look first."),
    "letters_touch": _("Two letters that stand apart touch when they are burned."),
    "module_too_small": _("The code's modules are smaller than the laser's line can make."),
    "nothing_left": _("At this size nothing would be left of it."),
    "outline_outside": _("The outline does not lie inside the printable region."),
    "out_of_reach": _("At no slot does it lie inside the laser's field and its depth of focus."),
    "zone_taken": _("Another inscription is in this place already."),
    "marks_overlap": _("Two marks would meet, or come too near to each other."),
    "no_common_slot": _("No slot can take all that is asked for on this face."),
    "less_room": _("It stands nearer to the edge of this place than is usual here."),
    "small_capitals": _("The capitals are so small that a person must look first."),
    "unknown_station": _("The load's station is not the shop's."),
    "unknown_plate": _("The load's plate is not the shop's."),
    "plate_not_mountable": _("The station can't mount this plate."),
    "unknown_copy": _("There is no such copy of the plate."),
    "wrong_calibration": _("The calibration is of another station or another copy of the plate."),
    "turn_twice": _("Two turns bear one number."),
    "slot_twice": _("Two units are in one slot."),
    "job_twice": _("One job is in several slots of a turn."),
    "face_twice": _("A face would be burned more than once."),
    "already_burned": _("This face is engraved already."),
    "wrong_product": _("A job is of one product here and of another there."),
    "job_or_lot": _("A slot holds either a job or a lot."),
    "wrong_blade": _("The product is not of that blade."),
    "wrong_face": _("The mark belongs on another face."),
    "lot_not_bare": _("A blade that is not bare is in a lot."),
    "unknown_slot": _("The plate has no such slot."),
    "wrong_slot": _("The slot does not take this blade with that face up."),
    "not_eligible": _("Acceptance did not allow this place."),
    "no_marks": _("There is nothing to burn in this slot."),
    "empty_mark": _("The mark is empty."),
    "outside_zone": _("At the worst seating the mark leaves its place."),
    "outside_field": _("The mark leaves the station's field."),
    "burns_nothing": _("An area is so narrow that nothing of it would burn."),
    "out_of_focus": _("The surface is farther from the focus than the process allows."),
    "not_readable": _("The burn file can't be read."),
    "unburned": _("A part of the mark is missing from the burn file."),
    "rows_missing": _("A row of the fill is missing from the burn file."),
    "burns_beside": _("The burn file burns beside the approved outline."),
    "burns_elsewhere": _("The burn file burns where there is no mark."),
    "zones_touch": _("Marks in two places would touch when burned."),
}
#: By code, what a refusal comes to; said in other languages where its own sentence is not listed below.
REFUSALS: Mapping[str, str] = {
    "key_missing": _("A key is needed for this."),
    "role_not_allowed": _("Your key may not do that."),
    "origin_not_listed": _("This page may not ask with that key."),
    "not_found": _("There's nothing like that here."),
    "idempotency_key_missing": _("The request names no key of its own."),
    "idempotency_key_malformed": _("The request's own key is not well formed."),
    "idempotency_key_reused": _("This request came before, with other contents."),
    "request_in_flight": _("The same request is still being answered."),
    "order_ref_taken": _("This store has posted an order with this reference before."),
    "if_match_missing": _("The request does not say which version it means."),
    "shop_refused": _("The shop's description can't be used as it is; what was in force stays in force."),
    "bad_cursor": _("This page of the list was not given out by this service."),
    "routine_due": _("First do the routine checks of this station."),
    "bad_request": _("Something in the form isn't right. Please check it."),
    "unengravable": _("This can't be engraved as asked."),
    "move_not_allowed": _("This is not possible at the step where it is now."),
    "load_refused": _("This load may not be burned."),
    "no_plan_yet": _("The first plan has not been made yet."),
    "plan_refused": _("The plan did not pass its own check; nothing is promised by it."),
    "plan_failed": _("The plan could not be made."),
    "stock_too_low": _("The stock does not hold that many."),
    "catalogue_missing": _("The catalogue of that time is not on record."),
    "check_too_slow": _("The check took too long. Ask for fewer or shorter inscriptions."),
    "checkers_busy": _("Too many checks at once. Try again."),
    "service_busy": _("Too much is asked at once. Try again in a moment."),
    "too_many_requests": _("Too much was asked in this minute. Wait a moment."),
    "too_many_units": _("That is more than may be ordered in a day."),
    "too_many_streams": _("Too many pages are open with this key. Close one of them."),
    "too_much_to_simulate": _("That is more than can be simulated. Ask for fewer days."),
    "wrong_plate": _("The plate named can't be used for this load."),
    "wrong_box": _("Wrong box. Put it aside."),
    "wrong_shelf": _("Wrong shelf."),
    "count_jumps": _("This count differs much from what is on record. Look again."),
    "boxes_missing": _("Boxes of this order are missing."),
    "remade_already": _("Another unit is made for this one already."),
    "words_erased": _("The words of this order were erased; nothing of it can be engraved once more."),
    "wrong_unit": _("Wrong unit. Put it aside, and do not burn it."),
    "link_over": _("This link is no longer good. Ask the shop for another."),
    "address_refused": _("This address is not one that callbacks may go to."),
    "not_all_done": _("Not all of the file could be taken yet; the rest is tried again."),
    "unreadable_file": _("This file can't be read."),
}
#: Sentences of the service that pages show; what is filled in stands as %(name)s.
SENTENCES = (
    _("turn %(turn)s has been started"),
    _("not every unit of turn %(turn)s is seated"),
    _("this load may not be burned"),
    _("first do the routine checks at %(station)s: %(names)s"),
    _("order %(ref)s was not handed over"),
    _("order %(ref)s has left with the carrier"),
    _("order %(ref)s was erased"),
    _("a unit of order %(ref)s is made once more: put its box aside"),
    _("say which process of the station was tried"),
    _("%(load)s is burning at %(station)s"),
    _("another load is burning at %(station)s"),
    _("first say what is on the metal of every unit (resolve)"),
    _("first say what is on the metal of %(job)s (resolve)"),
    _("the units of turn %(turn)s no longer sit as they were burned"),
    _("%(jobs)s: a partial mark must be burned again now, or scrapped first"),
    _("%(job)s has nothing burned in turn %(turn)s"),
    _("%(job)s has nothing burned; report it as blemished"),
    _("%(unit)s is not in this load"),
    _("this station's name can't name a folder"),
    _("%(job)s was burned before in this seating; it can't be clean"),
    _("%(lot)s has %(count)s blades in doubt"),
    _("%(lot)s has %(count)s blades to inspect"),
    _("%(lot)s has %(count)s blades in this load"),
    _("not inspected yet: %(jobs)s"),
    _("scrap needs a reason"),
    _("slot %(slot)s is burned again in the same seating"),
    _("slot %(slot)s has nothing to seat in turn %(turn)s"),
    _("%(unit)s has not been fetched yet"),
    _("no station named %(station)s"),
    _("nothing is left to burn in turn %(turn)s"),
    _("there is nothing left to approve"),
    _("there is nothing left to cancel"),
    _("line %(line)s is cancelled"),
    _("line %(line)s can't be engraved as it stands; amend or cancel it"),
    _("line %(line)s has a change that the buyer asked for; change the words, or ask the buyer again"),
    _("line %(line)s is not what its preview showed; compare the two, or ask the buyer"),
    _("line %(line)s needs a look by the desk; the buyer's approval doesn't stand for it"),
    _("line %(line)s awaits the buyer's approval; a look by the desk doesn't stand for it"),
    _("line %(line)s came after its ship-by time; the desk must say that it is engraved all the same"),
    _("line %(line)s has a unit that the last check refused; amend or cancel it"),
    _("line %(line)s has no place left; amend it, and it is checked anew"),
    _("line %(line)s no longer fits since the shop's description changed; amend or cancel it"),
    _("line %(line)s has a unit that fitted no slot; the desk decides"),
    _("say who agreed, and how: by telephone, by mail"),
    _("this order has no such line"),
    _("this line has no such inscription"),
    _("this suggestion is no longer there"),
    _("nothing is sent to this callback any more"),
    _("a storefront's key, and no other, lists the origins of its pages"),
    _("an origin is a scheme, a host and perhaps a port, like https://shop.example"),
    _("a key lists up to %(most)s origins"),
    _("this suggestion can't be read"),
    _("this is no place of the page"),
    _("a priority is a whole number from 0 to 100"),
    _("say why its priority changes"),
    _("nothing in this order is waiting"),
    _("there is nothing to show here"),
    _("there is no such font"),
    _("the other places can't be read"),
    _("its words were erased, so the same can't be ordered again; ask the buyer"),
    _("the other lines can't be read"),
    _("the words of this order were erased; nothing is noted of it any more"),
    _("a quantity is a whole number"),
    _("enter the day it must be handed over by"),
    _("a search needs a letter or a digit"),
    _("there is no such order"),
    _("there is nothing approved to show here"),
    _("there is no such proof"),
    _("this link has run out; please ask us for another"),
    _("the words were changed after this link was sent; please ask us for another"),
    _("this link was withdrawn; please ask us for another"),
    _("we have your requests; please call us for anything more"),
    _("nothing in this order needs your approval"),
    _("say what you would like changed, in up to %(most)s characters"),
    _("this is being engraved already; please call us"),
    _("say something, in up to %(most)s characters"),
    _("the buyer has asked for no change"),
    _("first say which plate is mounted: scan its label"),
    _("%(copy)s is a plate of another kind (%(plate)s); this load needs %(wanted)s"),
    _("there is no plate %(copy)s; this load needs %(wanted)s"),
    _("this load began on %(copy)s and is burned to its end on it"),
    _("%(copy)s is in use by another load"),
    _("this load waits for %(count)s of %(sku)s from bin %(bin)s, not %(more)s"),
    _("nothing that was said of %(job)s can be taken back any more"),
    _("nothing is wanted from bin %(bin)s; still to pull from: %(wanted)s"),
    _("that is not the code of this load's file"),
    _("a count is a whole number"),
    _("say which mark, and why"),
    _("there is nothing at this address"),
    _("this address or form is not one that a page of this service makes"),
    _("a store's key is for its own programs; pages are for the people of the shop"),
    _("wrong unit: no %(product)s is wanted now"),
    _("nothing was read; scan again"),
    _("%(code)s is not a unit, a box or a load of this shop; scan again"),
    _("this is the label of %(code)s; the load on this page is %(load)s"),
    _("%(code)s does not belong to %(load)s; put it aside and do not burn it"),
    _("wrong unit: this is a %(product)s. Still to pull: %(wanted)s"),
    _("%(code)s was checked off before"),
    _("%(code)s has no slot in this turn; put it aside"),
    _("%(code)s is seated already, in slot %(slot)s"),
    _("wrong box: no %(product)s of this load goes into a box now"),
    _("wrong box: this one is for %(product)s; %(job)s is %(other)s"),
    _("%(job)s has not passed inspection; it does not go into a box yet"),
    _("wrong box: there is no unit %(job)s"),
    _("wrong box: %(job)s is for order %(order)s; order %(open)s is open here"),
    _("wrong box: order %(order)s of %(job)s has been handed over; put it aside and tell the desk"),
    _("wrong box: %(job)s of order %(order)s was cancelled; put it aside and tell the desk"),
    _("wrong box: %(job)s of order %(order)s was scrapped; put it aside and tell the desk"),
    _("wrong box: %(job)s of order %(order)s is not released yet; it belongs to %(load)s at %(station)s"),
    _("wrong box: %(job)s of order %(order)s is not released yet; take it to the bench"),
    _("wrong box: no %(product)s without engraving is wanted in order %(order)s"),
    _("wrong box: no %(product)s without engraving is wanted"),
    _("%(code)s belongs elsewhere; boxes, shelves and packing lists are scanned here"),
    _("%(code)s is not a box, a shelf or a packing list of this shop"),
    _("there is no shelf %(shelf)s in the packing rack"),
    _("scan a box first, then the shelf that it goes on"),
    _("shelf %(shelf)s is taken: order %(order)s stands there"),
    _("order %(order)s has been handed over"),
    _("there is no order %(code)s"),
    _("this is the packing list of order %(order)s; order %(open)s is open here"),
    _("nothing is left of order %(order)s"),
    _("order %(order)s is not complete; still missing: %(jobs)s"),
    _("there is no bin %(bin)s"),
    _("bin %(bin)s is being counted; take or drop that count first"),
    _("%(code)s is no box of this shop; scan its barcode"),
    _("there is no product %(sku)s"),
    _("bin %(bin)s has changed while it was counted"),
    _("nothing was counted yet"),
    _("bin %(bin)s: are these counts right?"),
    _("these boxes stand in that bin already"),
    _("bin %(bin)s holds %(count)s of %(sku)s, not %(units)s"),
    _("only %(count)s of %(sku)s can leave bin %(bin)s; loads under way fetch the others there"),
    _("one product at a time: first scan the bin that these boxes go into"),
    _("enter a whole number from %(least)s to %(most)s"),
    _("there is no such product"),
    _("%(product)s is a bare blade; its house mark is a lot's"),
    _("%(product)s names no bare blade that it is built from"),
    _("somebody else has had some of these built since you last saw the plan"),
    _("not looked at yet: %(points)s"),
    _("%(unit)s was put into bin %(bin)s before; move it in the store room"),
    _("%(unit)s has not passed inspection; it does not go into a bin yet"),
    _("%(unit)s is in rework; scan it when it is back"),
    _("%(unit)s was given up; put it aside"),
    _("%(unit)s was cancelled; put it aside"),
    _("say which point is not good, or other"),
    _("say what is not good"),
    _("say it in fewer words"),
    _("there is no unit %(unit)s"),
    _("no work order asks for %(product)s"),
    _("%(code)s is no unit, bin or work order of assembly"),
    _("there is no such work order"),
    _("there is no such unit"),
    _("say why it is cancelled"),
    _("say by which day they are to be built"),
    _("choose a mark for its bare blade"),
    _("choose a file"),
    _("take a photo first"),
    _("enter who the key is for, and its role"),
    _("mark %(number)s is no place on a plate"),
    _("mark %(number)s needs two numbers, x and y in mm"),
    _("bin %(bin)s holds reserved units of %(sku)s for loads under way"),
    _("bin %(bin)s is new; add its walking order"),
    _("sku: there is no product %(sku)s"),
    _("bin: 1 to 30 printable characters"),
    _("boxed: a whole number from 0 to 100000"),
    _("walking_order: a whole number from 0 to 1000000"),
    _("has more cells than the heading"),
    _("%(count)s boxed"),
    _("the file is larger than %(most)s MB"),
    _("the heading lacks %(columns)s"),
    _("the heading has columns that mean nothing here: %(columns)s"),
    _("the heading names a column twice"),
    _("line %(line)s is not UTF-8"),
    _("there is nothing named %(name)s; there are %(known)s"),
    _("`until` must be after `from`, by %(days)s days at the most"),
    _("without recorded hours a station is always open"),
    _("%(units)s units wait or would come, and at most %(most)s can be simulated; ask for fewer days"),
    _("the simulation took longer than a request may; ask for fewer days, or try again later"),
    _("the plan is still being made; try again soon"),
    _("the plan could not be made; the log says why"),
    _("working this out took longer than a request may; try again soon"),
    _("this question can't be read: fill in every field of it"),
    _("say until when the station is down"),
    _("owners are at another draft: put it in force or drop it first"),
    _("there is no draft any more: it was dropped, or put in force"),
    _("no such description was ever in force"),
)
#: What is noted of a unit when it is held or put aside, where nobody typed it; faces stand there by code.
NOTES = (
    _("%(job)s: no plate of the shop takes it any more"),
    _("fits nowhere: %(job)s"),
    _("does not fit slot %(slot)s of %(plate)s"),
    _("the judge refuses its place"),
    _("passed so far; %(faces)s to come"),
    _("%(faces)s is clean"),
    _("%(load)s: given back"),
    _("%(load)s: the lease is over"),
    _("words changed"),
    _("it fits again"),
    _("line %(line)s"),
)
_UNITS = {"mm": "mm", "characters": _("characters"), "lines": _("lines")}
#: Millimetres finer than a tenth, with the words that say in which direction they may be rounded.
_FINE = re.compile(r"(\bat most |\bfits at |)\b(\d+\.\d{2,}) mm( or more| on\b|)")
_TENTH = 0.1
_HOLE = re.compile(r"%\((\w+)\)s")
#: What may stand in a hole that takes no words.
_FILLED = {"faces": "[a-z_]+(?:, [a-z_]+)*"}
#: What is noted of a unit that the judge refused (`service.stock.holds`).
_JUDGED = re.compile(r"(J\d+) (was refused by the judge|no longer fits) \((\w+)\): (.*)", re.DOTALL)
_JUDGED_TEXTS = {
    "was refused by the judge": _("%(job)s was refused by the judge: %(why)s"),
    "no longer fits": _("%(job)s no longer fits: %(why)s"),
}
#: Where the judge found it: in front of its sentence.
_WHERE = re.compile(r"^turn (\d+), slot (\S+), (?:job|lot) (\S+?)(?:, zone (\S+?))?: ")

Say = Callable[[str], str]


def number(value: float, language: str, digits: str = "0.##") -> str:
    """A number as people of that language write it.

    >>> number(0.078, "de", "0.###")
    '0,078'
    """
    return str(format_decimal(value, format=digits, locale=language))


def finding(answered: FindingAnswer, language: str, asked: str = "") -> str:
    """A finding in a language; `asked` is the text it is about."""
    say = texts.texts_of(language).gettext
    if language == texts.DEFAULT or answered.code not in FINDINGS:
        return coarse(answered.message)
    sentence = say(FINDINGS[answered.code])
    if place := _WHERE.match(answered.message):
        turn, slot, unit, _zone = place.groups()
        sentence = (
            say(_("turn %(turn)s, slot %(slot)s, %(unit)s")) % {"turn": turn, "slot": slot, "unit": unit}
            + f": {sentence}"
        )
    details = [part for part in (_meant(answered, asked, say), *_numbers(answered, language, say)) if part]
    return f"{sentence} ({'; '.join(details)})" if details else sentence


def coarse(message: str) -> str:
    """A sentence of the check with its millimetres as people say them: to a tenth, and never so that what is
    said would not do.

    >>> coarse("It works at a capital height of 2.34 mm or more.")
    'It works at a capital height of 2.4 mm or more.'
    >>> coarse("Characters 2 to 3 touch when burned; they are 0.021 mm apart.")
    'Characters 2 to 3 touch when burned; they are less than 0.1 mm apart.'
    """
    return _FINE.sub(_tenths, message)


def _tenths(fine: re.Match[str]) -> str:
    before, value, after = fine.group(1), float(fine.group(2)), fine.group(3)
    if value < _TENTH:
        return f"{before}less than 0.1 mm{after}"
    turn = ceil if after else floor if before.endswith(("most ", "fits at ")) else round
    return f"{before}{turn(10 * value + (-1e-9 if after else 1e-9)) / 10:.1f} mm{after}"


def refusal(refused: Refusal, language: str) -> str:
    """Why something was refused, in a language."""
    say = texts.texts_of(language).gettext
    if refused.code in words.REFUSALS:
        return say(words.REFUSALS[refused.code])
    if language == texts.DEFAULT:
        return refused.message
    sentence = _known_again(refused.message, say)
    return sentence or say(REFUSALS.get(refused.code, refused.message))


def sentence(message: str, language: str) -> str:
    """One of the service's sentences in a language; unchanged if it is not listed."""
    return _known_again(message, texts.texts_of(language).gettext) or message


def note(noted: str, language: str) -> str:
    """Why a unit was held or put aside, as it was noted then; what a person typed stays as it is."""
    say = texts.texts_of(language).gettext
    if judged := _JUDGED.fullmatch(noted):
        job, what, code, message = judged.groups()
        plain = FindingAnswer(code=code, severity=Severity.REFUSE, message=message, suggestions=())
        return say(_JUDGED_TEXTS[what]) % {"job": job, "why": finding(plain, language)}
    return _known_again(noted, say, NOTES) or noted


def _known_again(message: str, say: Say, templates: tuple[str, ...] = SENTENCES) -> str | None:
    for template, pattern in patterns(templates):
        if match := pattern.fullmatch(message):
            return say(template) % {
                name: _spoken(name, given, say) for name, given in match.groupdict().items()
            }
    return None


def _spoken(name: str, given: str, say: Say) -> str:
    if name != "faces":
        return given
    return ", ".join(say(words.FACES.get(face, face)) for face in given.split(", "))


@cache
def patterns(templates: tuple[str, ...]) -> tuple[tuple[str, re.Pattern[str]], ...]:
    """Sentences and what recognises them, those with the most fixed words first: `x is burning at y` must
    not be mistaken for a shorter one."""
    ordered = sorted(templates, key=lambda template: -len(_HOLE.sub("", template)))
    return tuple((template, re.compile(_pattern(template), re.DOTALL)) for template in ordered)


def _pattern(template: str) -> str:
    parts = _HOLE.split(template)
    return "".join(
        f"(?P<{part}>{_FILLED.get(part, '.+?')})" if at % 2 else re.escape(part)
        for at, part in enumerate(parts)
    )


def _meant(finding: FindingAnswer, words: str, say: Say) -> str:
    """Which characters of the text are meant, by their places and as they are."""
    if finding.span is None:
        return ""
    begin, end = finding.span
    if end - begin == 1:
        place = say(_("character %(first)s")) % {"first": begin + 1}
    else:
        place = say(_("characters %(first)s to %(last)s")) % {"first": begin + 1, "last": end}
    meant = "".join(graphemes(normalise(words))[begin:end])
    return f"{place}: {meant}" if meant.isprintable() and meant else place


def _numbers(finding: FindingAnswer, language: str, say: Say) -> list[str]:
    unit = finding.unit or ""
    digits = "0.#" if unit == "mm" else "0"
    given = (
        (_("measured %(value)s %(unit)s"), finding.measured),
        (_("limit %(value)s %(unit)s"), finding.limit),
    )
    said = [format_decimal(value, format=digits) for _template, value in given if value is not None]
    if len(set(said)) < len(said) or "0" in said:
        return []  # to a tenth they tell nothing
    named = say(_UNITS[unit]) if unit in _UNITS else unit
    return [
        (say(template) % {"value": number(value, language, digits), "unit": named}).strip()
        for template, value in given
        if value is not None
    ]
