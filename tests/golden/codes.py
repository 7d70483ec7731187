"""The tables of codes and events in the guide for a store's developer: `python -m tests.golden.codes` writes
them anew from what the service says of itself. The last column is written by people, and stays.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from layout.shop.findings import CHECK_CODES
from service.app import description
from service.pages.guides import FOLDER
from service.requests.refusals import MEANINGS, STATUS_OF_CODE

GUIDE = FOLDER / "store.md"
#: Tables by the first cell of their head.
_TABLE = re.compile(r"^\| (finding|problem|event) \|.*\n\|[-| ]+\|\n((?:\|.*\n)*)", re.MULTILINE)


def written() -> str:
    """The guide with its tables as they should be."""
    return _TABLE.sub(_table_anew, GUIDE.read_text(encoding="utf-8"))


def without_advice() -> list[str]:
    """Codes and events of which the guide does not say what to do."""
    return [name for _, rows in _tables() for name, advice in _advice(rows).items() if not advice]


def _tables() -> Iterator[tuple[str, str]]:
    return ((match[1], match[2]) for match in _TABLE.finditer(written()))


def _table_anew(table: re.Match[str]) -> str:
    kept = _advice(table[2])
    head = table[0].removesuffix(table[2])
    return head + "".join(
        f"| {' | '.join([f'`{name}`', *said, kept.get(name, '')])} |\n" for name, said in _ROWS[table[1]]()
    )


def _advice(rows: str) -> dict[str, str]:
    """The last cell of each row, by the name in its first."""
    cells = [[cell.strip() for cell in row.strip("|").split("|")] for row in rows.splitlines()]
    return {row[0].strip("`"): row[-1] for row in cells}


def _findings() -> Iterator[tuple[str, Sequence[str]]]:
    for code, meaning in CHECK_CODES.items():
        yield code, (meaning.severity.value, meaning.meaning)


def problems_of_a_store() -> list[str]:
    """Codes that an operation for stores can answer with."""
    return sorted(
        {
            code
            for methods in description()["paths"].values()
            for operation in methods.values()
            if "store" in (operation["security"] or [{"key": []}])[0]["key"]
            for response in operation["responses"].values()
            for code in response.get("x-codes", ())
        }
    )


def _problems() -> Iterator[tuple[str, Sequence[str]]]:
    for code in sorted(problems_of_a_store(), key=lambda code: (STATUS_OF_CODE[code], code)):
        yield code, (str(STATUS_OF_CODE[code]), MEANINGS[code])


def _events() -> Iterator[tuple[str, Sequence[str]]]:
    for name, webhook in description()["webhooks"].items():
        yield name, (webhook["post"]["description"],)


_ROWS = {"finding": _findings, "problem": _problems, "event": _events}

if __name__ == "__main__":
    GUIDE.write_text(written(), encoding="utf-8")
