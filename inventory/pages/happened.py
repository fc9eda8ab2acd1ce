"""What happened to stock, and taking something back that was written down wrongly."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from django.urls import path, reverse
from django.utils.http import urlencode

from inventory import clock, selectors, shelf
from inventory.api.pages import Listing
from inventory.api.stock_events import EVENT_COLUMNS, KINDS, Correction, StockEventFilters
from inventory.errors import NotFound
from inventory.models import StockEvent
from inventory.pages.frame import Done, Facts, FormPage, Page, chosen, cut, person_of
from inventory.services.correcting import correct


class Movements(Page):
    """The last recorded first: of an item, of a lot, of a kind, on days from one to another."""

    template_name = "inventory/movements.html"
    section = "shelf"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, form = chosen(StockEventFilters, request)
        events, told = StockEvent.objects.all(), ""
        if "kind" in asked:
            events = events.filter(kind=asked["kind"])
        if "item" in asked or "lot" in asked:
            try:
                item = selectors.find_item(asked["item"]) if "item" in asked else None
                events = selectors.events_of_lots(events, item=item, number=asked.get("lot"))
            except NotFound as error:
                events, told = events.none(), error.message
        events = selectors.events_between(events, from_day=asked.get("from"), to_day=asked.get("to"))
        listing = Listing(events.values(*EVENT_COLUMNS), "-pk", show_page=lambda rows: shelf.event_rows(list(rows)))
        kinds = [(kind, kind.replace("_", " ")) for kind in KINDS]
        return {"form": form, "cut": cut(listing, request), "told": told, "kinds": kinds}


class TakeBack(FormPage):
    """Undo an event by its opposite; both stay readable."""

    template_name = "inventory/take_back.html"
    section = "shelf"
    form = Correction

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        found = selectors.find_event(where["uid"])
        rows = StockEvent.objects.filter(pk=found.pk).values(*EVENT_COLUMNS)
        return {"event": shelf.event_rows([dict(row) for row in rows])[0], "today": clock.today()}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        event = selectors.find_event(where["uid"])
        opposite = correct(event=event, who=person_of(request), **asked)
        lot = opposite.movements.select_related("lot__item").order_by("pk").values("lot__item__code", "lot__number")
        moved = lot.first()
        named = {"item": moved["lot__item__code"], "lot": moved["lot__number"]} if moved else {}
        return Done(f"{reverse('movements')}?{urlencode(named)}", f"Taken back: {event.kind.replace('_', ' ')}.")


ROUTES = [
    path("shelf/movements", Movements.as_view(), name="movements"),
    path("shelf/movements/<uuid:uid>/take-back", TakeBack.as_view(), name="stock-event-correct"),
]
