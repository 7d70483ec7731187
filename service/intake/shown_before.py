"""What a preview showed of an order line, held against what the check says now.

A line may carry the token of a preview. The check is made anew in any case; where it comes to the very mark
that was shown, the buyer has seen it, which counts as their approval. Anything else is stored and waits for a
person, who sees both.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from layout.check.feasibility import CheckResult
from layout.pictures.preview import digest_of
from layout.shop.findings import Verdict
from service.intake import preview_tokens as tokens
from service.intake.preview_tokens import Shown
from service.records.tables import OrderLine
from service.requests.order_in import LineWanted

Why = Literal["other_mark", "other_product", "expired", "other_store", "unreadable"]


@dataclass(frozen=True, slots=True)
class Compared:
    """How a line and its preview differ (None: not at all), and what was shown (None: it can't be read)."""

    why: Why | None
    shown: Shown | None


def compared(
    line: LineWanted, result: CheckResult, *, client: str, secret: bytes, now: datetime
) -> Compared | None:
    """A line held against its preview; None for a line without one."""
    if line.preview is None:
        return None
    shown = tokens.read(line.preview, secret=secret)
    return Compared("unreadable" if shown is None else _why(line, result, shown, client, now), shown)


def note(line: OrderLine, seen: Compared | None, *, asks_buyer: bool) -> None:
    """Write onto a line what came of its preview: the approval of a buyer who is asked for it, or what is
    other."""
    if seen is None:
        return
    if seen.why is None:
        if asks_buyer:
            line.approved_revision, line.approved_by = line.words_revision, "buyer: by preview"
        return
    shown = seen.shown
    line.preview = {"why": seen.why}
    if shown is not None:
        line.preview |= {
            "sku": shown.sku,
            "catalogue_version": shown.catalogue_version,
            "inscriptions": list(shown.inscriptions),
            "digest": shown.digest,
        }


def _why(line: LineWanted, result: CheckResult, shown: Shown, client: str, now: datetime) -> Why | None:
    if shown.client != client:
        return "other_store"
    if shown.sku != line.sku:
        return "other_product"
    if result.verdict is Verdict.REFUSE or digest_of(result.marks) != shown.digest:
        return "other_mark"
    return "expired" if shown.until <= now else None
