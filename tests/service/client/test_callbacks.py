"""Callbacks are believed only when they are signed and of now. Reference: standardwebhooks 1.1.0 signs and
verifies beside it (https://github.com/standard-webhooks/standard-webhooks)."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from standardwebhooks.webhooks import Webhook

from service.client import NotSigned, verified

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
OTHER = "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD"
AT = datetime(2026, 12, 1, 9, tzinfo=UTC)
BODY = b'{"type":"order.released","timestamp":"2026-12-01T09:00:00+00:00","data":{"order":"O1"}}'


def signed_by_reference(body: bytes = BODY, *, secret: str = SECRET) -> dict[str, str]:
    return {
        "webhook-id": "ev_1",
        "webhook-timestamp": str(int(AT.timestamp())),
        "webhook-signature": Webhook(secret).sign("ev_1", AT, body.decode()),
    }


def test_what_the_reference_signs_is_believed() -> None:
    event = verified(BODY, signed_by_reference(), SECRET, now=AT.timestamp())

    assert (event.id, event.type, event.data) == ("ev_1", "order.released", {"order": "O1"})


def test_one_good_signature_among_others_is_enough() -> None:
    headers = signed_by_reference()
    headers["webhook-signature"] = f"v1a,AAAA v1,AAAA {headers['webhook-signature']}"

    assert verified(BODY, headers, OTHER, SECRET, now=AT.timestamp()).id == "ev_1"


@pytest.mark.parametrize("late", [301, -301])
def test_an_old_callback_sent_again_is_not_believed(late: int) -> None:
    with pytest.raises(NotSigned, match="too old"):
        verified(BODY, signed_by_reference(), SECRET, now=AT.timestamp() + late)


@pytest.mark.parametrize(
    ("changed", "body"),
    [
        ({}, BODY + b" "),
        ({"webhook-id": "ev_2"}, BODY),
        ({"webhook-timestamp": "1796115601"}, BODY),
        ({"webhook-timestamp": "noon"}, BODY),
        ({"webhook-signature": ""}, BODY),
        ({"webhook-signature": "v1,%%%"}, BODY),
        ({"webhook-signature": "v2," + "A" * 44}, BODY),
    ],
)
def test_whatever_is_changed_is_not_believed(changed: dict[str, str], body: bytes) -> None:
    with pytest.raises(NotSigned):
        verified(body, signed_by_reference() | changed, SECRET, now=AT.timestamp())


@pytest.mark.parametrize("secrets", [(), (OTHER,)])
def test_without_the_right_secret_nothing_is_believed(secrets: tuple[str, ...]) -> None:
    with pytest.raises(NotSigned):
        verified(BODY, signed_by_reference(), *secrets, now=AT.timestamp())


def test_a_header_that_is_missing_is_no_callback() -> None:
    with pytest.raises(NotSigned, match="missing"):
        verified(BODY, {}, SECRET)


def test_a_secret_that_is_none_is_said() -> None:
    with pytest.raises(ValueError, match="whsec_"):
        verified(BODY, signed_by_reference(), "whsec_%%%", now=AT.timestamp())
