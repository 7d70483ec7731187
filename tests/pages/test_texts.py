"""The second language has every word of the pages, and keeps what is filled in."""

from __future__ import annotations

import re
from pathlib import Path

from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po

import service
from service.papers import texts

SERVICE = Path(service.__file__).parent
ROOMS = ("pages", "papers", "previews")
_METHODS = [("**.py", "python"), ("templates/**.html", "jinja2")]
_OPTIONS = {
    "templates/**.html": {"extensions": "jinja2.ext.i18n", "trimmed": "true", "newstyle_gettext": "true"}
}
_FILLED = re.compile(r"%(?:\(\w+\))?s")


def extracted() -> set[str]:
    rooms = (extract_from_dir(SERVICE / room, _METHODS, _OPTIONS) for room in ROOMS)
    messages = [message for room in rooms for _, _, message, _, _ in room]
    return {message if isinstance(message, str) else message[0] for message in messages}


def test_every_word_of_the_pages_is_in_the_second_language() -> None:
    with (SERVICE / "papers" / "texts" / "de.po").open("rb") as file:
        catalogue = {m.id if isinstance(m.id, str) else m.id[0]: m.string for m in read_po(file) if m.id}

    missing = {message for message in extracted() if not catalogue.get(message)}
    unused = set(catalogue) - extracted()

    assert len(extracted()) > 300
    assert (missing, unused) == (set(), set())


def test_no_word_is_translated_twice() -> None:
    """The reader takes the last one, whatever the first says."""
    said = re.findall(r'^msgid "(.+)"$', (SERVICE / "papers/texts/de.po").read_text("utf-8"), re.M)

    assert sorted({one for one in said if said.count(one) > 1}) == []


def test_a_translation_fills_in_what_the_original_does() -> None:
    said = texts.texts_of("de")

    wrong = [
        message
        for message in extracted()
        if sorted(_FILLED.findall(said.gettext(message))) != sorted(_FILLED.findall(message))
    ]

    assert wrong == []


def test_one_and_many_differ() -> None:
    said = texts.texts_of("de")

    one, many = (said.ngettext("%(count)s slot", "%(count)s slots", n) for n in (1, 2))

    assert (one, many) == ("%(count)s Platz", "%(count)s Pl\u00e4tze")
