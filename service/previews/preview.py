"""Words tried on a product by its buyer."""

from __future__ import annotations

from collections.abc import Sequence

from layout.pictures.preview import Preview, Suggested
from layout.shop.inscriptions import Inscription
from layout.shop.shop import Shop
from service.intake import check as checks
from service.intake import preview_tokens as tokens
from service.papers.voice import Voice
from service.previews.buyers_words import VERDICTS, finding_said, size_said, suggestion_said
from service.previews.preview_answers import (
    BuyersFindingAnswer,
    Language,
    PreviewAnswer,
    SizeAnswer,
    SuggestedAnswer,
)
from service.records.who import Who
from service.requests import sessions
from service.requests.inscription_answers import inscription_answer
from service.shop.tools import Tools


def preview(
    tools: Tools,
    sku: str,
    inscriptions: Sequence[Inscription],
    *,
    language: Language,
    voice: Voice,
    buyer: str,
    who: Who,
) -> PreviewAnswer:
    """Check words and show them. `buyer`: who asks, as far as that is known (an address).

    Raises CheckTooSlow, CheckersBusy.
    """
    in_force = checks.in_force_now(tools)
    shop: Shop = tools.catalogue.current
    seen: Preview = tools.geometry.preview(
        sku, inscriptions, in_force=in_force, client=buyer, store=who.sees_client
    )
    token = until = None
    if seen.digest is not None:
        token, until = tokens.make(
            client=who.client,
            sku=sku,
            catalogue_version=shop.version,
            inscriptions=inscriptions,
            digest=seen.digest,
            secret=sessions.secret_of(tools.settings.data),
            now=tools.clock(),
        )
    return PreviewAnswer(
        sku=sku,
        language=language,
        verdict=seen.verdict,
        message=voice.say(VERDICTS[seen.verdict]),
        findings=_findings(seen, inscriptions, voice),
        sizes=tuple(
            SizeAnswer(
                inscription=sized.inscription,
                zone=sized.zone,
                face=sized.face,
                lines=sized.lines,
                height_mm=round(sized.height_mm, 4),
                width_mm=round(sized.width_mm, 4),
                message=size_said(sized, inscriptions[sized.inscription].kind, voice),
            )
            for sized in seen.sizes
        ),
        pictures=dict(seen.pictures),
        suggestions=tuple(_suggested(one, inscriptions, shop, voice) for one in seen.suggestions),
        token=token,
        expires_at=until,
    )


def _findings(
    seen: Preview, inscriptions: Sequence[Inscription], voice: Voice
) -> tuple[BuyersFindingAnswer, ...]:
    return tuple(
        BuyersFindingAnswer(
            code=finding.code,
            severity=finding.severity,
            inscription=finding.inscription,
            span=finding.span,
            message=finding_said(
                finding, None if finding.inscription is None else inscriptions[finding.inscription], voice
            ),
        )
        for finding in seen.findings
    )


def _suggested(
    one: Suggested, inscriptions: Sequence[Inscription], shop: Shop, voice: Voice
) -> SuggestedAnswer:
    asked = inscriptions[one.changes]
    instead = [*inscriptions[: one.changes], one.inscription, *inscriptions[one.changes + 1 :]]
    return SuggestedAnswer(
        inscriptions=tuple(map(inscription_answer, instead)),
        changes=one.changes,
        height_mm=round(one.size_mm, 4),
        message=suggestion_said(asked, one.inscription, one.size_mm, shop.fonts, voice),
        picture=one.picture,
    )
