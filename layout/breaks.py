"""Where a line may be broken: the buyer's own breaks always, automatic ones only between those."""

from __future__ import annotations

from itertools import combinations

from uniseg.linebreak import line_break_units

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
    at, places = 0, []
    for unit in line_break_units(line):
        at += len(unit)
        places.append(at)
    return places[:-1]


def _cut(own: tuple[str, ...], chosen: tuple[tuple[int, int], ...]) -> tuple[str, ...]:
    lines: list[str] = []
    for number, line in enumerate(own):
        cuts = [0, *(at for where, at in chosen if where == number), len(line)]
        lines += [line[a:b].strip() for a, b in zip(cuts, cuts[1:], strict=False)]
    return tuple(lines)
