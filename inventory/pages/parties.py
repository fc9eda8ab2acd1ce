"""Suppliers and customers, what suppliers offer; added and changed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from django.http import HttpRequest
from django.urls import path, reverse

from inventory import clock, order_book, selectors, shelf
from inventory.api import fields
from inventory.api.frame import Form, Json, changes_of, quantity_of
from inventory.api.pages import Listing
from inventory.api.parties import ROLES, NewOffer, NewParty, OfferNamed, offer_facts, offer_named
from inventory.errors import NotFound
from inventory.models import Offer
from inventory.pages.conventions import show_quantity
from inventory.pages.frame import Done, Facts, Page, chosen, cut
from inventory.pages.orders import TradeAct
from inventory.quantities import MASS
from inventory.services import parties

ROLE_WORDS = [("supplier", "supplier"), ("customer", "customer"), ("both", "both")]


class PartiesShown(Form):
    role = fields.Choice(*ROLES, required=False)


class Parties(Page):
    template_name = "inventory/parties.html"
    section = "orders"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, sheet = chosen(PartiesShown, request)
        rows = order_book.PARTIES
        if "role" in asked:
            rows = rows.filter(role__in=(asked["role"], "both"))
        return {"form": sheet, "cut": cut(Listing(rows, "code"), request), "roles": ROLE_WORDS, "narrowed": bool(asked)}


class OneParty(Page):
    """One supplier or customer: how to reach them, what they offer, what is to come from them, what they want."""

    template_name = "inventory/party.html"
    section = "orders"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        party, today = selectors.find_party(where["party"]), clock.today()
        return {
            "party": party,
            "offers": order_book.offers_of(party.code) if party.supplies else [],
            "orders": order_book.orders_to_come(today, supplier=party.code) if party.supplies else [],
            "demands": order_book.demands_open(customer=party.code) if party.buys else [],
            "today": today,
        }


PARTY_ASKS = (
    ("name", "Name", ""),
    ("role", "Sells to you, buys from you, or both", ""),
    ("email", "E-mail", "Order sheets are written to it."),
    ("phone", "Telephone", ""),
    ("address", "Address", ""),
    ("min_remaining_days", "Days of life it wants left", "Of what it gets. Blank: what each item itself says."),
)


class AddParty(TradeAct):
    form = NewParty
    heading, act_told = "Write a supplier or customer down", "Write it down"
    asks = (("party", "Code", "Short, such as HERBS: it stands in lists and on labels."), *PARTY_ASKS)

    def about(self, request: HttpRequest, texts: Mapping[str, str], **where: Any) -> Facts:
        return {
            "lead": "Whom you buy from, or who buys from you.",
            "back": reverse("parties"),
            "back_told": "Suppliers and customers",
            "choices": {"role": ROLE_WORDS},
        }

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        code = asked.pop("party")
        parties.make_party(code=code, facts=asked)
        return Done(party_address(code), f"{asked['name']} is written down.")


class ChangeParty(TradeAct):
    """What is emptied is emptied; name and role stay filled."""

    guards = True
    form = changes_of(NewParty, "PartyChangesOnAPage", without=["party"])
    heading, act_told = "Change a supplier or customer", "Change it"
    asks = PARTY_ASKS

    def about(self, request: HttpRequest, texts: Mapping[str, str], **where: Any) -> Facts:
        party = selectors.find_party(where["party"])
        return {
            "lead": f"{party.code}: {party.name}",
            "back": party_address(party.code),
            "back_told": party.name,
            "choices": {"role": ROLE_WORDS},
            "values": {name: getattr(party, name) for name, _, _ in PARTY_ASKS},
        }

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        emptied: dict[str, Any] = {"email": "", "phone": "", "address": "", "min_remaining_days": None}
        typed = {name for name in emptied if request.POST.get(name, "").strip()}
        changes = {name: value for name, value in emptied.items() if name in request.POST and name not in typed} | asked
        parties.change_party(party=selectors.find_party(where["party"]), changes=changes)
        return Done(party_address(where["party"]), "It is changed.")


# --- offers ------------------------------------------------------------------------------------------------

OFFER_NAME = ("supplier", "item", "pack")
OFFER_ASKS = (
    ("lead_time_days", "Days from ordering to its being here", ""),
    ("price", "Price of one pack", "In the workshop's currency. Blank: not known."),
    ("min_packs", "Fewest packs in one order", "Blank: 1."),
    ("supplier_code", "Their number of it", "It stands on the order sheet."),
)


class OfferPage(TradeAct):
    """An offer has no code: its supplier, item and pack name it."""

    def measure_of(self, name: str, texts: Mapping[str, str], facts: Facts) -> str:
        try:
            return selectors.find_item(texts.get("item", "").strip()).measure
        except NotFound:
            return MASS

    def about(self, request: HttpRequest, texts: Mapping[str, str], **where: Any) -> Facts:
        party = selectors.find_party(where["party"])
        found: Facts = {"lead": self.lead_of(party.name, texts), "back": party_address(party.code)}
        return found | {"back_told": party.name} | self.more(party.code, texts)

    def lead_of(self, name: str, texts: Mapping[str, str]) -> str:
        offer = self._offer(texts)
        return f"{show_quantity(offer.pack, offer.item)} of {offer.item.code} {offer.item.name}, from {name}."

    def more(self, party: str, texts: Mapping[str, str]) -> Facts:
        return {}

    def _offer(self, texts: Mapping[str, str]) -> Offer:
        item = selectors.find_item(texts.get("item", ""))
        pack = quantity_of(item, texts.get("pack", ""), "pack").steps
        return parties.find_offer(selectors.find_party(self.kwargs["party"]), item, pack)


class AddOffer(OfferPage):
    form = NewOffer
    heading, act_told = "Write an offer down", "Write it down"
    explained = "A pack that this supplier sells. What to order is proposed in such packs."
    asks = (("item", "Item", ""), ("pack", "Pack", "Such as 2.5 kg, or 48 pc."), *OFFER_ASKS)
    named = ("supplier",)

    def lead_of(self, name: str, texts: Mapping[str, str]) -> str:
        return f"From {name}."

    def more(self, party: str, texts: Mapping[str, str]) -> Facts:
        values = {"supplier": party, "item": self.request.GET.get("item", ""), "min_packs": 1}
        return {"suggested": {"item": shelf.names_of_items()}, "values": values}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        supplier, item, pack = offer_named(asked | {"supplier": where["party"]})
        facts = offer_facts({name: value for name, value in asked.items() if name not in OFFER_NAME})
        parties.make_offer(supplier=supplier, item=item, pack=pack, facts=facts)
        return Done(party_address(supplier.code), f"The offer of {item.code} is written down.")


class OfferChangesOnAPage(OfferNamed):
    lead_time_days = fields.Days()
    price = fields.Money(required=False)
    min_packs = fields.Whole(1, 1_000_000, required=False)
    supplier_code = fields.Text(64, required=False, blank=True)


class ChangeOffer(OfferPage):
    guards = True
    form = OfferChangesOnAPage
    heading, act_told = "Change an offer", "Change it"
    asks = OFFER_ASKS
    named: ClassVar = OFFER_NAME

    def more(self, party: str, texts: Mapping[str, str]) -> Facts:
        offer: Offer = self._offer(texts)
        values: Json = {name: getattr(offer, name) for name in ("lead_time_days", "min_packs", "supplier_code")}
        return {"values": values | {"supplier": party, "price": fields.show_money(offer.price_e4) or ""}}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        supplier, item, pack = offer_named(dict(asked) | {"supplier": where["party"]})
        facts = {name: value for name, value in asked.items() if name not in OFFER_NAME}
        blanks: Json = {"price": None, "min_packs": 1, "supplier_code": ""}
        given = offer_facts(blanks | facts)
        parties.change_offer(supplier=supplier, item=item, pack=pack.steps, changes=given)
        return Done(party_address(supplier.code), f"The offer of {item.code} is changed.")


class WithdrawOffer(OfferPage):
    form = OfferNamed
    heading, act_told, grave = "Withdraw an offer", "Withdraw it", True
    explained = "The supplier sells this pack no longer: nothing more is proposed from it. Orders that stand stay."
    named: ClassVar = OFFER_NAME

    def more(self, party: str, texts: Mapping[str, str]) -> Facts:
        return {"values": {"supplier": party}}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        supplier, item, pack = offer_named(asked | {"supplier": where["party"]})
        parties.withdraw_offer(supplier=supplier, item=item, pack=pack.steps)
        return Done(party_address(supplier.code), f"{supplier.name} offers that pack of {item.code} no longer.")


def party_address(code: str) -> str:
    return reverse("party", kwargs={"party": code})


ROUTES = [
    path("orders/parties", Parties.as_view(), name="parties"),
    path("orders/parties/new", AddParty.as_view(), name="party-add"),
    path("orders/party/<code:party>", OneParty.as_view(), name="party"),
    path("orders/party/<code:party>/change", ChangeParty.as_view(), name="party-change"),
    path("orders/party/<code:party>/offer", AddOffer.as_view(), name="offer-add"),
    path("orders/party/<code:party>/offer/change", ChangeOffer.as_view(), name="offer-change"),
    path("orders/party/<code:party>/offer/withdraw", WithdrawOffer.as_view(), name="offer-withdraw"),
]
