"""A time axis for a shop: open hours at one scale, long closed stretches shrunk to a narrow band."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from layout.shop.hours import MOST_WEEKS, WEEK_S, Hours, joined, open_spans

HOUR_S = 3600.0
#: Closed stretches longer than this are shrunk; shorter ones (a lunch break) are drawn at scale.
_LONGEST_AT_SCALE_S = HOUR_S
#: Room on the axis for a shrunk stretch, as seconds of open time.
_SHRUNK_S = 0.6 * HOUR_S


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of time and of the axis; `is_shrunk`: closed, and not at scale."""

    begins: float
    ends: float
    x0: float
    x1: float
    is_shrunk: bool


@dataclass(frozen=True, slots=True)
class Axis:
    pieces: tuple[Piece, ...]

    @property
    def begins(self) -> float:
        return self.pieces[0].begins

    @property
    def ends(self) -> float:
        return self.pieces[-1].ends

    def x(self, moment: float) -> float:
        """Where a moment lies; outside the axis, at its nearer end."""
        moment = min(max(moment, self.begins), self.ends)
        piece = next(candidate for candidate in self.pieces if moment <= candidate.ends)
        return piece.x0 + (piece.x1 - piece.x0) * (moment - piece.begins) / (piece.ends - piece.begins)

    def full_hours(self) -> Iterator[float]:
        """Full hours of the stretches that are at scale."""
        for piece in self.pieces:
            if not piece.is_shrunk:
                hour = -(-piece.begins // HOUR_S) * HOUR_S
                while hour <= piece.ends:
                    yield hour
                    hour += HOUR_S


def new_axis(hours: Sequence[Hours], *, begins: float, open_s: float, x0: float, x1: float) -> Axis:
    """An axis from x0 to x1 that begins at `begins` and shows `open_s` seconds in which any station is
    open."""
    stretches: list[tuple[float, float, bool]] = []
    at, left = begins, open_s
    for opens, closes in _merged(hours, begins):
        if opens > at:
            stretches.append((at, opens, opens - at > _LONGEST_AT_SCALE_S))
        closes = min(closes, opens + left)  # noqa: PLW2901  the last stretch is cut where the axis ends
        stretches.append((opens, closes, False))
        at, left = closes, left - (closes - opens)
        if left <= 1e-6:
            break
    lengths = [_SHRUNK_S if shrunk else end - begin for begin, end, shrunk in stretches]
    scale = (x1 - x0) / sum(lengths)
    pieces, x = [], x0
    for (begin, end, shrunk), length in zip(stretches, lengths, strict=True):
        pieces.append(Piece(begin, end, x, x + scale * length, shrunk))
        x += scale * length
    return Axis(tuple(pieces))


def closed_spans(hours: Hours, begins: float, ends: float) -> list[tuple[float, float]]:
    """Closed spans between two moments, cut to them."""
    closed, at = [], begins
    for opens, closes in open_spans(hours, begins, ends):
        if opens > at:
            closed.append((at, opens))
        at = closes
    return [*closed, *([(at, ends)] if at < ends else [])]


def _merged(hours: Sequence[Hours], begins: float) -> Iterator[tuple[float, float]]:
    """Spans in which any station is open, week by week; always open where there are no stations."""
    stations = hours or [Hours()]
    for _ in range(MOST_WEEKS):
        ends = (begins // WEEK_S + 1) * WEEK_S
        yield from joined(
            sorted(span for station_hours in stations for span in open_spans(station_hours, begins, ends))
        )
        begins = ends
