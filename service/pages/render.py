"""Templates into pages: one environment per language, and headers that keep a page to itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from functools import cache, partial
from math import ceil
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import Request, Response
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined, pass_context
from jinja2.runtime import Context

from service.doorway import Route, language_of, tools_in
from service.pages import files, live, sentences, troubles
from service.pages.gate import Visitor
from service.papers import texts, words
from service.plan.promises import PromiseAnswer
from service.records.errors import Refusal
from service.requests import act_rows, refusals
from service.requests.served import Served
from service.shop.tools import Tools

_TEMPLATES = Path(__file__).parent / "templates"
HEADERS = {
    # A page runs our own script, shows our own pictures and talks to this service alone.
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    # With `no-referrer` a browser would send `Origin: null` with our own forms.
    "Referrer-Policy": "same-origin",
    "Cache-Control": "no-store",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


class PageRoute(Route):
    """A route for people: whatever goes wrong there is shown on a page (`service.pages.faults`)."""


def status_of(refusal: Refusal) -> int:
    """The HTTP status of a refusal; programs get the same."""
    return refusals.status_of(type(refusal))


def saved(served: Served) -> Response:
    """A file that the browser saves under its name."""
    headers = {"Content-Disposition": f'attachment; filename="{served.name}"'}
    return Response(served.data, media_type=served.media_type, headers=headers)


def page(
    request: Request,
    template: str,
    visitor: Visitor | None = None,
    *,
    status: int = 200,
    refused: Refusal | None = None,
    otherwise: str = "",
    **values: Any,
) -> HTMLResponse:
    """A whole page. `refused` is shown at its top, loudly; `otherwise` is the language for whoever asks for
    none."""
    language = visitor.language if visitor else language_of(request, otherwise)
    tools = tools_in(request.app)
    content = (
        _environment(language)
        .get_template(template)
        .render(
            visitor=visitor,
            language=language,
            languages=texts.LANGUAGES,
            here=request.url.path,
            static=files.address,
            refused=refused,
            signature=partial(_seen, request, tools),
            time_zone=tools.catalogue.current.policy.time_zone,
            **values,
        )
    )
    return HTMLResponse(content, status_code=status, headers=HEADERS)


def _seen(request: Request, tools: Tools) -> str:
    """The signature of everything that a page shows: as of before it was read, so that what changed while it
    was drawn has it drawn anew. What answers a form was changed by the form itself."""
    move = getattr(request.state, "newest_move", None)
    return live.signature_of(tools, "all") if move is None else live.signature_up_to(move)


@cache
def _environment(language: str) -> Environment:
    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    language_texts = texts.texts_of(language)
    environment.install_gettext_translations(language_texts, newstyle=True)  # type: ignore[attr-defined]
    environment.policies["ext.i18n.trimmed"] = True
    environment.filters["moment"] = _on_the_shop_s_clock(language)
    environment.filters["promised"] = lambda promise, zone: _promised(promise, zone, language)
    environment.filters["minutes"] = lambda seconds: words.minutes(seconds, language_texts.gettext)
    environment.filters["mm"] = lambda value: sentences.number(value, language, "0.0")
    environment.filters["mm_up"] = lambda value: sentences.number(
        ceil(10 * value - 1e-9) / 10, language, "0.0"
    )
    environment.filters["digits"] = lambda value, digits: sentences.number(
        value, language, f"0.{'0' * digits}" if digits else "0"
    )
    environment.filters["plain"] = lambda value: sentences.number(value, language, "0.####")
    environment.filters["signed"] = lambda value, digits: sentences.number(
        value, language, "+0.{0};-0.{0}".format("0" * digits)
    )
    environment.filters["face"] = lambda name: language_texts.gettext(
        words.FACES.get(name) or str(name).replace("_", " ")
    )
    environment.filters["spoken"] = lambda name: str(name).replace("_", " ")
    environment.filters["state"] = lambda state: language_texts.gettext(words.STATES.get(state) or str(state))
    environment.filters["lotstate"] = lambda state: language_texts.gettext(
        words.LOT_STATES.get(state) or str(state)
    )
    environment.filters["happened"] = lambda what: language_texts.gettext(
        words.HAPPENED.get(what) or words.STATES.get(what) or str(what).replace("_", " ")
    )
    for name, said in (
        ("remakereason", words.REMAKE_REASONS),
        ("payer", words.PAYERS),
        ("suspect", words.SUSPECTS),
        ("returned", words.RETURNED),
        ("spoiledby", words.SPOILED_BY),
        ("binchange", words.BIN_CHANGES),
        ("unitstate", words.UNIT_STATES),
        ("workstate", words.WORK_ORDER_STATES),
        ("supplychange", words.SUPPLY_CHANGES),
    ):
        environment.filters[name] = partial(_worded, said, language_texts)
    environment.filters["act"] = lambda row: language_texts.gettext(
        words.ACTS.get(f"{row.subject} {row.move_to}") or f"{row.subject} {row.move_to}".replace("_", " ")
    )
    environment.filters["details"] = act_rows.details
    environment.filters["reason"] = lambda name: language_texts.gettext(
        words.REASONS.get(name, str(name).replace("_", " "))
    )
    environment.filters["cleared"] = lambda name: language_texts.gettext(
        words.CLEARED.get(name) or words.REASONS.get(name, str(name).replace("_", " "))
    )
    environment.filters["wayout"] = lambda name: language_texts.gettext(words.WAYS_OUT.get(name, ""))
    environment.filters["handle"] = lambda degrees: language_texts.gettext(words.handle(degrees))
    environment.filters["refusal"] = lambda refused: sentences.refusal(refused, language)
    environment.filters["finding"] = lambda answered, asked="": sentences.finding(answered, language, asked)
    environment.filters["note"] = lambda noted: sentences.note(noted, language)
    environment.filters["sentence"] = lambda message: sentences.sentence(message, language)
    environment.filters["trouble"] = lambda said: troubles.trouble(said, language)
    environment.globals["handle_arrow"] = words.handle_arrow
    return environment


def _worded(said: Mapping[str, str], language_texts: texts.Texts, name: str) -> str:
    """What a name of the service's is called; a name that nobody has put into words stays as it is."""
    return language_texts.gettext(said.get(name, name))


def _on_the_shop_s_clock(language: str) -> Callable[[Context, Any], str]:
    @pass_context
    def moment(context: Context, given: Any) -> str:
        zone = ZoneInfo(context["time_zone"])
        return texts.day_and_time(_moment(given).astimezone(zone), language)

    return moment


def _promised(promise: PromiseAnswer, zone: str, language: str) -> str:
    """The promise in words, or why there is none."""
    say = texts.texts_of(language).gettext
    if promise.ready_by is None:
        return say(words.PROMISES[promise.reason or ""])
    return texts.ready_by(promise.ready_by, zone, language, say)


def _moment(given: Any) -> datetime:
    return given if isinstance(given, datetime) else datetime.fromisoformat(given)
