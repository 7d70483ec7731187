"""The shop's own description: read once, checked whole, versioned by digest."""

from service.catalogue.loader import CatalogueError, Trouble, default_folder, load, parse, read
from service.catalogue.stock import BinStock, load_stock

__all__ = ["BinStock", "CatalogueError", "Trouble", "default_folder", "load", "load_stock", "parse", "read"]
