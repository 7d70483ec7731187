"""The rows that are the truth. One module per noun; importing this package registers them all."""

from service.models.base import Base
from service.models.benchwork import BurnStart, Load, LoadJob, LoadSlot, TurnFile
from service.models.keys import ApiKey, EndedSession, IdempotentRequest
from service.models.lots import Lot
from service.models.messages import Callback, Delivery, Event, Outbox, Tick
from service.models.orders import FrozenMark, Job, Order, OrderLine
from service.models.paces import LearnedPace
from service.models.plans import KeptLoad, KeptPlan, KeptSlot, Promise
from service.models.records import CalibrationRecord, CatalogueVersion, History, TestCardRecord
from service.models.stock import Bin, Stock

__all__ = [
    "ApiKey",
    "Base",
    "Bin",
    "BurnStart",
    "CalibrationRecord",
    "Callback",
    "CatalogueVersion",
    "Delivery",
    "EndedSession",
    "Event",
    "FrozenMark",
    "History",
    "IdempotentRequest",
    "Job",
    "KeptLoad",
    "KeptPlan",
    "KeptSlot",
    "LearnedPace",
    "Load",
    "LoadJob",
    "LoadSlot",
    "Lot",
    "Order",
    "OrderLine",
    "Outbox",
    "Promise",
    "Stock",
    "TestCardRecord",
    "Tick",
    "TurnFile",
]
