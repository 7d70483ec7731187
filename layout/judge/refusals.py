"""How the judge says no: a finding that refuses, and whose unit it is about."""

from layout.shop.findings import Finding, Severity
from layout.shop.loads import SlotFill, Turn


def refuse(code: str, message: str, measured: float | None = None, limit: float | None = None) -> Finding:
    """A refusing finding; measured value and limit in mm."""
    unit = None if measured is None else "mm"
    return Finding(code, Severity.REFUSE, message, measured=measured, limit=limit, unit=unit)


def who(turn: Turn, fill: SlotFill) -> str:
    """Turn, slot, and the job or lot in it."""
    unit = f"job {fill.job}" if fill.job is not None else f"lot {fill.lot}"
    return f"turn {turn.turn}, slot {fill.slot}, {unit}"
