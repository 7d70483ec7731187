"""The answers that a store reads, as types: names and kinds as `/openapi.json` describes them.

Times are RFC 3339 text, lengths millimetres. A new field may come with any version: go by those that are
here.
"""

from __future__ import annotations

from typing import Any, Literal, NotRequired, TypedDict

#: What is to be engraved in a zone: text, a monogram, artwork or a code, as it is posted and suggested.
Asked = dict[str, Any]
State = Literal[
    "held", "short", "ready", "loaded", "engraved", "passed", "released", "scrapped", "doubtful", "cancelled"
]
OrderState = Literal[
    "held",
    "short",
    "ready",
    "loaded",
    "engraved",
    "passed",
    "released",
    "handed_over",
    "doubtful",
    "cancelled",
]
Verdict = Literal["accept", "review", "refuse"]
BatchResult = Literal["waiting", "taken", "held", "refused", "failed"]


class Finding(TypedDict):
    """One thing that a check has to say."""

    code: str
    severity: Literal["refuse", "review", "note"]
    message: str
    suggestions: list[Asked]
    inscription: NotRequired[int]
    span: NotRequired[list[int]]
    measured: NotRequired[float]
    limit: NotRequired[float]
    unit: NotRequired[str]
    for_desk: NotRequired[str]


class LimitedBy(TypedDict):
    """Something that stops a mark from being larger or elsewhere."""

    kind: str
    name: str


class Checked(TypedDict):
    """What was measured of one inscription; None where nothing could be placed."""

    kind: Literal["text", "monogram", "artwork", "code"]
    zone: str
    face: str | None
    text: str | None
    font: str | None
    lines: list[str]
    height_mm: float | None
    largest_mm: float | None
    box_mm: list[float] | None
    clearance_mm: float | None
    thinnest_stroke_mm: float | None
    narrowest_gap_mm: float | None
    bound_by: list[LimitedBy]


class Promise(TypedDict):
    """By when something is done, or the reason why nobody can say."""

    engraved_by: str | None
    ready_by: str | None
    confidence: float | None
    reason: str | None


class Boxed(TypedDict):
    """Boxed units of a product that no order has yet."""

    available: int


class Check(TypedDict):
    """Whether words can be engraved on a product, with everything that there is to say about it."""

    verdict: Verdict
    findings: list[Finding]
    inscriptions: list[Checked]
    burn_seconds: float | None
    promise: Promise
    stock: Boxed
    proof_svg: str | None
    proofs: dict[str, str]


class WayOut(TypedDict):
    """An act that ends a hold, and the roles that may do it."""

    act: str
    by: list[str]


class BuyersFinding(TypedDict):
    """One thing to tell the buyer."""

    code: str
    severity: Literal["refuse", "review", "note"]
    message: str
    inscription: NotRequired[int]
    span: NotRequired[list[int]]


class Size(TypedDict):
    """How large an inscription is on the product."""

    inscription: int
    zone: str
    face: str
    lines: list[str]
    height_mm: float
    width_mm: float
    message: str


class Suggested(TypedDict):
    """What could be engraved instead."""

    inscriptions: list[Asked]
    changes: int
    height_mm: float
    message: str
    picture: str


class Preview(TypedDict):
    """Words tried on a product, as their buyer sees them; `token` goes into an order's line as `preview`."""

    sku: str
    language: Literal["en", "de"]
    verdict: Verdict
    message: str
    findings: list[BuyersFinding]
    sizes: list[Size]
    pictures: dict[str, str]
    suggestions: list[Suggested]
    token: str | None
    expires_at: str | None


class HoldDetails(TypedDict):
    """What there is to know about a hold."""

    findings: NotRequired[list[Finding]]
    jobs: NotRequired[list[str]]
    said: NotRequired[list[str]]
    why: NotRequired[Literal["other_mark", "other_product", "expired", "other_store", "unreadable"]]
    wish: NotRequired[str]


class Hold(TypedDict):
    """One thing that a line waits for."""

    reason: str
    since: str
    details: HoldDetails
    ways_out: list[WayOut]


class JobInLine(TypedDict):
    """One physical unit of a line."""

    id: str
    state: State
    hold_reason: NotRequired[str]


class Line(TypedDict):
    """One line of an order."""

    line_ref: str
    sku: str
    quantity: int
    state: State
    verdict: Verdict
    inscriptions: list[Asked]
    checked: list[Checked]
    findings: list[Finding]
    holds: list[Hold]
    hold_reason: NotRequired[str]
    jobs: list[JobInLine]
    burn_seconds: float | None


class Buyer(TypedDict):
    """Who ordered."""

    name: str


class Notes(TypedDict):
    """Notes for people."""

    order: NotRequired[str]
    gift: NotRequired[str]
    bench: NotRequired[str]


class Order(TypedDict):
    """An order as the service has it."""

    id: str
    order_ref: str
    client: str
    state: OrderState
    created_at: str
    ship_by: str
    priority: int
    proof: Literal["none", "buyer"]
    promise: Promise
    lines: list[Line]
    buyer: NotRequired[Buyer]
    notes: NotRequired[Notes]
    handed_over_at: NotRequired[str]
    test: NotRequired[bool]
    erased_at: str | None


class BatchOrder(TypedDict):
    """One order of a batch. `problem` is what posting it alone would have been refused with."""

    position: int
    order_ref: str
    result: BatchResult
    order: NotRequired[str]
    problem: NotRequired[dict[str, Any]]


class Batch(TypedDict):
    """Many orders handed in at once, and what became of each."""

    id: str
    created_at: str
    finished_at: NotRequired[str]
    total: int
    waiting: int
    taken: int
    refused: int
    failed: int
    orders: list[BatchOrder]


class Job(TypedDict):
    """One physical unit to be engraved."""

    id: str
    order: str
    sku: str
    state: State
    hold_reason: str | None
    unit: int
    take: int
    replaces: str | None
    priority: int
    ship_by: str
    bin: str | None
    faces: list[str]
    faces_done: list[str]
    unit_in_hand: bool
    gathered_at: NotRequired[str]
    waits_for_test_card: NotRequired[list[str]]
    history: list[dict[str, str | None]]


class Callback(TypedDict):
    """An address that is told what happens."""

    id: str
    client: str
    url: str
    created_at: str
    rotated_at: str | None
    previous_secret_until: str | None
    disabled_at: str | None
    disabled_why: str | None


class CallbackAndSecret(Callback):
    """A callback with the secret that signs what goes there. It is told once: None where this is the kept
    answer of an earlier request."""

    secret: str | None


class RemadeUnit(TypedDict):
    """A unit that is made for another, and its order."""

    job: str
    state: State
    hold_reason: NotRequired[str]
    order: str
    order_ref: str


class Remake(TypedDict):
    """A released unit that another is made for."""

    id: str
    order: str
    order_ref: str
    client: str
    line_ref: str
    unit: int
    job: str
    sku: str
    reason: str
    note: NotRequired[str]
    pays: str
    is_reworded: bool
    created_at: str
    made: RemadeUnit
    returned: Literal["awaited", "not_returned", "polishing", "stocked", "scrapped"]
    must_be_polished: bool
    bin: NotRequired[str]
