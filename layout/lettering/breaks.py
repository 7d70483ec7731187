"""Where a line may be broken: the buyer's own breaks always, automatic ones only between those."""

from __future__ import annotations

from itertools import accumulate, combinations, islice, pairwise
from math import comb

import icu

from layout.lettering.text import LINE_FEED, graphemes

#: At most so many ways are offered for each number of lines. When there are more, the most even ones are
#: kept: the longest line limits the height, so uneven ways would lose anyway.
MOST_CHOICES = 64
#: With more ways than this to choose the breaks, only those nearest to even lines are looked at.
_MOST_COMBINATIONS = 4_000


def choices(text: str, max_lines: int) -> tuple[tuple[str, ...], ...]:
    """Ways to set NFC `text` in at most `max_lines` lines, fewest lines first (Unicode Annex 14).

    Blanks at a break are dropped. The first choice keeps only the buyer's own breaks, even when that is more
    lines than allowed, so that a caller can say so.

    >>> choices("Anna & Ben", 2)
    (('Anna & Ben',), ('Anna', '& Ben'), ('Anna &', 'Ben'))
    """
    own = tuple(line.strip() for line in text.split(LINE_FEED))
    ways = [own]
    for extra in range(1, max_lines - len(own) + 1):
        ways += _broken(own, extra)
    return tuple(dict.fromkeys(ways))


def places(line: str) -> tuple[int, ...]:
    """Offsets (code points) inside a line at which it may be broken; never inside a grapheme."""
    whole = set(accumulate(map(len, graphemes(line))))
    iterator = icu.BreakIterator.createLineInstance(icu.Locale.getRoot())
    text = icu.UnicodeString(line)
    iterator.setText(text)
    # ICU counts in UTF-16; the text before a break has as many code points as it says itself.
    ends = (text.countChar32(0, at) for at in iterator)
    return tuple(at for at in ends if at in whole and at < len(line))


def _broken(own: tuple[str, ...], extra: int) -> list[tuple[str, ...]]:
    everywhere = [(number, at) for number, line in enumerate(own) for at in places(line)]
    ways = [_cut(own, chosen) for chosen in combinations(_near_even(own, everywhere, extra), extra)]
    if len(ways) <= MOST_CHOICES:
        return ways
    longest = {way: max(len(graphemes(line)) for line in way) for way in ways}
    kept = set(islice(sorted(longest, key=lambda way: (longest[way], way)), MOST_CHOICES))
    return [way for way in ways if way in kept]


def _near_even(own: tuple[str, ...], everywhere: list[tuple[int, int]], extra: int) -> list[tuple[int, int]]:
    """The places to choose from: all of them, or when that is too much those nearest to even lines."""
    if comb(len(everywhere), extra) <= _MOST_COMBINATIONS:
        return everywhere
    begins = [sum(map(len, own[:number])) for number in range(len(own))]
    total = sum(map(len, own))
    ideal = [total * (k + 1) / (extra + 1) for k in range(extra)]

    def off(place: tuple[int, int]) -> float:
        return min(abs(begins[place[0]] + place[1] - point) for point in ideal)

    most = extra
    while comb(most + 1, extra) <= _MOST_COMBINATIONS:
        most += 1
    return sorted(sorted(everywhere, key=off)[:most])


def _cut(own: tuple[str, ...], chosen: tuple[tuple[int, int], ...]) -> tuple[str, ...]:
    lines: list[str] = []
    for number, line in enumerate(own):
        cuts = [0, *(at for where, at in chosen if where == number), len(line)]
        lines += [line[a:b].strip() for a, b in pairwise(cuts)]
    return tuple(lines)
