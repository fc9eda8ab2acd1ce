"""Acts on one lot: what happens to a portion of it, and the decisions on it. Each is a short form of its own."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, ClassVar

from django.http import HttpRequest
from django.urls import path

from inventory import clock, objections, selectors, shelf
from inventory.api.frame import named, quantity_of
from inventory.api.lots import Decided, Retested
from inventory.api.stock import Apart, Counted, Moved, Opened, SentBack, TakenOut
from inventory.errors import BadInput, Fault
from inventory.models import Lot, Portion
from inventory.pages.conventions import show_day, show_quantity
from inventory.pages.frame import Done, Facts, FormPage, person_of
from inventory.pages.shelf import lot_address
from inventory.services import counting, lots
from inventory.services.buying import send_back


class PortionAct(FormPage):
    """What happens to one portion, named by place, container and whether it is set apart, as the API names it."""

    template_name = "inventory/portion_act.html"
    section = "shelf"
    heading: ClassVar[str]
    act_told: ClassVar[str]  # on the button
    explained: ClassVar[str] = ""
    grave: ClassVar[bool] = False
    apart: ClassVar[bool | None] = None  # where the act itself says whether the portion is set apart
    service: ClassVar[Callable[..., Any]]

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked = request.POST if request.method == "POST" else request.GET
        portion = self._portion(asked, where)
        return {
            "portion": portion,
            "lot": portion.lot,
            "item": portion.lot.item,
            "heading": self.heading,
            "act_told": self.act_told,
            "explained": self.explained,
            "grave": self.grave,
            "names_apart": "set_apart" in self.form._declared_fields,
            "places": shelf.places() if "to_place" in self.form._declared_fields else [],
            "back": lot_address(portion.lot.item.code, portion.lot.number),
        }

    def initial(self, request: HttpRequest, facts: Facts) -> Mapping[str, Any]:
        portion: Portion = facts["portion"]
        found = {"place": portion.place, "container": portion.container, "set_apart": portion.set_apart}
        return found | ({"opened_on": clock.today()} if "opened_on" in self.form._declared_fields else {})

    def measure_of(self, name: str, texts: Mapping[str, str], facts: Facts) -> str:
        return selectors.find_item(str(self.kwargs["item"])).measure

    def _portion(self, asked: Mapping[str, Any], where: Mapping[str, Any]) -> Portion:
        found = selectors.get_lot(where["item"], where["lot"])
        apart = asked.get("set_apart") in ("yes", True) if self.apart is None else self.apart
        container = asked.get("container", "")
        return named(
            lambda place: selectors.find_portion(found, place, container, apart), asked.get("place", ""), "place"
        )

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        portion = self._portion(asked, where)
        before = clock.now()
        given = {name: asked[name] for name in asked if name not in ("place", "container", "set_apart")}
        for name, minimum in (("quantity", 1), ("counted", 0)):
            if name in given:
                given[name] = quantity_of(portion.lot.item, given[name], name, minimum=minimum).steps
        told = self.told(portion, given)
        given = {name.removeprefix("to_"): value for name, value in given.items()}
        type(self).service(portion=portion, who=person_of(request), **given)
        freed = shelf.freed_since(before)
        return Done(lot_address(where["item"], where["lot"]), " ".join([told, *freed]))

    def told(self, portion: Portion, given: Mapping[str, Any]) -> str:
        """What will have been done, as a sentence."""
        steps = given.get("quantity", portion.on_hand)
        amount = show_quantity(steps, portion.lot.item)
        return f"{self.act_told}: {amount} of {portion.lot.item.code} {portion.lot.number}."


class Count(PortionAct):
    form, service = Counted, counting.count
    heading, act_told = "Count what is there", "Put on the books"
    explained = (
        "What is truly there wins over the books. What was set aside and is not there any more is freed, and an alert "
        "says for whom."
    )

    def told(self, portion: Portion, given: Mapping[str, Any]) -> str:
        counted = show_quantity(given["counted"], portion.lot.item)
        if given["counted"] == portion.on_hand:
            return f"Counted {counted}, as the books say."
        return f"Counted {counted}; the books said {show_quantity(portion.on_hand, portion.lot.item)}."


class Discard(PortionAct):
    form, service = TakenOut, counting.discard
    heading, act_told, grave = "Discard", "Discarded", True
    explained = "What was thrown away. Waste goes where local rules say."


class Sample(PortionAct):
    form, service = TakenOut, counting.sample
    heading, act_told = "Take a sample", "Sampled"
    explained = "What was taken out to be looked at or kept."


class SendBack(PortionAct):
    form, service = SentBack, send_back
    heading, act_told, grave = "Send back to the supplier", "Sent back", True


class Move(PortionAct):
    form, service = Moved, lots.move
    heading, act_told = "Move", "Moved"
    explained = "Without a quantity all of it moves, and what is set aside of it moves along."

    def told(self, portion: Portion, given: Mapping[str, Any]) -> str:
        to = ", ".join(part for part in (given.get("to_place", ""), given.get("to_container", "")) if part)
        return f"{super().told(portion, given)[:-1]} to {to or 'no named place'}."


class Open(PortionAct):
    form, service = Opened, lots.open_container
    heading, act_told = "Open a container", "Opened"
    explained = "From that day on the opened life counts. Without a quantity the whole portion is open."


class SetApart(PortionAct):
    form, service, apart = Apart, lots.set_apart, False
    heading, act_told = "Set apart", "Set apart"
    explained = "It may not be used until somebody decides; what was set aside of it is freed."


class PutBack(PortionAct):
    form, service, apart = Apart, lots.put_back, True
    heading, act_told = "Put back", "Put back"
    explained = "It was found fit and joins the stock again."


class LotAct(FormPage):
    """A decision on a whole lot."""

    template_name = "inventory/lot_act.html"
    section = "shelf"
    form = Decided
    status: ClassVar[str]
    heading: ClassVar[str]
    act_told: ClassVar[str]
    explained: ClassVar[str] = ""
    grave: ClassVar[bool] = False
    needs_why: ClassVar[bool] = False

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        card = shelf.lot_card(where["item"], where["lot"])
        return {
            "lot": card.lot,
            "item": card.item,
            "heading": self.heading,
            "act_told": self.act_told,
            "explained": self.explained,
            "grave": self.grave,
            "needs_why": self.needs_why or card.lot["status"] in (Lot.Status.HELD, Lot.Status.REJECTED),
            "back": lot_address(where["item"], where["lot"]),
            "today": clock.today(),
        }

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        lot = selectors.get_lot(where["item"], where["lot"])
        lots.decide(lots=[lot], status=self.status, who=person_of(request), **asked)
        return Done(lot_address(where["item"], where["lot"]), f"Lot {lot.number} of {lot.item.code}: {self.status}.")


class Release(LotAct):
    status, heading, act_told = Lot.Status.RELEASED, "Release", "Release it"
    explained = (
        "Released is the maker's word that the lot may be used; it is not a safety assessment. A trial, what has no "
        "last day though it was made here, and what is past its last day are not released."
    )

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        facts = super().facts(request, **where)
        pk = selectors.get_lot(where["item"], where["lot"]).pk
        objected = objections.against([pk]).get(pk, [])
        return facts | {"objected": objected, "needs_why": facts["needs_why"] or bool(objected)}


class Hold(LotAct):
    status, heading, act_told = Lot.Status.HELD, "Hold", "Hold it"
    explained = "A recall or a doubt: nobody may use it until it is decided on. Every portion of the lot is held."
    grave = True


class Reject(LotAct):
    status, heading, act_told = Lot.Status.REJECTED, "Reject", "Reject it"
    explained = "Nobody may use it. What is set aside of it stays so, with an alert for each holder."
    grave = True


class Quarantine(LotAct):
    status, heading, act_told = Lot.Status.QUARANTINE, "Back to quarantine", "Put it back"
    explained = "The lot waits for a decision again."


class Retest(LotAct):
    form = Retested
    heading, act_told = "Set the retest day", "Set it"
    explained = "It was looked at again and may be used through this day; its status stays."

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        lot = selectors.get_lot(where["item"], where["lot"])
        if asked["retest_on"] < clock.today():
            raise BadInput(
                "that day is past", faults=[Fault("retest_on", str(asked["retest_on"]), "today or a later day")]
            )
        lots.set_retest(lot=lot, who=person_of(request), **asked)
        return Done(
            lot_address(where["item"], where["lot"]), f"Lot {lot.number}: retest on {show_day(asked['retest_on'])}."
        )


VIEWS: dict[str, type[FormPage]] = {
    "lot-count": Count, "lot-discard": Discard, "lot-sample": Sample, "lot-send-back": SendBack, "lot-move": Move,
    "lot-open": Open, "lot-set-apart": SetApart, "lot-put-back": PutBack, "lot-release": Release, "lot-hold": Hold,
    "lot-reject": Reject, "lot-quarantine": Quarantine, "lot-retest": Retest,
}  # fmt: skip

ROUTES = [
    path(f"shelf/lot/<code:item>/<code:lot>/{name.removeprefix('lot-')}", view.as_view(), name=name)
    for name, view in VIEWS.items()
]
