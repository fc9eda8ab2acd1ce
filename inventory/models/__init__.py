"""The tables of the storeroom: items, parties, lots, the stock ledger, promises, buying and dispatch."""

from inventory.models.changes import ChangeRecord
from inventory.models.items import Item
from inventory.models.orders import Demand, Dispatch, DispatchLine, PurchaseOrder, PurchaseOrderLine
from inventory.models.parties import Offer, Party
from inventory.models.samples import RetainedSample, RetainedTaking
from inventory.models.stock import Lot, LotDecision, Movement, Portion, StockEvent
from inventory.models.transformations import Reservation, Transformation
from inventory.models.workshop import Alert, RetryKey, Setting

__all__ = [
    "Alert",
    "ChangeRecord",
    "Demand",
    "Dispatch",
    "DispatchLine",
    "Item",
    "Lot",
    "LotDecision",
    "Movement",
    "Offer",
    "Party",
    "Portion",
    "PurchaseOrder",
    "PurchaseOrderLine",
    "Reservation",
    "RetainedSample",
    "RetainedTaking",
    "RetryKey",
    "Setting",
    "StockEvent",
    "Transformation",
]
