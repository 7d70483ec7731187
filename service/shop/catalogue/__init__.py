"""The shop's own description: read once, checked whole, versioned by digest.

files (text) -> schema (is each file well formed?) -> blades, tooling, fonts, stock (values) -> sense,
mounting (does the whole make sense: can every zone of every product be burned somewhere?). A reader collects
everything that is wrong, so that the owner mends a folder in one go; a folder with one mistake is refused
whole.
"""

from service.shop.catalogue.files import default_folder, digest_of, keep, read, text_digest_of, write
from service.shop.catalogue.loader import (
    blade_in,
    drawing_in,
    finest_of,
    load,
    looked_over,
    outline_in,
    parse,
    reopen,
    troubles_in,
    troubles_of_files,
)
from service.shop.catalogue.stock import BinStock, load_stock, stock_of
from service.shop.catalogue.troubles import CatalogueError, Trouble

__all__ = [
    "BinStock",
    "CatalogueError",
    "Trouble",
    "blade_in",
    "default_folder",
    "digest_of",
    "drawing_in",
    "finest_of",
    "keep",
    "load",
    "load_stock",
    "looked_over",
    "outline_in",
    "parse",
    "read",
    "reopen",
    "stock_of",
    "text_digest_of",
    "troubles_in",
    "troubles_of_files",
    "write",
]
