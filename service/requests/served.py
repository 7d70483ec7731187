"""A file on its way to a browser or a store: bytes, digest, name and media type."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Served:
    """A file as it leaves."""

    data: bytes
    sha256: str
    name: str
    media_type: str
