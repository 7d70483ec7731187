"""The burn formats a station may read: for each, the function that writes it and its media type."""

from collections.abc import Callable, Mapping

from layout.burn.dxf import burn_dxf
from layout.burn.pdf import burn_pdf
from layout.burn.svg import burn_svg

WRITERS: Mapping[str, Callable[..., bytes]] = {"svg": burn_svg, "dxf": burn_dxf, "pdf": burn_pdf}


MEDIA_TYPES = {"svg": "image/svg+xml", "dxf": "image/vnd.dxf", "pdf": "application/pdf"}
