"""The picture of how the parts hang together: what people and programs ask, which room answers, where it is
kept."""

from __future__ import annotations

from html import escape

_INK, _PETROL, _PALE, _PAPER, _HAIR = "#20303a", "#0b6470", "#e2eff0", "#fbf9f4", "#c9c4b6"
_WIDTH, _HEIGHT = 960, 640
#: Boxes: left, top, width, height, heading, what is in it, and whether it is a person or program outside.
_BOXES = (
    (20, 20, 210, 70, "Web store", "orders, checks, callbacks", True),
    (255, 20, 210, 70, "Desk", "words, pictures, held orders", True),
    (490, 20, 210, 70, "Bench", "loads, pulls, burn files", True),
    (725, 20, 215, 70, "Owner", "the shop's description, keys", True),
    (20, 150, 445, 70, "API", "service/api: JSON over HTTP, described at /openapi.json", False),
    (490, 150, 450, 70, "Pages", "service/pages: drawn here, kept live by events", False),
    (20, 270, 210, 90, "Intake", "check, take, hold, freeze", False),
    (255, 270, 210, 90, "Plan and promises", "which units share a plate, when", False),
    (490, 270, 210, 90, "Bench", "claim, pull, start once, inspect", False),
    (725, 270, 215, 90, "Callbacks", "signed, sent again for days", False),
    (20, 410, 445, 90, "layout: proposes", "lettering, fit, check, plan, burn files", False),
    (490, 410, 450, 90, "layout/judge: judges", "shares no code; no file leaves before", False),
    (20, 550, 680, 70, "Rows are the truth", "SQLite or PostgreSQL: outlines, states, history", False),
    (725, 550, 215, 70, "Laser", "reads SVG, DXF or PDF in mm", True),
)  # fmt: skip
#: Arrows: from, to.
_ARROWS = (
    ((125, 90), (125, 150)), ((360, 90), (360, 150)), ((595, 90), (595, 150)), ((832, 90), (832, 150)),
    ((125, 220), (125, 270)), ((360, 220), (360, 270)), ((595, 220), (595, 270)),
    ((125, 360), (125, 410)), ((360, 360), (360, 410)), ((595, 360), (595, 410)),
    ((465, 455), (490, 455)), ((242, 500), (242, 550)), ((832, 500), (832, 550)),
)  # fmt: skip


def architecture() -> str:
    """The picture as SVG."""
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img"'
        ' font-family="sans-serif">',
        "<title>Who asks, which part answers, where it is kept</title>",
        f'<rect width="{_WIDTH}" height="{_HEIGHT}" fill="{_PAPER}"/>',
        f'<defs><marker id="tip" viewBox="0 0 8 8" refX="7" refY="4" markerWidth="8" markerHeight="8"'
        f' orient="auto"><path d="M0 0L8 4L0 8Z" fill="{_PETROL}"/></marker></defs>',
    ]
    for (x0, y0), (x1, y1) in _ARROWS:
        parts.append(
            f'<path d="M{x0} {y0}L{x1} {y1}" stroke="{_PETROL}" stroke-width="2" marker-end="url(#tip)"/>'
        )
    for left, top, width, height, heading, inside, is_outside in _BOXES:
        fill, edge = ("#fff", _HAIR) if is_outside else (_PALE, _PETROL)
        middle = top + height / 2
        parts += [
            f'<rect x="{left}" y="{top}" width="{width}" height="{height}" rx="8" fill="{fill}"'
            f' stroke="{edge}" stroke-width="2"/>',
            f'<text x="{left + 12}" y="{middle - 6:g}" font-size="17" font-weight="700" fill="{_INK}">'
            f"{escape(heading)}</text>",
            f'<text x="{left + 12}" y="{middle + 17:g}" font-size="13.5" fill="{_INK}">'
            f"{escape(inside)}</text>",
        ]
    return "\n".join([*parts, "</svg>", ""])
