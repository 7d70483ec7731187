"""Bins and boxed units as the shop's files give them: the opening stock, not the running one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from service.shop.catalogue.files import Documents, read
from service.shop.catalogue.schema import BinsFile, ProductsFile
from service.shop.catalogue.sentences import unknown
from service.shop.catalogue.troubles import CatalogueError, Trouble


@dataclass(frozen=True, slots=True)
class BinStock:
    """Boxed units of a product in a bin; `walking_order` is the bin's turn on the way round."""

    bin: str
    walking_order: int
    sku: str
    boxed: int


def load_stock(folder: Path) -> tuple[BinStock, ...]:
    """All bins' contents in walking order; empty when the shop gives no stock. Raises CatalogueError."""
    return stock_of(read(folder))


def stock_of(files: Mapping[str, str]) -> tuple[BinStock, ...]:
    """The same of files' texts, as `read` gives them."""
    content = {n: t for n, t in files.items() if n.startswith(("stock/", "products/"))}
    troubles: list[Trouble] = []
    documents = Documents(content, troubles)
    troubles += stock_troubles(documents, _skus(documents))
    if troubles:
        raise CatalogueError(troubles)
    counts = [
        BinStock(entry.bin, entry.walking_order, sku, boxed)
        for _, bins in documents.of("stock", BinsFile)
        for entry in bins.bin
        for sku, boxed in sorted(entry.boxed.items())
    ]
    return tuple(sorted(counts, key=lambda b: (b.walking_order, b.bin, b.sku)))


def stock_troubles(documents: Documents, skus: frozenset[str]) -> Iterator[Trouble]:
    """What is wrong with the stock files, given the products there are."""
    if not any(name.startswith("stock/") for name in documents.content):
        return
    unreadable: list[Trouble] = []
    own = Documents({n: t for n, t in documents.content.items() if n.startswith("stock/")}, unreadable)
    bins: set[str] = set()
    orders: dict[int, str] = {}
    for file, content in own.of("stock", BinsFile):
        for index, entry in enumerate(content.bin):
            place = f"bin[{index}]"
            if entry.bin in bins:
                yield Trouble(file, f"{place}.bin", f"bin {entry.bin!r} stands twice")
            bins.add(entry.bin)
            other = orders.setdefault(entry.walking_order, entry.bin)
            if other != entry.bin:
                yield Trouble(file, f"{place}.walking_order", f"bin {other!r} has the same place on the way")
            for sku in entry.boxed:
                if sku not in skus:
                    yield Trouble(file, f"{place}.boxed", unknown(f"no product {sku!r}", sku, skus))
    # A broken TOML file was already named when the catalogue's documents were read.
    yield from (t for t in unreadable if t not in documents.troubles)


def _skus(documents: Documents) -> frozenset[str]:
    return frozenset(p.sku for _, content in documents.of("products", ProductsFile) for p in content.product)
