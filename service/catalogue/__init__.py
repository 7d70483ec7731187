"""The shop's own description: read once, checked whole, versioned by digest."""

from service.catalogue.files import default_folder, read
from service.catalogue.loader import load, parse, reopen, troubles_in
from service.catalogue.stock import BinStock, load_stock
from service.catalogue.troubles import CatalogueError, Trouble

__all__ = [
    "BinStock",
    "CatalogueError",
    "Trouble",
    "default_folder",
    "load",
    "load_stock",
    "parse",
    "read",
    "reopen",
    "troubles_in",
]
