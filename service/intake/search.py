"""Orders found by what people remember of them: reference, buyer, words, product."""

from __future__ import annotations

from collections.abc import Iterable

from layout.shop.blades import Product
from service.intake.order_rows import Sought
from service.records.errors import BadRequest
from service.records.search_words import asked_words, search_words


def sought(text: str, products: Iterable[Product]) -> list[Sought]:
    """What is looked for: an order has all the words. Products are known by their names as they are now.

    Raises BadRequest where no letter or digit is asked for.
    """
    words = asked_words(text)
    if not words:
        raise BadRequest("a search needs a letter or a digit", field="q")
    named = [(product.sku, search_words([product.name])) for product in products]
    return [
        Sought(word, tuple(sku for sku, names in named if any(name.startswith(word) for name in names)))
        for word in words
    ]
