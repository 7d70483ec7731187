"""Callback signatures against the vector that the Standard Webhooks reference libraries publish.

Source: standard-webhooks/standard-webhooks, libraries (the same example in each of them: secret
`whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw`, id `msg_p5jXN8AQM9LWM0D4loKWxJek`, timestamp 1614265330).
"""

from __future__ import annotations

import base64
import hashlib
import hmac

import pytest

from service.callbacks.deliveries import new_secret, sign

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
MESSAGE = "msg_p5jXN8AQM9LWM0D4loKWxJek"
TIMESTAMP = 1614265330
BODY = b'{"test": 2432232314}'


def test_the_published_vector_is_signed_as_published() -> None:
    signature = sign(SECRET, message_id=MESSAGE, timestamp=TIMESTAMP, body=BODY)

    assert signature == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


@pytest.mark.parametrize(
    "changed",
    [
        {"message_id": "msg_other"},
        {"timestamp": TIMESTAMP + 1},
        {"body": BODY + b" "},
    ],
)
def test_whatever_is_changed_changes_the_signature(changed: dict[str, object]) -> None:
    given = {"message_id": MESSAGE, "timestamp": TIMESTAMP, "body": BODY}

    assert sign(SECRET, **{**given, **changed}) != sign(SECRET, **given)  # type: ignore[arg-type]


def test_hmac_sha256_is_that_of_rfc_4231() -> None:
    """RFC 4231, test case 2: that the algorithm underneath is the one meant."""
    digest = hmac.new(b"Jefe", b"what do ya want for nothing?", hashlib.sha256).hexdigest()

    assert digest == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"


def test_secrets_are_of_the_length_the_specification_asks_for() -> None:
    """Between 24 and 64 bytes, base64, prefixed with whsec_."""
    secrets = {new_secret() for _ in range(50)}

    lengths = {len(base64.b64decode(secret.removeprefix("whsec_"), validate=True)) for secret in secrets}
    assert len(secrets) == 50
    assert lengths == {32}


def test_a_secret_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="whsec_"):
        sign("whsec_not base64!", message_id="a", timestamp=1, body=b"")
