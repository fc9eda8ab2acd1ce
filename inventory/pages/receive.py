"""What comes onto the shelf: a delivery of many lines, by keyboard or scanner; the count of a first evening."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from django.http import HttpRequest
from django.urls import path, reverse
from django.utils.http import urlencode

from inventory import clock, order_book, shelf
from inventory.api.lots import OpeningStock, open_asked
from inventory.api.orders import NewReceipt, receive_asked
from inventory.errors import BadInput, Fault, NotFound
from inventory.gs1 import Scanned, read_scan, same_gtin
from inventory.models import Item, Lot, PurchaseOrderLine
from inventory.pages.conventions import as_typed, current, show_day, show_quantity
from inventory.pages.frame import Done, Facts, FormPage, person_of
from inventory.pages.labels import label_name
from inventory.quantities import MASS
from inventory.quantities import show_quantity as plain_quantity

MORE = 5  # lines that are added at once
MOST_LINES = 200
MOST_TOLD = 5
Texts = Mapping[str, str]


class LinesPage(FormPage):
    """A page with many lines, each a lot: more of them, and a field for a scanner, work without scripts too."""

    section = "shelf"
    of: ClassVar[str]  # the name of the list
    sides: ClassVar = {"more": "more", "again": "again", "scan": "scan"}

    def measure_of(self, name: str, texts: Texts, facts: Facts) -> str:
        """By the item of the line; all items of the form are read at once."""
        if not hasattr(self, "_measures"):
            codes = {text.strip() for key, text in texts.items() if key.endswith("].item")}
            self._measures = dict(Item.objects.filter(code__in=codes).values_list("code", "measure"))
        code = texts.get(name.rpartition(".")[0] + ".item", "").strip()
        return self._measures.get(code, MASS)

    def _begun(self, name: str, line: Texts) -> bool:
        """Something of the lot itself was typed; what is proposed in every line does not count."""
        if line.get("order"):
            return bool(line.get("quantity") or line.get("supplier_lot"))
        return any(line.get(one) for one in ("item", "quantity", "lot", "supplier_lot", "maker_lot", "expires_on"))

    def line(self, texts: Texts, at: int) -> dict[str, str]:
        start = f"{self.of}[{at}]."
        return {name.removeprefix(start): text for name, text in texts.items() if name.startswith(start)}

    def how_many(self, texts: Texts) -> int:
        return self._lines_of(texts)[self.of]

    def proposed(self, texts: Texts) -> dict[str, str]:
        """What a new line begins with: the place of the line before it."""
        before = self.line(texts, self.how_many(texts) - 1)
        return {"place": before.get("place", ""), "status": before.get("status", "")}

    def more(self, request: HttpRequest, texts: Texts, facts: Facts, which: str) -> Texts:
        """Empty lines, at the end."""
        added = dict(texts)
        first = self.how_many(texts)
        for at in range(first, min(first + MORE, MOST_LINES)):
            added |= {f"{self.of}[{at}].{name}": text for name, text in self.proposed(texts).items()}
            added.setdefault(f"{self.of}[{at}].item", "")
        return added

    def again(self, request: HttpRequest, texts: Texts, facts: Facts, which: str) -> Texts:
        """One more lot of the same item and order line: a sack of another number in the same delivery."""
        at = self.how_many(texts)
        if not which.isdigit() or at >= MOST_LINES:
            return texts
        same = self.line(texts, int(which))
        kept = ("item", "order", "due_on", "place", "status", "unit_cost")
        return dict(texts) | {f"{self.of}[{at}].{name}": same[name] for name in kept if name in same}

    def scan(self, request: HttpRequest, texts: Texts, facts: Facts, which: str) -> Texts:
        """What a scanner typed, put into the line that waits for it, and told in words to be looked at."""
        typed = texts.get("scan", "").strip()
        changed = dict(texts) | {"scan": ""}
        if not typed:
            return changed
        try:
            scanned = read_scan(typed)
            item = shelf.item_by_gtin(same_gtin(scanned.gtin)) if scanned.gtin else None
        except BadInput as error:
            return changed | {"scan": typed, "scan_fault": f"Cannot be read. Wanted: {error.faults[0].accepted}."}
        except NotFound as error:
            told = f"{error.message}. Write the number down with the item, or fill the line by hand."
            return changed | {"scan": typed, "scan_fault": told[0].upper() + told[1:]}
        at = self._waiting_line(texts, item)
        found = _of_scan(scanned, item)
        return (
            changed
            | {f"{self.of}[{at}].{name}": text for name, text in found.items()}
            | {"scan_told": f"Line {at + 1}: {_in_words(scanned, item)}. Look whether it is so."}
        )

    def _waiting_line(self, texts: Texts, item: Item | None) -> int:
        """The first line of this item that has no number yet, else the first that is empty, else a new one."""
        lines = [self.line(texts, at) for at in range(self.how_many(texts))]
        for at, line in enumerate(lines):
            if item is not None and line.get("item") == item.code and not line.get("supplier_lot"):
                return at
        for at, line in enumerate(lines):
            if not line.get("item") and not self._begun(self.of, line):
                return at
        return min(len(lines), MOST_LINES - 1)


def _of_scan(scanned: Scanned, item: Item | None) -> dict[str, str]:
    found = {"supplier_lot": scanned.lot}
    if item is not None:
        found["item"] = item.code
    if scanned.last_day is not None:
        found["expires_on"] = scanned.last_day.isoformat()
    counted = item is not None and item.measure != MASS
    if scanned.net_mg is not None and not counted:
        found["quantity"] = as_typed(plain_quantity(scanned.net_mg, MASS))
    elif scanned.count is not None and counted:
        found["quantity"] = f"{scanned.count} pc"
    return {name: text for name, text in found.items() if text}


def _in_words(scanned: Scanned, item: Item | None) -> str:
    told = [f"{item.code} {item.name}" if item is not None else "no item named"]
    told += [f"lot {scanned.lot}"] if scanned.lot else []
    told += [f"last day {show_day(scanned.last_day)}"] if scanned.last_day else []
    told += [f"net {show_quantity(scanned.net_mg, MASS)}"] if scanned.net_mg is not None else []
    told += [f"{scanned.count} pieces"] if scanned.count is not None else []
    return ", ".join(told)


class Receive(LinesPage):
    """Against an order (``?order=``), of one item (``?item=``), or of whatever came without being ordered."""

    template_name = "inventory/receive.html"
    form = NewReceipt
    of = "lots"
    lines: ClassVar = {"lots": 0}

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        code = request.GET.get("order", "")
        orders = shelf.open_orders(code or None)
        if code and not orders:
            raise NotFound(f"nothing is to come any more of order {code!r}")
        chosen = orders[0] if code else None
        return {
            "orders": [] if chosen else orders,
            "chosen": chosen,
            "items": shelf.names_of_items(),
            "suppliers": shelf.names_of_suppliers(),
            "places": shelf.places(),
            "unit": current().unit,
            "statuses": [("quarantine", "waits for release"), ("released", "released at once")],
        }

    def initial(self, request: HttpRequest, facts: Facts) -> Mapping[str, Any]:
        found: dict[str, Any] = {"received_on": clock.today()}
        chosen = facts["chosen"]
        if chosen:
            found["supplier"] = chosen["order"].supplier.code
            for at, row in enumerate(chosen["lines"]):
                found |= {f"lots[{at}].{name}": value for name, value in _of_line(row, chosen["order"].code).items()}
            return found
        found |= {f"lots[{at}].status": Lot.Status.QUARANTINE for at in range(3)}
        found["lots[0].item"] = request.GET.get("item", "")
        return found

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        lots = receive_asked({"lots": []} | asked, person_of(request))
        told = [f"Received {_counted(lots)}: {_named(lots)}.", *_still_on_order(asked)]
        return Done(_labels_of(lots), " ".join(told))


def _still_on_order(asked: Mapping[str, Any]) -> list[str]:
    """What is still on order with the supplier of what came without its order: it may be the same. One query."""
    items = {line["item"] for line in asked.get("lots", ()) if not line.get("order")}
    rows = PurchaseOrderLine.objects.filter(
        order_book.STILL_TO_COME, order__supplier__code=asked["supplier"], item__code__in=items
    )
    return [
        f"Order {row.order.code} still expects {show_quantity(row.open_quantity, row.item)} of {row.item.code}: "
        "if this was it, correct the receipt and receive it against the order."
        for row in rows.select_related("item", "order").order_by("due_on", "pk")[:MOST_TOLD]
    ]


def _of_line(row: Mapping[str, Any], order: str) -> dict[str, Any]:
    line = row["line"]
    return {
        "item": line.item.code,
        "quantity": as_typed(plain_quantity(row["open"], line.item.measure)),
        "order": order,
        "due_on": line.due_on,
        "expires_on": line.expires_on or "",
        "status": Lot.Status.QUARANTINE,
    }


class CountShelf(LinesPage):
    """What stands on the shelf and not on the books: item, weight, date. For a first evening, and for what is found."""

    template_name = "inventory/count_shelf.html"
    form = OpeningStock
    of = "rows"
    lines: ClassVar = {"rows": 0}

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {
            "items": shelf.names_of_items(),
            "places": shelf.places(),
            "unit": current().unit,
            "statuses": [("released", "may be used"), ("quarantine", "waits for release")],
        }

    def initial(self, request: HttpRequest, facts: Facts) -> Mapping[str, Any]:
        found: dict[str, Any] = {f"rows[{at}].status": Lot.Status.RELEASED for at in range(8)}
        return found | {"rows[0].item": request.GET.get("item", "")}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        if not asked.get("rows"):
            raise BadInput("nothing was counted", faults=[Fault("rows", "", "at least one line with item and weight")])
        lots = open_asked(asked, person_of(request))
        return Done(_labels_of(lots), f"On the books: {_counted(lots)}: {_named(lots)}.")


def _counted(lots: list[Lot]) -> str:
    return f"{len(lots)} lot{'' if len(lots) == 1 else 's'}"


def _named(lots: list[Lot]) -> str:
    told = ", ".join(f"{lot.item.code} {lot.number}" for lot in lots[:6])
    return told if len(lots) <= 6 else f"{told} and {len(lots) - 6} more"


def _labels_of(lots: list[Lot]) -> str:
    named = [("lot", label_name(lot.item.code, lot.number)) for lot in lots[:60]]
    return f"{reverse('lot-labels')}?{urlencode(named)}"


ROUTES = [
    path("shelf/receive", Receive.as_view(), name="receive"),
    path("shelf/count", CountShelf.as_view(), name="count-shelf"),
]
