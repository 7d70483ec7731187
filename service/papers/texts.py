"""The words of the pages: English in the templates, other languages in one catalogue each (`texts/*.po`)."""

from __future__ import annotations

import gettext
from collections.abc import Callable
from datetime import datetime, time, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

from babel import Locale
from babel.dates import format_date, format_time
from babel.messages.pofile import read_po

from service.papers.words import _

_FOLDER = Path(__file__).parent / "texts"
#: Languages by code, each by its own name.
LANGUAGES = {"en": "English", "de": "Deutsch"}
DEFAULT = "en"


class Texts(gettext.NullTranslations):
    """One language's messages, read from its catalogue; what it lacks stays English."""

    def __init__(self, messages: dict[str, str], plurals: dict[str, tuple[str, str]]) -> None:
        super().__init__()
        self._messages, self._plurals = messages, plurals

    def gettext(self, message: str) -> str:
        return self._messages.get(message, message)

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        singular, plural = self._plurals.get(msgid1, (msgid1, msgid2))
        return singular if n == 1 else plural


@cache
def texts_of(language: str) -> Texts:
    """The messages of a language. Raises KeyError for one that is not offered."""
    if language not in LANGUAGES:
        raise KeyError(language)
    if language == DEFAULT:
        return Texts({}, {})
    with (_FOLDER / f"{language}.po").open("rb") as file:
        catalogue = read_po(file, locale=language)
    messages: dict[str, str] = {}
    plurals: dict[str, tuple[str, str]] = {}
    for message in catalogue:
        if not isinstance(message.id, str):
            forms = [*message.string] if message.string else []
            if len(forms) == 2 and all(forms):
                plurals[message.id[0]] = (forms[0], forms[1])
        elif message.id and message.string:
            messages[message.id] = str(message.string)
    return Texts(messages, plurals)


def language_of(cookie: str | None, accepted: str, otherwise: str = "") -> str:
    """The language chosen on the sign-in page; else the first that the browser asks for and that is there;
    else `otherwise`, or English.

    >>> language_of(None, "fr;q=0.9, de-AT, en")
    'de'
    >>> language_of(None, "fr", "de")
    'de'
    """
    if cookie in LANGUAGES:
        return cookie
    wanted = [part.split(";")[0].strip().split("-")[0].lower() for part in accepted.split(",")]
    return next((code for code in wanted if code in LANGUAGES), otherwise or DEFAULT)


def day_and_time(moment: datetime, language: str) -> str:
    """A moment as people of that language write it, on the clock that it comes with."""
    locale = Locale.parse(language)
    return f"{format_date(moment, 'EEE d MMM', locale=locale)} {format_time(moment, 'HH:mm', locale=locale)}"


def ready_by(moment: datetime, zone: str, language: str, say: Callable[[str], str]) -> str:
    """A promise as people of the shop say it, on the shop's own clock: midnight is the end of a day.

    >>> evening = datetime.fromisoformat("2026-11-26T23:00:00+00:00")
    >>> ready_by(evening, "Europe/Berlin", "en", str), ready_by(evening, "UTC", "en", str)
    ('ready to hand over by the end of Thu 26 Nov', 'ready to hand over by Thu 26 Nov, 23:00')
    """
    local, locale = moment.astimezone(ZoneInfo(zone)), Locale.parse(language)
    if local.time() == time():
        day = format_date(local - timedelta(days=1), "EEE d MMM", locale=locale)
        return say(_("ready to hand over by the end of %s")) % day
    day = format_date(local, "EEE d MMM", locale=locale)
    return say(_("ready to hand over by %s")) % f"{day}, {format_time(local, 'HH:mm', locale=locale)}"
