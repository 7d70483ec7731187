"""The owner's stock: what the bins hold, and counts from a file, row by row."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from starlette.datastructures import UploadFile

from service.doorway import AtHand
from service.pages.gate import Form, OwnerVisitor, Visitor
from service.pages.render import PageRoute, page, status_of
from service.records.errors import BadRequest, Refusal
from service.requests.spreadsheet import Reported, Result
from service.shop.tools import Tools
from service.stock import import_stock as imports
from service.stock import stock_rows as rows

router = APIRouter(include_in_schema=False, route_class=PageRoute)

ADDRESS = "/owner/stock"
#: A whole shop's count, ten thousand products and more; nothing else that a page takes is so large.
LARGEST_FILE = 4 * 2**20
#: Rows that a page shows; more would be neither read nor small.
_SHOWN = 200


@router.get(ADDRESS)
def get_stock(
    request: Request, tools: AtHand, visitor: OwnerVisitor, find: Annotated[str, Query(max_length=60)] = ""
) -> Response:
    """What the bins hold, or only bins and products whose names begin with what was typed."""
    return _stock(request, tools, visitor, find=find.strip())


@router.post(ADDRESS, max_body_size=LARGEST_FILE)
def post_stock(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """Set counts from a CSV file; each row is taken or refused by itself, and the page says which."""
    file = form.get("file")
    try:
        if not isinstance(file, UploadFile) or not file.filename:
            raise BadRequest("choose a file", field="file")
        reported = imports.import_stock(tools, file.file.read(), dry_run=form.get("try") is not None)
    except Refusal as refusal:
        return _stock(request, tools, visitor, refused=refusal)
    return _stock(request, tools, visitor, reported=reported)


def _stock(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    *,
    find: str = "",
    refused: Refusal | None = None,
    reported: Sequence[Reported] | None = None,
) -> Response:
    with tools.database.reading() as session:
        counts = rows.rows_like(session, find, limit=_SHOWN)
        all_counts = rows.count_rows(session)
    wrong = [row for row in reported or () if row.result is Result.REFUSED]
    shown = reported if reported is None or len(reported) <= _SHOWN else wrong[:_SHOWN]
    return page(
        request,
        "stock.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        find=find,
        counts=counts,
        all_counts=all_counts,
        reported=reported,
        wrong=len(wrong),
        shown=shown,
        most_shown=_SHOWN,
        products=tools.catalogue.current.products,
        most_kb=LARGEST_FILE // 1024,
    )
