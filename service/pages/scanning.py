"""What a scanner read at the bench, and what it means at the load's step.

A label's form tells what it is on: `J42` a unit, `L5` a load's sheet, `PLATE.long-1` a copy of a plate,
`BIN.A1` a bin; boxes carry the product's barcode, and the laser's screen shows the file's name with its short
code. Whatever belongs elsewhere is refused loudly.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from layout.shop.shop import Shop
from service.loads.load_answers import LoadAnswer, TurnAnswer
from service.pages.steps import turn_of
from service.records.errors import Refusal
from service.records.ids import BIN, PLATE, shown

_JOB = re.compile(r"^J\d{1,18}$", re.ASCII)
_LOAD = re.compile(r"^L\d{1,18}$", re.ASCII)


class WrongUnit(Refusal):
    """A unit, box or label that does not belong where it was scanned."""


@dataclass(frozen=True, slots=True)
class Scanned:
    """What is to be done: `step` says what, `job` and `slot` with which unit."""

    step: Literal["pulled", "seated", "start", "show", "load", "plate", "bin", "unit", "box", "boxed"]
    job: str = ""
    slot: str = ""
    name: str = ""


def read(shop: Shop, load: LoadAnswer, typed: str, before: str = "") -> Scanned:
    """What a code means now. At boxing a unit and its box are scanned one after the other, in either order;
    `before` is the first of the two. Raises WrongUnit."""
    code = typed.strip()
    if not code:
        raise WrongUnit("nothing was read; scan again")
    if standing := _standing_label(shop, load, code):
        return standing
    turn = turn_of(load)
    if load.state == "seated" and is_code_of_file(code, turn):
        return Scanned("start")
    sku = _sku_of(shop, code)
    if code.upper() in _passed(load) or (sku and _passed(load)):
        return _boxing(shop, load, code, before.strip())
    if _JOB.match(code.upper()):
        return _unit_label(load, turn, code.upper())
    return _box(shop, load, turn, sku, code)


def is_code_of_file(typed: str, turn: TurnAnswer) -> bool:
    """Whether the typed text names the turn's file, by its short code or by its name."""
    return turn.file is not None and is_code_of(typed, turn.short_code or "", turn.file)


def is_code_of(typed: str, short_code: str, file: str) -> bool:
    """Whether what was typed is a file's short code, or the file's name, which ends with it.

    >>> is_code_of(" k7m2qx ", "K7M2QX", "L5-t1-r1-K7M2QX.svg")
    True
    """
    code, name = typed.strip().upper(), file.upper()
    return bool(code and short_code) and code in {short_code.upper(), name, name.rsplit(".", 1)[0]}


def _standing_label(shop: Shop, load: LoadAnswer, code: str) -> Scanned | None:
    """A load's sheet, a copy of a plate or a bin; None for what moves."""
    if _LOAD.match(code.upper()):
        return _load_label(load, code.upper())
    copies = {copy.casefold(): copy for plate in shop.plates.values() for copy in plate.copies}
    is_plate = code.upper().startswith(PLATE)
    copy = code[len(PLATE) :] if is_plate else code
    if is_plate or copy.casefold() in copies:
        return Scanned("plate", name=copies.get(copy.casefold(), copy))
    if code.upper().startswith(BIN):
        return _bin_label(load, code[len(BIN) :])
    return None


def _sku_of(shop: Shop, code: str) -> str | None:
    product = shop.product_of(code)
    return None if product is None else product.sku


def _passed(load: LoadAnswer) -> set[str]:
    """Units that are to go back into their boxes now."""
    return {held.job for held in load.jobs if held.state == "passed"}


def _boxing(shop: Shop, load: LoadAnswer, code: str, before: str) -> Scanned:
    """A unit's label and the barcode of the box it goes into, in either order; they must belong together."""
    passed = _passed(load)
    slots = (slot for turn in load.turns for slot in turn.slots)
    products = {slot.job: slot.sku for slot in slots if slot.job is not None and slot.job in passed}
    unit = next((label for label in (code.upper(), before.upper()) if label in passed), None)
    box = _sku_of(shop, code) or _sku_of(shop, before)
    if unit is not None and box is None:
        return Scanned("unit", job=unit, name=shop.products[products[unit]].name)
    name = shop.products[box or ""].name
    if unit is None:
        if box not in products.values():
            raise WrongUnit(f"wrong box: no {name} of this load goes into a box now")
        return Scanned("box", name=name)
    if products[unit] != box:
        other = shop.products[products[unit]].name
        raise WrongUnit(f"wrong box: this one is for {name}; {unit} is {other}")
    return Scanned("boxed", job=unit)


def _load_label(load: LoadAnswer, code: str) -> Scanned:
    if code != load.id:
        raise WrongUnit(f"this is the label of {code}; the load on this page is {load.id}")
    return Scanned("load")


def _bin_label(load: LoadAnswer, name: str) -> Scanned:
    """Whether it is the right bin to reach into."""
    wanted = {str(pull.bin).upper(): str(pull.bin) for pull in load.pulls if pull.jobs}
    if name.upper() not in wanted:
        left = ", ".join(wanted.values()) or "nothing"
        raise WrongUnit(f"nothing is wanted from bin {shown(name)}; still to pull from: {left}")
    return Scanned("bin", name=wanted[name.upper()])


def _unit_label(load: LoadAnswer, turn: TurnAnswer, code: str) -> Scanned:
    held = {job.job: job for job in load.jobs}
    if code not in held:
        raise WrongUnit(f"{code} does not belong to {load.id}; put it aside and do not burn it")
    if held[code].unit == "to_pull":
        return Scanned("pulled", job=code)
    if load.state == "claimed":
        raise WrongUnit(f"{code} was checked off before")
    if load.state in {"pulled", "turning"}:
        slot = next((s for s in turn.slots if s.job == code), None)
        if slot is None:
            raise WrongUnit(f"{code} has no slot in this turn; put it aside")
        if slot.state != "planned":
            raise WrongUnit(f"{code} is seated already, in slot {slot.slot}")
        return Scanned("seated", job=code, slot=slot.slot)
    return Scanned("show", job=code)


def _box(shop: Shop, load: LoadAnswer, turn: TurnAnswer, sku: str | None, code: str) -> Scanned:
    if sku is None:
        raise WrongUnit(f"{shown(code)} is not a unit, a box or a load of this shop; scan again")
    name = shop.products[sku].name
    wanted = {job for pull in load.pulls if pull.sku == sku for job in pull.jobs}
    left = [unit.job for unit in load.jobs if unit.job in wanted and unit.unit == "to_pull"]
    if left:
        return Scanned("pulled", job=left[0])
    if load.state == "claimed":
        needed = sorted({shop.products[p.sku].name for p in load.pulls if p.jobs})
        raise WrongUnit(f"wrong unit: this is a {name}. Still to pull: {'; '.join(needed) or 'nothing'}")
    if load.state in {"pulled", "turning"}:
        slot = next((s for s in turn.slots if s.sku == sku and s.state == "planned"), None)
        if slot is not None:
            return Scanned("seated", job=slot.job or "", slot=slot.slot)
    raise WrongUnit(f"wrong unit: no {name} is wanted now")
