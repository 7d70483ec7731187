"""SVG path data, read strictly: what another program might read differently is refused, not guessed at."""

from __future__ import annotations

import re
from typing import Any

from fontTools.svgLib.path import parse_path

# fontTools leaves out what it does not know, so a letter that is no command and a missing first move are
# refused here.
_GRAMMAR = re.compile(r"\s*[Mm][MmLlHhVvCcSsQqTtAaZz0-9eE+\-.,\s]*")


def draw_path(data: str, pen: Any) -> None:
    """Draw path data (SVG 1.1, section 8.3) with a fontTools pen. Raises ValueError when it can't be read."""
    if not _GRAMMAR.fullmatch(data):
        raise ValueError("the path can't be read: it is no SVG path data")
    try:
        parse_path(data, pen)
    except (
        ValueError,
        IndexError,
        AssertionError,
        TypeError,
        ZeroDivisionError,
        NotImplementedError,
    ) as error:
        raise ValueError(f"the path can't be read: {error or type(error).__name__}") from error
