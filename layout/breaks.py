"""Where a line may be broken: the buyer's own breaks always, automatic ones only between those."""

from __future__ import annotations

from itertools import combinations

import icu

from layout.text import LINE_FEED

#: With more places to break than this only the most even choices would matter; longer texts don't fit a blade.
MOST_BREAKS = 12


def choices(text: str, max_lines: int) -> tuple[tuple[str, ...], ...]:
    """Ways to set NFC `text` in at most `max_lines` lines, fewest lines first (Unicode Annex 14).

    Blanks at a break are dropped. The first choice keeps only the buyer's own breaks, even when that is more
    lines than allowed, so that a caller can say so.

    >>> choices("Anna & Ben", 2)
    (('Anna & Ben',), ('Anna', '& Ben'), ('Anna &', 'Ben'))
    """
    own = tuple(line.strip() for line in text.split(LINE_FEED))
    found = [own]
    for extra in range(1, max_lines - len(own) + 1):
        found += _broken(own, extra)
    return tuple(dict.fromkeys(found))


def _broken(own: tuple[str, ...], extra: int) -> list[tuple[str, ...]]:
    places = [
        (number, at) for number, line in enumerate(own) for at in _places(line)
    ]  # every automatic break, as (own line, offset)
    if len(places) > MOST_BREAKS:
        places = places[:: -(-len(places) // MOST_BREAKS)]
    return [_cut(own, chosen) for chosen in combinations(places, extra)]


def _places(line: str) -> list[int]:
    """Offsets (code points) inside the line at which it may be broken."""
    iterator = icu.BreakIterator.createLineInstance(icu.Locale.getRoot())
    text = icu.UnicodeString(line)
    iterator.setText(text)
    # ICU counts in UTF-16; the text before a break has as many code points as it says itself.
    return [text.countChar32(0, at) for at in iterator if at < text.length()]


def _cut(own: tuple[str, ...], chosen: tuple[tuple[int, int], ...]) -> tuple[str, ...]:
    lines: list[str] = []
    for number, line in enumerate(own):
        cuts = [0, *(at for where, at in chosen if where == number), len(line)]
        lines += [line[a:b].strip() for a, b in zip(cuts, cuts[1:], strict=False)]
    return tuple(lines)
