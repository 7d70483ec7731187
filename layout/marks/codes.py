"""Two-dimensional codes: content to modules. QR by ISO/IEC 18004, Data Matrix by ISO/IEC 16022."""

from __future__ import annotations

from functools import lru_cache
from types import MappingProxyType

import numpy as np
import numpy.typing as npt
import ppf.datamatrix
import segno
import shapely
from shapely.geometry import box

from layout.lettering.text import LINE_FEED, inspect
from layout.shop.findings import Finding, Severity
from layout.shop.inscriptions import CodeInscription
from layout.shop.outline import Outline
from layout.shop.shop import Policy

Cells = npt.NDArray[np.bool_]

#: Modules of quiet zone on every side, by ISO/IEC 18004 (QR) and ISO/IEC 16022 (Data Matrix); from memory.
QUIET_MODULES = MappingProxyType({"qr": 4, "datamatrix": 1})
#: The largest codes hold 5,596 digits (QR, level M) and 3,116 (Data Matrix); from memory. Nothing longer is
#: handed to an encoder, which says itself what else is too much.
MOST_CONTENT = 5596
#: A reader of codes gets the content as it is: how many characters people read in a line does not matter.
_NOT_FOR_CODES = frozenset({"too_many_characters", "empty_text"})


class NotEncodable(ValueError):
    """The content doesn't go into the code asked for."""


def content_findings(content: str, policy: Policy) -> list[Finding]:
    """What no code should carry: characters that can't be seen, halves of them, look-alikes, line breaks."""
    if not content.strip():
        return [Finding("code_content", Severity.REFUSE, "The code has no content.")]
    if len(content) > MOST_CONTENT:
        message = f"{len(content)} characters; no code holds more than {MOST_CONTENT}."
        return [
            Finding(
                "code_content",
                Severity.REFUSE,
                message,
                measured=float(len(content)),
                limit=float(MOST_CONTENT),
                unit="characters",
            )
        ]
    findings = [finding for finding in inspect(content, policy) if finding.code not in _NOT_FOR_CODES]
    if LINE_FEED in content:
        findings.append(Finding("control_character", Severity.REFUSE, "A code has no line breaks."))
    return findings


def cells_of(inscription: CodeInscription) -> Cells:
    """Dark modules (rows, columns), top row first, without quiet zone.

    QR codes are at error correction level M. Raises NotEncodable.
    """
    if not inscription.content:
        raise NotEncodable("the code has no content")
    encode = _qr if inscription.symbology == "qr" else _data_matrix
    return encode(inscription.content)


@lru_cache(maxsize=256)
def dark_areas(inscription: CodeInscription) -> tuple[Outline, tuple[int, int]]:
    """The dark modules as areas, one module to the unit, centred on the origin; and (rows, columns).

    Raises NotEncodable.
    """
    cells = cells_of(inscription)
    rows, columns = cells.shape
    modules = [
        box(column - columns / 2, rows / 2 - row - 1, column + 1 - columns / 2, rows / 2 - row)
        for row, column in np.argwhere(cells).tolist()
    ]
    return Outline(areas=tuple(shapely.get_parts(shapely.union_all(modules)))), (rows, columns)


def _qr(content: str) -> Cells:
    try:
        code = segno.make(content, error="m", boost_error=False, micro=False)
    except segno.DataOverflowError as error:
        raise NotEncodable("too much content for one code") from error
    except UnicodeEncodeError as error:
        raise NotEncodable("the content has half of a character") from error
    return np.array([list(row) for row in code.matrix], dtype=bool)


def _data_matrix(content: str) -> Cells:
    if not content.isascii():
        raise NotEncodable("a Data Matrix takes plain ASCII characters only; a QR code takes all")
    try:
        matrix = ppf.datamatrix.DataMatrix(content).matrix
    except (ValueError, IndexError) as error:
        raise NotEncodable("too much content for one code") from error
    return np.array(matrix, dtype=bool)
