"""What a check has to say: findings are data, all of them at once, never exceptions."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from layout.parts import Inscription


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
    an inscription that the same check accepts.
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

    def about(self, inscription: int) -> Finding:
        """The same finding, said of the inscription with this index."""
        return replace(self, inscription=inscription)


def verdict_of(findings: tuple[Finding, ...]) -> Verdict:
    """The verdict that a set of findings amounts to."""
    severities = {finding.severity for finding in findings}
    if Severity.REFUSE in severities:
        return Verdict.REFUSE
    if Severity.REVIEW in severities:
        return Verdict.REVIEW
    return Verdict.ACCEPT
