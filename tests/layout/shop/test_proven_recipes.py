"""Which card proves which recipe."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from typing import Any

import pytest

from layout.shop.proven_recipes import Proof, as_described, proven, recipe_digest
from layout.shop.shop import Shop
from layout.shop.stations import Process, TestCard
from tests.layout.made_up import the_shop

NAME = "satin-north"
CARD = TestCard("C-1", "2026-11-02", isolated_lines=True)


def the_process() -> Process:
    return the_shop().processes[NAME]


def without_card(shop: Shop) -> Shop:
    return replace(shop, processes={**shop.processes, NAME: replace(shop.processes[NAME], test_card=None)})


def with_another(value: Any) -> Any:
    """A value of the same kind that differs in one thing."""
    if is_dataclass(value) and not isinstance(value, type):
        first = fields(value)[0].name
        return replace(value, **{first: with_another(getattr(value, first))})
    if isinstance(value, bool):
        return not value
    return f"{value}x" if isinstance(value, str) else (value or 0) + 1


@pytest.mark.parametrize("name", [each.name for each in fields(Process) if each.name != "test_card"])
def test_whatever_of_a_recipe_changes_its_card_proves_nothing_any_more(name: str) -> None:
    process = the_process()
    changed = replace(process, **{name: with_another(getattr(process, name))})

    assert recipe_digest(changed) != recipe_digest(process)


def test_another_card_leaves_the_recipe_as_it_is() -> None:
    assert recipe_digest(replace(the_process(), test_card=CARD)) == recipe_digest(the_process())


def test_a_card_counts_for_the_recipe_it_was_burned_with_alone() -> None:
    bare = without_card(the_shop())
    mine, other = (Proof(NAME, digest, CARD) for digest in (recipe_digest(the_process()), "0" * 64))

    assert proven(bare, [mine]).processes[NAME].test_card == CARD
    assert proven(bare, [other]).processes[NAME].test_card is None


def test_a_withdrawal_ends_a_proof_until_the_next_card() -> None:
    bare, digest = without_card(the_shop()), recipe_digest(the_process())
    card, withdrawn = Proof(NAME, digest, CARD), Proof(NAME, "whichever", None)

    assert proven(bare, [card, withdrawn]).processes[NAME].test_card is None
    assert proven(bare, [card, withdrawn, card]).processes[NAME].test_card == CARD


def test_a_record_of_other_processes_changes_nothing() -> None:
    assert proven(the_shop(), [Proof("no such process", "0" * 64, CARD)]) is the_shop()


def test_what_was_burned_before_is_looked_at_as_if_all_were_proven() -> None:
    described = as_described(without_card(the_shop()))

    assert all(process.test_card is not None for process in described.processes.values())
