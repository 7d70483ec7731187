"""Words for what the service names in code: states, faces, reasons, directions. A catalogue has them all."""

from __future__ import annotations

from collections.abc import Callable


def _(message: str) -> str:
    """Marks a message for the catalogue; it is translated where it is shown."""
    return message


STATES = {
    "held": _("held"),
    "short": _("short"),
    "ready": _("ready"),
    "loaded": _("in a load"),
    "engraved": _("engraved"),
    "passed": _("passed"),
    "released": _("released"),
    "handed_over": _("handed over"),
    "scrapped": _("scrapped"),
    "doubtful": _("doubtful"),
    "cancelled": _("cancelled"),
    "claimed": _("being pulled"),
    "pulled": _("being seated"),
    "seated": _("ready to start"),
    "burning": _("burning"),
    "turning": _("being turned over"),
    "burned": _("at inspection"),
    "closed": _("released"),
    "dropped": _("given back"),
    "interrupted": _("interrupted"),
    "accept": _("can be engraved"),
    "review": _("needs a look"),
    "refuse": _("can't be engraved"),
    "note": _("note"),
}
#: What a name of a drawing may stand for, as its role and, for a keep-out, the reason.
PARTS_OF_DRAWINGS = {
    "outline": _("outline"),
    "body": _("handle, rest of the unit"),
    "zone": _("zone"),
    "baseline": _("baseline"),
    "hole:hole": _("hole"),
    "keep_out:ground_bevel": _("ground bevel"),
    "keep_out:edge": _("edge"),
    "keep_out:existing_mark": _("stamp, logo"),
    "keep_out:hollow": _("groove, hollow"),
    "keep_out:pivot": _("pivot"),
    "keep_out:other": _("nothing may burn there"),
    "ignore": _("no part of the blade"),
}
LOT_STATES = {
    "open": _("open"),
    "done": _("all marked"),
    "handed_over": _("handed over"),
    "cancelled": _("cancelled"),
}
#: What happens to something that is used up.
SUPPLY_CHANGES = {
    "used": _("used"),
    "refilled": _("refilled"),
    "counted": _("counted"),
    "given_back": _("given back"),
}
#: What happens to an order that is no state of it.
HAPPENED = {
    "taken": _("taken"),
    "amended": _("words changed"),
    "approved": _("approved"),
    "change_asked": _("change asked"),
    "priority_changed": _("priority changed"),
    "change_answered": _("change answered"),
    "notes_changed": _("buyer or notes changed"),
    "link_made": _("link for the buyer made"),
    "links_withdrawn": _("links to the proof withdrawn"),
    "erased": _("words and names erased"),
    "on_shelf": _("put on a shelf of the packing rack"),
    "remade": _("a unit is made once more"),
    "photo_shared": _("photo shown to the buyer"),
    "photo_not_shared": _("photo no longer shown to the buyer"),
    "photo_deleted": _("photo deleted"),
    "hand_over_taken_back": _("hand-over taken back"),
}
#: What was done with the shop itself: what it is about, and what was done.
ACTS = {
    "key made": _("key made"),
    "key replaced": _("key replaced"),
    "key revoked": _("key revoked"),
    "callback added": _("address for callbacks added"),
    "callback new_secret": _("new secret for callbacks"),
    "callback removed": _("address for callbacks removed"),
    "callback sent_again": _("callbacks sent again"),
    "card proven": _("test card recorded"),
    "card withdrawn": _("test card withdrawn"),
    "plate calibrated": _("plate measured"),
    "shop described": _("new description of the shop in force"),
    "shop dropped": _("draft of the shop's description dropped"),
    "lot open": _("lot asked for"),
    "lot cancelled": _("lot cancelled"),
    "lot handed_over": _("lot handed over"),
}
#: Why a released unit is made once more.
REMAKE_REASONS = {
    "wrong_words": _("other words than approved"),
    "buyers_words": _("the buyer's own mistake in the words"),
    "faint_mark": _("faint mark"),
    "misplaced_mark": _("wrong place"),
    "damaged": _("damaged"),
    "wrong_product": _("wrong product"),
    "lost": _("lost on the way"),
    "other": _("other"),
}
PAYERS = {
    "shop": _("the shop"),
    "store": _("the store"),
    "buyer": _("the buyer"),
    "carrier": _("the carrier"),
}
#: What became of the unit that another was made for.
RETURNED = {
    "awaited": _("not here yet"),
    "not_returned": _("does not come back"),
    "polishing": _("being polished"),
    "stocked": _("back in stock"),
    "scrapped": _("scrapped"),
}
#: Why a bin holds more or fewer units than before.
BIN_CHANGES = {
    "before": _("when changes were first kept"),
    "counted": _("counted"),
    "pulled": _("fetched"),
    "missing": _("missing"),
    "blemished": _("blemished"),
    "kept": _("good after all"),
    "put_back": _("put back"),
    "returned": _("back from a buyer"),
    "built": _("built"),
    "moved_in": _("moved here"),
    "moved_out": _("moved away"),
}
WORK_ORDER_STATES = {"open": _("open"), "done": _("all built"), "cancelled": _("cancelled")}
#: Of a unit that assembly builds.
UNIT_STATES = {
    "to_build": _("to be built"),
    "passed": _("passed"),
    "rework": _("in rework"),
    "reworked": _("back from rework"),
    "stocked": _("in a bin"),
    "given_up": _("given up"),
    "cancelled": _("cancelled"),
}
#: What the comparison of a photo points at.
SUSPECTS = {
    "missing": _("looks missing"),
    "broken": _("looks broken off"),
    "faint": _("looks faint"),
    "doubled": _("looks burned twice"),
    "beside": _("something is burned beside the mark"),
    "hidden": _("can't be seen: glare, or cut off"),
}
#: What spoiled units are counted by.
SPOILED_BY = {
    "product": _("Product"),
    "font": _("Font"),
    "process": _("Process"),
    "station": _("Station"),
    "operator": _("Operator"),
}
FACES = {
    "mark_side": _("mark side"),
    "pile_side": _("pile side"),
    "spine": _("spine"),
    "bolster": _("bolster"),
    "handle": _("handle"),
}
REASONS = {
    "findings": _("can't be engraved as it stands"),
    "review": _("needs a look"),
    "buyer_approval": _("awaiting buyer approval"),
    "change_requested": _("the buyer asks for a change"),
    "ship_by_past": _("arrived after its ship-by time"),
    "differs_from_preview": _("not what the buyer was shown"),
    "judge_refused": _("the last check before burning refused it"),
    "does_not_fit": _("fits none of the slots left"),
    "no_place_left": _("no plate takes it any more"),
    "no_longer_fits": _("no longer fits since the shop's description changed"),
    "missing": _("missing"),
    "blemished": _("blemished"),
    "cancelled": _("cancelled"),
    "clean": _("came out clean"),
    "scrapped": _("scrapped"),
    "given_back": _("given back"),
    "put_off": _("waits for another load"),
}
#: Why a slot is to be cleared, where that is not why a unit is held.
CLEARED = {"does_not_fit": _("does not fit this slot")}
#: How a line differs from its preview.
DIFFERS = {
    "other_mark": _("The check comes to another mark now than the preview did."),
    "other_product": _("The preview is of another product."),
    "expired": _("The preview is older than seven days. The mark is still the same."),
    "other_store": _("The preview was made by another store."),
    "unreadable": _("The order names a preview that this service never made."),
}
#: How a hold ends, for whoever can end it.
WAYS_OUT = {
    "findings": _("Change the words, or cancel the line."),
    "review": _("Compare the picture with the notes beside it; then engrave as shown, or change the words."),
    "buyer_approval": _(
        "The buyer approves by the proof link, or tells you so. A check of yours is no approval."
    ),
    "change_requested": _("Change the words as the buyer asks, or ask again and write down who agreed."),
    "ship_by_past": _("Confirm that it is still to be engraved, or cancel it."),
    "differs_from_preview": _(
        "Compare the two pictures. If they are as good as the same, engrave as shown;"
        " otherwise ask the buyer."
    ),
    "judge_refused": _(
        "It can't be overridden: change the words, cancel, or have the description corrected."
    ),
    "does_not_fit": _("Let it be tried in every slot again, change the words, or cancel."),
    "no_place_left": _("It goes on by itself once a plate takes it again. Or change the words, or cancel."),
    "no_longer_fits": _(
        "It goes on by itself once the description is corrected. Or change the words, or cancel."
    ),
}
#: Why nothing is promised.
PROMISES = {
    "held": _("no promise: it waits for the desk"),
    "short": _("no promise: no unit is boxed for it"),
    "doubtful": _("no promise: the bench must look at a unit first"),
    "not_planned": _("no promise yet: it is not planned"),
    "no_place": _("no promise: no plate or no open hours take it"),
    "not_engravable": _("no promise: it can't be engraved as it stands"),
}
#: Refusals whose own words are for programs; the others are shown as they are.
REFUSALS = {
    "key_unknown": _("This key is not known. Check it, or ask the owner for another one."),
    "lease_lost": _(
        "This load is no longer yours: it came back to the queue or was granted anew. "
        "Stop, and take a load again."
    ),
    "stale_version": _(
        "Something here changed since this page was drawn. Look at it again before you go on."
    ),
    "stale_file": _("This file is out of date. Send it again; do not burn the old one."),
    "stale_calibration": _(
        "The plate was measured again since. Take the file again; a mark that was burned before that "
        "can't be burned again."
    ),
    "calibration_refused": _("These marks don't agree. Nothing was changed; measure again."),
    "test_card_refused": _("This card does not prove the recipe as it stands. Nothing was changed."),
    "already_burned": _("This has been started already. Do not burn it again."),
    "form_token_wrong": _("This form is from another sign-in. Reload the page and try again."),
    "database_busy": _("Somebody else was writing at that moment. Nothing was changed; try again."),
}
_DIRECTIONS = (
    (_("handle to the right"), "→"),
    (_("handle to the upper right"), "↗"),
    (_("handle away from you"), "↑"),
    (_("handle to the upper left"), "↖"),
    (_("handle to the left"), "←"),
    (_("handle to the lower left"), "↙"),
    (_("handle towards you"), "↓"),
    (_("handle to the lower right"), "↘"),
)


def handle(degrees: float) -> str:
    """Where the handle points, in words.

    >>> handle(181.0)
    'handle to the left'
    """
    return _DIRECTIONS[round(degrees / 45) % 8][0]


def handle_arrow(degrees: float) -> str:
    """
    >>> handle_arrow(359.0)
    '→'
    """
    return _DIRECTIONS[round(degrees / 45) % 8][1]


def minutes(seconds: float, say: Callable[[str], str]) -> str:
    """A duration, no finer than a person plans with.

    >>> minutes(4000, lambda message: message)
    '1 h 7 min'
    """
    whole = max(0, round(seconds / 60))
    if 0 < seconds < 60:
        return say(_("under 1 min"))
    if whole < 60:
        return say(_("%s min")) % whole
    return say(_("%s h")) % (whole // 60) + (f" {say(_('%s min')) % (whole % 60)}" if whole % 60 else "")


#: Words that come out of the service as data: reasons of scrap, roles, results of a row.
SHOWN = (
    _("faint mark"),
    _("wrong place"),
    _("double mark"),
    _("scratched"),
    _("stained"),
    _("interrupted burn"),
    _("good enough"),
    _("was lifted"),
    _("the laser can't burn now"),
    _("other"),
    _("store"),
    _("storefront"),
    _("desk"),
    _("bench"),
    _("owner"),
    _("taken"),
    _("already there"),
    _("would be taken"),
    _("refused"),
    # Why a job is in no load of the plan, as `layout.plan.search.problem` says it.
    _("no plate of the shop takes it"),
    _("no place has the whole mark in focus"),
    _("no station is open long enough at a stretch to burn it"),
)
