"""Proofs byte for byte. A wanted change: `python -m tests.golden.proofs`, then look at the pictures."""

from __future__ import annotations

import pytest

from layout.shop.findings import Verdict
from tests.golden.proofs import FOLDER, TEXTS, checked, proof


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_a_proof_is_drawn_as_it_was_looked_at(name: str) -> None:
    kept = (FOLDER / f"{name}.svg").read_text(encoding="utf-8")

    assert proof(name) == kept


def test_there_are_no_proofs_without_a_text() -> None:
    assert {file.stem for file in FOLDER.glob("*.svg")} == set(TEXTS)
    assert len(TEXTS) >= 40


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_every_text_can_be_engraved(name: str) -> None:
    result = checked(name)

    assert result.verdict is not Verdict.REFUSE, result.findings
