"""Which recipes are proven: the shop's description with the test cards on record applied to it.

A recipe counts only once a card burned with exactly that recipe is on record. Change its power from 40 to 45
% and its digest changes: the old card proves nothing any more, and the surface can't be engraved until a new
card is recorded.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace

from layout.shop.shop import Shop
from layout.shop.stations import Process, TestCard


@dataclass(frozen=True, slots=True)
class Proof:
    """One entry of the record: a process's card and the digest of the recipe that it proved, or (no card)
    that the process counts as proven no longer."""

    process: str
    recipe: str
    card: TestCard | None


def recipe_digest(process: Process) -> str:
    """SHA-256 (hex) of everything a test card proves: change any of it and the card proves nothing."""
    facts = {name: value for name, value in asdict(process).items() if name != "test_card"}
    if process.centre_line_passes == 0:
        del facts["centre_line_passes"]  # cards burned before there were any prove such a recipe as before
    return hashlib.sha256(json.dumps(facts, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def proven(shop: Shop, record: Sequence[Proof]) -> Shop:
    """The shop with each process's test card as the record (oldest first) has it.

    The newest entry that concerns a process decides: a card concerns the recipe it was burned with, a
    withdrawal every recipe of that name. Where none does, the card in the shop's own description counts.
    """
    decided: dict[str, TestCard | None] = {}
    for entry in record:
        process = shop.processes.get(entry.process)
        if process is not None and (entry.card is None or entry.recipe == recipe_digest(process)):
            decided[entry.process] = entry.card
    if not decided:
        return shop
    processes = {
        name: replace(process, test_card=decided.get(name, process.test_card))
        for name, process in shop.processes.items()
    }
    return replace(shop, processes=processes)


def as_described(shop: Shop) -> Shop:
    """The shop with every recipe assumed proven: to look at what was judged and burned before, never to make
    a file from."""
    taken = TestCard("", "", isolated_lines=True)
    processes = {name: replace(p, test_card=p.test_card or taken) for name, p in shop.processes.items()}
    return replace(shop, processes=processes)
