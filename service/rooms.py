"""All rooms of both doors, the API and the pages, in the order in which their routes are looked through, and
the largest bodies that they take.

To load them takes longer than all else of a start: `service.app` does it behind the first answers.
"""

from __future__ import annotations

from service.api import (
    acts,
    assembly,
    batches,
    build_list,
    build_plan,
    calibrations,
    callbacks,
    catalogue,
    catalogue_versions,
    checks,
    estimates,
    events,
    figures,
    health,
    jobs,
    loads,
    lots,
    matrix_cards,
    metrics,
    orders,
    packing,
    papers,
    photos,
    pictures,
    plan,
    previews,
    pulls,
    remakes,
    routines,
    sandbox,
    stock,
    test_cards,
    what_if,
)
from service.pages import (
    ahead,
    artworks,
    bench,
    bins,
    board,
    buyer,
    cards,
    carried,
    changes,
    components,
    describing,
    desk,
    docs,
    drawings,
    face_editor,
    files,
    fonts,
    guides,
    live,
    matrix,
    measuring,
    owner,
    phone,
    plates,
    problem_codes,
    signing,
)
from service.pages import (
    assembly as assembly_pages,
)
from service.pages import (
    estimates as estimates_pages,
)
from service.pages import (
    figures as figures_pages,
)
from service.pages import (
    lots as lots_pages,
)
from service.pages import (
    packing as packing_pages,
)
from service.pages import (
    remakes as remakes_pages,
)
from service.pages import (
    routines as routines_pages,
)
from service.pages import (
    stock as stock_pages,
)
from service.pages import (
    what_if as what_if_pages,
)

#: Modules with a `router`: for programs.
API = (
    health,
    papers,  # before orders, which would take proof.pdf for one of its own pictures
    checks,
    previews,
    batches,
    orders,
    jobs,
    stock,
    catalogue,
    catalogue_versions,
    loads,
    lots,
    pulls,
    packing,
    assembly,
    photos,
    figures,
    remakes,
    routines,
    plan,
    build_list,
    build_plan,
    estimates,
    what_if,
    pictures,
    calibrations,
    test_cards,
    matrix_cards,
    callbacks,
    sandbox,
    acts,
    events,
    metrics,
)

#: The same, for people.
PAGES = (
    signing,
    bench,
    packing_pages,
    bins,
    assembly_pages,
    desk,
    phone,
    remakes_pages,
    routines_pages,
    board,
    ahead,
    figures_pages,
    what_if_pages,
    lots_pages,
    measuring,
    plates,
    owner,
    drawings,
    artworks,
    changes,
    cards,
    describing,
    face_editor,
    fonts,
    matrix,
    estimates_pages,
    stock_pages,
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
    stock_pages.ADDRESS: stock_pages.LARGEST_FILE,
    describing.UPLOAD: describing.LARGEST_PHOTO + 2**16,
    fonts.UPLOAD: fonts.LARGEST_FILE + 2**16,
    describing.TEXT: describing.LARGEST_TEXT,
    plates.ADDRESS: plates.LARGEST_FORM,
    artworks.ADDRESS: carried.LARGEST_FORM,
    drawings.ADDRESS: carried.LARGEST_FORM,
    f"{drawings.ADDRESS}/file": carried.LARGEST_FORM,
    f"{drawings.ADDRESS}/draft": carried.LARGEST_FORM,
    batches.ADDRESS: batches.LARGEST_BATCH,
    catalogue_versions.VERSIONS: catalogue_versions.LARGEST,
    catalogue_versions.TRIALS: catalogue_versions.LARGEST,
}
#: The same, of addresses with a name in them.
NAMED_UPLOADS = {photos.ADDRESS: photos.LARGEST_PHOTO, bench.PHOTO_ADDRESS: bench.LARGEST_PHOTO_FORM}
