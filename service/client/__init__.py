"""A small client for a store's own programs: check words, post orders, follow them, read callbacks.

It knows the HTTP surface and nothing else of the service, so that the folder can be copied into another
program as it is; its HTTP library is the extra `ricasso[client]`. The guide for a store's developer
(`service/guides/store.md`) shows it at work.
"""

from __future__ import annotations

from service.client.answers import (
    Asked,
    Batch,
    BatchOrder,
    Callback,
    CallbackAndSecret,
    Check,
    Finding,
    Hold,
    Job,
    JobInLine,
    Line,
    Order,
    Preview,
    Promise,
    Remake,
)
from service.client.callbacks import Event, NotSigned, verified
from service.client.problems import NoAnswer, Problem
from service.client.store import Store, Versioned

__all__ = [
    "Asked",
    "Batch",
    "BatchOrder",
    "Callback",
    "CallbackAndSecret",
    "Check",
    "Event",
    "Finding",
    "Hold",
    "Job",
    "JobInLine",
    "Line",
    "NoAnswer",
    "NotSigned",
    "Order",
    "Preview",
    "Problem",
    "Promise",
    "Remake",
    "Store",
    "Versioned",
    "verified",
]
