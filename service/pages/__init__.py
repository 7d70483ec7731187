"""Pages for bench, desk, board and owner: rendered here, kept live by server-sent events.

Every page works with plain forms and links. The script (`static/pages.js`) only saves waiting: it swaps the
middle of the page instead of the whole, listens for changes, and types what a scanner reads into the right
field.
"""

from __future__ import annotations

from service.pages import (
    ahead,
    assembly,
    bench,
    bins,
    board,
    buyer,
    cards,
    changes,
    components,
    describing,
    desk,
    docs,
    drawings,
    estimates,
    face_editor,
    figures,
    files,
    fonts,
    guides,
    live,
    lots,
    matrix,
    measuring,
    owner,
    packing,
    phone,
    plates,
    problem_codes,
    remakes,
    routines,
    signing,
    stock,
    what_if,
)

#: Modules with a `router`, as the application includes them.
ROUTERS = (
    signing,
    bench,
    packing,
    bins,
    assembly,
    desk,
    phone,
    remakes,
    routines,
    board,
    ahead,
    figures,
    what_if,
    lots,
    measuring,
    plates,
    owner,
    drawings,
    changes,
    cards,
    describing,
    face_editor,
    fonts,
    matrix,
    estimates,
    stock,
    buyer,
    problem_codes,
    guides,
    docs,
    live,
    files,
    components,
)

#: Largest body of each address that takes more than the service's own limit.
UPLOADS = {
    stock.ADDRESS: stock.LARGEST_FILE,
    describing.UPLOAD: describing.LARGEST_PHOTO + 2**16,
    fonts.UPLOAD: fonts.LARGEST_FILE + 2**16,
    describing.TEXT: describing.LARGEST_TEXT,
    plates.ADDRESS: plates.LARGEST_FORM,
    drawings.ADDRESS: drawings.LARGEST_FORM,
    f"{drawings.ADDRESS}/file": drawings.LARGEST_FORM,
    f"{drawings.ADDRESS}/draft": drawings.LARGEST_FORM,
}
#: The same, of addresses with a name in them.
NAMED_UPLOADS = {bench.PHOTO_ADDRESS: bench.LARGEST_PHOTO_FORM}

#: Where somebody without a key may send a form: how these addresses begin.
OPEN = ("/sign-in", "/sign-out", "/proof/")

__all__ = [
    "NAMED_UPLOADS",
    "OPEN",
    "ROUTERS",
    "UPLOADS",
    "ahead",
    "assembly",
    "bench",
    "bins",
    "board",
    "buyer",
    "cards",
    "changes",
    "components",
    "describing",
    "desk",
    "docs",
    "drawings",
    "estimates",
    "face_editor",
    "figures",
    "files",
    "fonts",
    "guides",
    "live",
    "lots",
    "matrix",
    "measuring",
    "owner",
    "packing",
    "phone",
    "plates",
    "problem_codes",
    "remakes",
    "routines",
    "signing",
    "stock",
    "what_if",
]
