"""The rows that are the truth. One module per noun; importing this package registers them all."""

from service.records.tables.assembly import BuiltProduct, BuiltUnit, WorkOrder
from service.records.tables.base import Base
from service.records.tables.batches import Batch, BatchOrder
from service.records.tables.benchwork import BurnStart, Load, LoadJob, LoadSlot, TurnFile
from service.records.tables.keys import ApiKey, EndedSession, IdempotentRequest
from service.records.tables.lots import Lot
from service.records.tables.messages import Callback, Delivery, Event, Outbox, Tick
from service.records.tables.orders import FrozenMark, Job, Order, OrderLine, OrderWord
from service.records.tables.paces import LearnedPace
from service.records.tables.photos import MarkPhoto
from service.records.tables.plans import KeptLoad, KeptPlan, KeptSlot, Promise
from service.records.tables.records import (
    CalibrationRecord,
    CatalogueDraft,
    CatalogueInForce,
    CatalogueVersion,
    History,
    TestCardRecord,
)
from service.records.tables.remakes import Remake
from service.records.tables.stock import Bin, BinChange, Stock, StockCount
from service.records.tables.upkeep import ProcessBurned, RoutineEntry, StationMeter, SupplyChange, SupplyLeft

__all__ = [
    "ApiKey",
    "Base",
    "Batch",
    "BatchOrder",
    "Bin",
    "BinChange",
    "BuiltProduct",
    "BuiltUnit",
    "BurnStart",
    "CalibrationRecord",
    "Callback",
    "CatalogueDraft",
    "CatalogueInForce",
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
    "MarkPhoto",
    "Order",
    "OrderLine",
    "OrderWord",
    "Outbox",
    "ProcessBurned",
    "Promise",
    "Remake",
    "RoutineEntry",
    "StationMeter",
    "Stock",
    "StockCount",
    "SupplyChange",
    "SupplyLeft",
    "TestCardRecord",
    "Tick",
    "TurnFile",
    "WorkOrder",
]
