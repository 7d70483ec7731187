"""All that is kept of people by one order, for whoever asks what is known of them: the order as it is shown,
and under it, word for word, every row and the names of all files that erasing it would blank or delete."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from service.intake import order_rows, orders
from service.intake.import_orders import folder_of as imports_of
from service.intake.order_answers import OrderAndHistoryAnswer, order_and_history_answer
from service.photos.photo_answers import address_of
from service.privacy import erase_rows as rows
from service.records.who import Who
from service.requests.answers import AnswerBody, Moment
from service.shop.tools import Tools


class ExportAnswer(AnswerBody):
    """What is kept of one order. Outlines are coordinates in whole ten-thousandths of a millimetre."""

    made_at: Moment = Field(description="When this was put together.")
    order: OrderAndHistoryAnswer = Field(description="The order as it is shown.")
    rows: dict[str, list[dict[str, Any]]] = Field(
        description="Every row about it, by table, as it is stored.",
        examples=[{"orders": [{"id": 12, "buyer": "Ada Marlow"}]}],
    )
    burn_files: tuple[str, ...] = Field(
        description="SHA-256 of the burn files that its marks are in; other orders' may be in them as well.",
        examples=[["9f2c" + "0" * 60]],
    )
    photos: tuple[str, ...] = Field(
        description="Where photos of its marks are.", examples=[["/v1/photos/PH3.jpg"]]
    )
    imported_files: tuple[str, ...] = Field(
        description="Files of orders handed in that name it.", examples=[["1.csv"]]
    )


def export(tools: Tools, identity: str, *, who: Who) -> ExportAnswer:
    """What is kept of an order. Raises NotFound."""
    from service.privacy.erase import imports_with

    with tools.database.reading() as session:
        order = orders.visible(session, identity, who=who)
        history = order_rows.history(session, "order", order.id)
        return ExportAnswer(
            made_at=tools.clock(),
            order=order_and_history_answer(session, order, history),
            rows=rows.about(session, order),
            burn_files=tuple(sorted(rows.burn_files(session, order))),
            photos=tuple(address_of(photo) for photo in rows.photos(session, order)),
            imported_files=tuple(file.name for file in imports_with(imports_of(tools), order.order_ref)),
        )
