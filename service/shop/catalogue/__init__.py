"""The shop's own description: read once, checked whole, versioned by digest.

files (text) -> schema (is each file well formed?) -> blades, tooling, fonts, stock (values) -> sense,
mounting (does the whole make sense: can every zone of every product be burned somewhere?). A reader collects
everything that is wrong, so that the owner mends a folder in one go; a folder with one mistake is refused
whole.
"""

from service.shop.catalogue.files import default_folder, read
from service.shop.catalogue.loader import blade_in, load, parse, reopen, troubles_in
from service.shop.catalogue.stock import BinStock, load_stock
from service.shop.catalogue.troubles import CatalogueError, Trouble

__all__ = [
    "BinStock",
    "CatalogueError",
    "Trouble",
    "blade_in",
    "default_folder",
    "load",
    "load_stock",
    "parse",
    "read",
    "reopen",
    "troubles_in",
]
