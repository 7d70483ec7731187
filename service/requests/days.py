"""Days that are asked about, as moments of the shop."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from service.records.errors import BadRequest

#: The longest time that is counted at once, and the last year that is.
MOST_DAYS, _LAST_YEAR = 366, 9000


def moments(since: date, until: date, time_zone: str, *, most: int = MOST_DAYS) -> tuple[datetime, datetime]:
    """From the beginning of the first day to the end of the last one. Raises BadRequest for days that are
    none, or too many."""
    if not timedelta() <= until - since < timedelta(days=most):
        raise BadRequest(f"say 1 to {most} days, the first one first", field="to", most=most)
    if until.year > _LAST_YEAR or since.year < 2:
        raise BadRequest("nothing is kept of those days", field="to")
    zone = ZoneInfo(time_zone)
    begin, end = (datetime.combine(day, time(), zone) for day in (since, until + timedelta(days=1)))
    return begin, end
