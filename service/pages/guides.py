"""The guides, a page each: what lies as Markdown in `service/guides/`, for readers of the repository too.

Open to everyone, like the pages of problem codes: they say nothing about the shop. In English.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from fastapi import APIRouter, Request, Response
from markdown_it import MarkdownIt
from markdown_it.renderer import RendererHTML
from markdown_it.token import Token
from markupsafe import Markup

import service
from service.pages.render import PageRoute, page
from service.records.errors import NotFound

router = APIRouter(include_in_schema=False, route_class=PageRoute)

FOLDER = Path(service.__file__).parent / "guides"
#: Every guide by its reader, in the order in which the index shows them.
READERS = {
    "Owner": ("first-shop", "keys"),
    "Desk and bench": ("desk-and-bench", "plan"),
    "Store's developer": ("store",),
    "Administrator": ("operate", "scale", "settings", "security", "limits"),
}
_PICTURES = {".png": "image/png", ".svg": "image/svg+xml"}


@dataclass(frozen=True, slots=True)
class Guide:
    """A guide as its page shows it; `opening` is its first paragraph, for the index."""

    name: str
    title: str
    opening: str
    body: Markup


@router.get("/guides")
def get_guides(request: Request) -> Response:
    """All guides, by reader."""
    readers = {reader: [guide(name) for name in names] for reader, names in READERS.items()}
    return page(request, "guides.html", readers=readers)


@router.get("/guides/{name}")
def get_guide(request: Request, name: str) -> Response:
    """One guide."""
    if name not in {name for names in READERS.values() for name in names}:
        raise NotFound("there is no such guide")
    return page(request, "guide.html", guide=guide(name))


@router.get("/guides/pictures/{name}")
def get_guide_picture(name: str) -> Response:
    """A picture that a guide shows."""
    if name not in _pictures():
        raise NotFound("there is no such picture")
    path = FOLDER / "pictures" / name
    return Response(
        path.read_bytes(),
        media_type=_PICTURES[path.suffix],
        headers={"Cache-Control": "public, max-age=3600"},
    )


@cache
def _pictures() -> frozenset[str]:
    return frozenset(path.name for path in (FOLDER / "pictures").iterdir() if path.suffix in _PICTURES)


@cache
def guide(name: str) -> Guide:
    """The guide of that name, rendered once."""
    markdown = MarkdownIt("commonmark", {"html": False}, renderer_cls=_Renderer).enable("table")
    tokens = markdown.parse((FOLDER / f"{name}.md").read_text(encoding="utf-8"))
    title, opening = (_text(tokens, kind) for kind in ("heading_open", "paragraph_open"))
    return Guide(name, title, opening, Markup(markdown.renderer.render(tokens, markdown.options, {})))  # noqa: S704  our own files


def _text(tokens: list[Token], kind: str) -> str:
    """What the first block of that kind says, without its marks."""
    at = next(number for number, token in enumerate(tokens) if token.type == kind)
    parts = tokens[at + 1].children or []
    return "".join(" " if part.type == "softbreak" else part.content for part in parts)


class _Renderer(RendererHTML):
    """Links that lead where the guides are served, headings that can be linked to, tables that scroll."""

    def heading_open(self, tokens, index, options, env):  # type: ignore[no-untyped-def]
        tokens[index].attrSet("id", anchor(tokens[index + 1].content))
        return self.renderToken(tokens, index, options, env)

    def table_open(self, tokens, index, options, env):  # type: ignore[no-untyped-def]
        return '<div class="scroll" tabindex="0">' + self.renderToken(tokens, index, options, env)

    def table_close(self, tokens, index, options, env):  # type: ignore[no-untyped-def]
        return self.renderToken(tokens, index, options, env) + "</div>"

    def link_open(self, tokens, index, options, env):  # type: ignore[no-untyped-def]
        tokens[index].attrSet("href", served_at(str(tokens[index].attrs["href"])))
        return self.renderToken(tokens, index, options, env)

    def image(self, tokens, index, options, env):  # type: ignore[no-untyped-def]
        tokens[index].attrSet("src", f"/guides/{tokens[index].attrs['src']}")
        tokens[index].attrSet("loading", "lazy")
        return super().image(tokens, index, options, env)


def anchor(heading: str) -> str:
    """The fragment that leads to a heading.

    >>> anchor("What to do on every refusal")
    'what-to-do-on-every-refusal'
    """
    return re.sub(r"[^\w]+", "-", heading.lower()).strip("-")


def served_at(link: str) -> str:
    """Where a link of a guide leads on its page: other guides are pages, and what lies elsewhere in the
    repository is named on the page of limits, where readers of pages can't follow.

    >>> served_at("keys.md#blades"), served_at("/problems/not_found")
    ('/guides/keys#blades', '/problems/not_found')
    """
    name, _, fragment = link.partition("#")
    if name.endswith(".md") and "/" not in name:
        name = f"/guides/{name.removesuffix('.md')}"
    return f"{name}#{fragment}" if fragment else name
