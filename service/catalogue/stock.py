"""Bins and boxed units as the shop's files give them: the opening stock, not the running one."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from service.catalogue.loader import CatalogueError, Trouble
from service.catalogue.schema import BinsFile


@dataclass(frozen=True, slots=True)
class BinStock:
    """So many boxed units of a product in a bin; `walking_order` is the bin's turn on the way round."""

    bin: str
    walking_order: int
    sku: str
    boxed: int


def load_stock(folder: Path) -> tuple[BinStock, ...]:
    """All bins' contents in walking order. Raises CatalogueError."""
    found: list[BinStock] = []
    troubles: list[Trouble] = []
    for path in sorted((folder / "stock").glob("*.toml")):
        name = path.relative_to(folder).as_posix()
        try:
            content = BinsFile.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            troubles.append(Trouble(name, "", f"not TOML: {error}"))
            continue
        except ValidationError as error:
            troubles += [Trouble(name, ".".join(map(str, e["loc"])), e["msg"]) for e in error.errors()]
            continue
        for entry in content.bin:
            found += [
                BinStock(entry.bin, entry.walking_order, sku, n) for sku, n in sorted(entry.boxed.items())
            ]
    if troubles:
        raise CatalogueError(troubles)
    return tuple(sorted(found, key=lambda b: (b.walking_order, b.bin, b.sku)))
