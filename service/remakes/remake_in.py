"""A remake as it comes over the wire or from the desk's form."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from service.requests.inscriptions import InscriptionsIn, Moment, Ref, Strict, Whole, storable

#: As `service.records.tables.remakes` keeps them.
Reason = Literal[
    "wrong_words", "buyers_words", "faint_mark", "misplaced_mark", "damaged", "wrong_product", "lost", "other"
]
Pays = Literal["shop", "store", "buyer", "carrier"]
LONGEST_REMARK = 300


class RemakeIn(Strict):
    line_ref: Ref = Field(description="The line, by the store's own name.", examples=["1"])
    unit: Whole = Field(default=1, ge=1, le=99, description="Which unit of the line, from 1.", examples=[1])
    reason: Reason = Field(
        description="Why: `wrong_words` are other words than were approved, `buyers_words` those that the"
        " buyer gave by mistake.",
        examples=["damaged"],
    )
    pays: Pays = Field(description="Who pays for it.", examples=["carrier"])
    note: Annotated[str, Field(max_length=LONGEST_REMARK), AfterValidator(storable)] = Field(
        default="", description="What else there is to say.", examples=["Tip bent in the post."]
    )
    inscriptions: InscriptionsIn | None = Field(
        default=None,
        description="Other words, checked anew; left out: the outlines that were approved, as they were.",
    )
    ship_by: Moment | None = Field(
        default=None,
        description="When the new unit must be handed over: needed where the order has left. An order that"
        " has not left keeps its own.",
        examples=["2026-12-09T16:00:00Z"],
    )
    order_ref: Ref | None = Field(
        default=None,
        description="The store's own reference of the new order, where the order has left; left out: made of"
        " the first one's, with `-R1`.",
        examples=["AQ-2026-0417-R1"],
    )
