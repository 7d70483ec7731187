"""The made-up shop of `fixtures/`, read and judged once in a process: that takes half a second."""

from __future__ import annotations

import functools

from layout.shop.shop import Shop
from service.shop import catalogue


@functools.cache
def the_made_up_shop() -> Shop:
    return catalogue.load(catalogue.default_folder())
