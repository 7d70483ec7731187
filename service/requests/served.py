"""A file on its way to a browser or a store: bytes, digest, name and media type."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Served:
    """A file as it leaves."""

    data: bytes
    sha256: str
    name: str
    media_type: str

    @staticmethod
    def of(content: bytes | str, name: str, media_type: str) -> Served:
        """A file made for this answer; text is sent as UTF-8."""
        data = content.encode() if isinstance(content, str) else content
        return Served(data, hashlib.sha256(data).hexdigest(), name, media_type)
