"""A page's forms as a browser without scripts would send them."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser


@dataclass
class FormRead:
    """One form: where it is sent, and its fields as they stand."""

    action: str
    fields: dict[str, str] = field(default_factory=dict)
    buttons: list[tuple[str, str]] = field(default_factory=list)


class FormsOf(HTMLParser):
    """Every form of a page, in order."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.forms: list[FormRead] = []
        self._form: FormRead | None = None
        self._select: str | None = None
        self._area: str | None = None
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = {name: value or "" for name, value in attrs}
        if tag == "form":
            self._form = FormRead(named.get("action", ""))
            self.forms.append(self._form)
        if self._form is None:
            return
        name = named.get("name", "")
        if tag == "input" and name:
            if named.get("type") in ("checkbox", "radio"):
                if "checked" in named:
                    self._form.fields[name] = named.get("value", "on")
            elif named.get("type") != "file":
                self._form.fields[name] = named.get("value", "")
        elif tag == "select":
            self._select = name
        elif tag == "option" and self._select is not None:
            if "selected" in named or self._select not in self._form.fields:
                self._form.fields[self._select] = named.get("value", "")
        elif tag == "textarea":
            self._area = name
            self._form.fields[name] = ""
        elif tag == "button":
            self._form.buttons.append((name, named.get("value", "")))

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._form = None
        elif tag == "select":
            self._select = None
        elif tag == "textarea" and self._area is not None and self._form is not None:
            # A line end right behind the tag is not part of the text.
            self._form.fields[self._area] = self._form.fields[self._area].removeprefix("\n")
            self._area = None

    def handle_data(self, data: str) -> None:
        if self._area is not None and self._form is not None:
            self._form.fields[self._area] += data


def form_to(html: str, action: str) -> FormRead:
    """The form of a page that is sent to an address that begins so."""
    return next(form for form in FormsOf(html).forms if form.action.startswith(action))
