"""A guide's Markdown as the middle of its page."""

from __future__ import annotations

import re
from dataclasses import dataclass

from markdown_it import MarkdownIt
from markdown_it.renderer import RendererHTML
from markdown_it.token import Token
from markupsafe import Markup


@dataclass(frozen=True, slots=True)
class Guide:
    """A guide as its page shows it; `opening` is its first paragraph, for the index."""

    name: str
    title: str
    opening: str
    body: Markup


def rendered(name: str, text: str) -> Guide:
    """The guide of that name from its Markdown, which is ours and may hold anything but HTML."""
    markdown = MarkdownIt("commonmark", {"html": False}, renderer_cls=_Renderer).enable("table")
    tokens = markdown.parse(text)
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
