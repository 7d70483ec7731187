"""What workers share in memory: loaded by the process from which they are forked (see
`service.shop.worker_pool`), and by nobody else.

The shop's description and its opened fonts are there once, however many workers check. A folder that can't be
loaded is left for the worker that needs it, which says why.
"""

import contextlib
import gc
import os
from pathlib import Path

import scipy.spatial  # noqa: F401  where centre lines are drawn; each worker would load its own
import svgwrite  # noqa: F401  what pictures are drawn with

from layout.lettering.fonts import FontRefused
from service.shop import catalogue
from service.shop.geometry_workers import open_catalogue

with contextlib.suppress(catalogue.CatalogueError, FontRefused):
    open_catalogue(Path(os.environ.get("RICASSO_FIXTURES") or catalogue.default_folder()))
# What is frozen is not looked at by the workers' garbage collection, which would copy every page.
gc.collect()
gc.freeze()
