"""A file to serve."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Served:
    """A file as it leaves."""

    data: bytes
    sha256: str
    name: str
    media_type: str
