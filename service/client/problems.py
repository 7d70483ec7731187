"""What can go wrong, as exceptions."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


class Problem(Exception):
    """The service refused (RFC 9457). Go by `code`; the page `/problems/CODE` says what it means.

    `about` is the whole answer: what stood in the way is in it, such as `field`, `errors`, `order` or
    `lines`.
    """

    def __init__(self, status: int, about: Mapping[str, Any]) -> None:
        super().__init__(f"{status} {about['code']}: {about.get('detail', '')}")
        self.status = status
        self.code: str = about["code"]
        self.detail: str = about.get("detail", "")
        self.about = dict(about)


class NoAnswer(Exception):
    """Nobody who speaks for the service answered, as often as it was tried: whether the request was carried
    out is not known. The same request, with the same order or the same key, can be sent again at any time."""
