"""Parties: suppliers and customers; and the packs that suppliers offer."""

from __future__ import annotations

from typing import Any

from django.urls import path
from rest_framework.request import Request

from inventory import selectors
from inventory.api import fields
from inventory.api.frame import (
    Form,
    Json,
    View,
    answer_of,
    changes_of,
    lists,
    named,
    quantity_of,
    reads,
    writes,
)
from inventory.api.pages import Listing
from inventory.columns import rows_of
from inventory.errors import NotFound
from inventory.models import Item, Offer, Party
from inventory.quantities import Quantity, show_quantity
from inventory.services import parties

COLUMNS = ("code", "name", "role", "email", "phone", "address", "min_remaining_days")
PARTIES, CALLED = Party.objects.values(*COLUMNS), {"code": "party"}
ROLES = ("supplier", "customer", "both")


class NewParty(Form):
    party = fields.Code()
    name = fields.Text()
    role = fields.Choice(*ROLES)
    email = fields.Email(required=False, blank=True)
    phone = fields.Text(60, required=False, blank=True)
    address = fields.LongText(required=False, blank=True)
    min_remaining_days = fields.Days(required=False, allow_null=True)


class PartyFilters(Form):
    role = fields.Choice(*ROLES, required=False)


PartyChanges = changes_of(NewParty, "PartyChanges", without=["party"])
PartyAnswer = answer_of(NewParty, "Party")
LANE: Json = {
    "party": "LANE", "name": "The Lane Shop", "role": "customer", "email": "", "phone": "", "address": "",
    "min_remaining_days": None,
}  # fmt: skip


def read_party(code: str) -> Json:
    for row in rows_of(PARTIES.filter(code=code), CALLED):
        return row
    raise NotFound(f"no party {code!r}")


class Parties(View):
    @lists(PartyAnswer, filters=PartyFilters, summary="List parties", query={"role": "customer"}, gives=[LANE])
    def get(self, request: Request, asked: Json) -> Listing:
        """Suppliers and customers, by code."""
        return Listing(PARTIES.filter(**asked), "code", called=CALLED)

    @writes(
        NewParty,
        PartyAnswer,
        status=201,
        summary="Make a party",
        asks={"party": "FORD", "name": "The Ford Market", "role": "customer", "min_remaining_days": 90},
        gives=LANE | {"party": "FORD", "name": "The Ford Market", "min_remaining_days": 90},
    )
    def post(self, request: Request, asked: Json) -> Json:
        """A new supplier or customer."""
        code = asked.pop("party")
        parties.make_party(code=code, facts=asked)
        return read_party(code)


class OneParty(View):
    @reads(PartyAnswer, summary="Read a party", path={"party": "LANE"}, gives=LANE)
    def get(self, request: Request, asked: Json, party: str) -> Json:
        """One party."""
        return read_party(party)

    @writes(
        PartyChanges,
        PartyAnswer,
        summary="Change a party",
        path={"party": "LANE"},
        asks={"phone": "555 0100"},
        gives=LANE | {"phone": "555 0100"},
    )
    def patch(self, request: Request, asked: Json, party: str) -> Json:
        """Change what is given and leave the rest."""
        parties.change_party(party=selectors.find_party(party), changes=asked)
        return read_party(party)


# --- offers ------------------------------------------------------------------------------------------------

OFFER_COLUMNS = (
    "pk", "supplier__code", "item__code", "item__measure", "pack", "price_e4", "lead_time_days", "min_packs",
    "supplier_code",
)  # fmt: skip
OFFERS = Offer.objects.values(*OFFER_COLUMNS)


class OfferNamed(Form):
    """An offer has no code: its supplier, item and pack name it."""

    supplier = fields.Code(refers_to="parties")
    item = fields.Code(refers_to="items")
    pack = fields.Quantity()


class NewOffer(OfferNamed):
    lead_time_days = fields.Days()
    price = fields.Money(required=False, allow_null=True)
    min_packs = fields.Whole(1, 1_000_000, required=False)
    supplier_code = fields.Text(64, required=False, blank=True)


class OfferChanges(OfferNamed):
    lead_time_days = fields.Days(required=False)
    price = fields.Money(required=False, allow_null=True)
    min_packs = fields.Whole(1, 1_000_000, required=False)
    supplier_code = fields.Text(64, required=False, blank=True)


class OfferFilters(Form):
    supplier = fields.Code(required=False)
    item = fields.Code(required=False)


OfferAnswer = answer_of(NewOffer, "Offer")
WAX_OFFER: Json = {
    "supplier": "HOLLOW", "item": "WAX", "pack": "1000 g", "lead_time_days": 3, "price": "12.50", "min_packs": 1,
    "supplier_code": "",
}  # fmt: skip


def offer_row(row: dict[str, Any]) -> Json:
    return {
        "supplier": row["supplier__code"],
        "item": row["item__code"],
        "pack": show_quantity(row["pack"], row["item__measure"]),
        "lead_time_days": row["lead_time_days"],
        "price": fields.show_money(row["price_e4"]),
        "min_packs": row["min_packs"],
        "supplier_code": row["supplier_code"],
    }


def offer_named(asked: Json) -> tuple[Party, Item, Quantity]:
    """Supplier, item and pack, taken out of what was asked; the rest are facts of the offer."""
    supplier = named(selectors.find_party, asked.pop("supplier"), "supplier")
    item = named(selectors.find_item, asked.pop("item"), "item")
    return supplier, item, quantity_of(item, asked.pop("pack"), "pack")


def offer_facts(asked: Json) -> Json:
    """What was asked, as model fields of an offer."""
    facts = dict(asked)
    if "price" in facts:
        price = facts.pop("price")
        facts["price_e4"] = None if price is None else int(price * 10_000)
    return facts


class Offers(View):
    @lists(OfferAnswer, filters=OfferFilters, summary="List offers", query={"item": "WAX"}, gives=[WAX_OFFER])
    def get(self, request: Request, asked: Json) -> Listing:
        """The packs that suppliers sell, in the order in which they were written."""
        chosen = {f"{name}__code": named(_FIND[name], code, name).code for name, code in asked.items()
                  if name in _FIND}  # fmt: skip
        return Listing(OFFERS.filter(**chosen), "pk", offer_row)

    @writes(
        NewOffer,
        OfferAnswer,
        status=201,
        summary="Make an offer",
        asks={"supplier": "HOLLOW", "item": "WAX", "pack": "2.5 kg", "lead_time_days": 4, "price": "28"},
        gives=WAX_OFFER | {"pack": "2500 g", "lead_time_days": 4, "price": "28.00"},
    )
    def post(self, request: Request, asked: Json) -> Json:
        """A pack that a supplier sells."""
        supplier, item, pack = offer_named(asked)
        offer = parties.make_offer(supplier=supplier, item=item, pack=pack, facts=offer_facts(asked))
        return offer_row(OFFERS.get(pk=offer.pk))

    @writes(
        OfferChanges,
        OfferAnswer,
        summary="Change an offer",
        asks={"supplier": "HOLLOW", "item": "WAX", "pack": "1 kg", "price": "13.20"},
        gives=WAX_OFFER | {"price": "13.20"},
    )
    def patch(self, request: Request, asked: Json) -> Json:
        """Change price, lead time or smallest order of the offer that supplier, item and pack name."""
        supplier, item, pack = offer_named(asked)
        offer = parties.change_offer(supplier=supplier, item=item, pack=pack.steps, changes=offer_facts(asked))
        return offer_row(OFFERS.get(pk=offer.pk))


_FIND: dict[str, Any] = {"supplier": selectors.find_party, "item": selectors.find_item}


class OfferWithdraw(View):
    @writes(
        OfferNamed,
        None,
        status=204,
        summary="Withdraw an offer",
        asks={"supplier": "HOLLOW", "item": "WAX", "pack": "1 kg"},
    )
    def post(self, request: Request, asked: Json) -> None:
        """The supplier offers this pack no longer: no plan buys it. Orders that were placed stay."""
        supplier, item, pack = offer_named(asked)
        parties.withdraw_offer(supplier=supplier, item=item, pack=pack.steps)


ROUTES = [
    path("parties", Parties.as_view(), name="parties"),
    path("parties/<code:party>", OneParty.as_view(), name="party"),
    path("offers", Offers.as_view(), name="offers"),
    path("offers/withdraw", OfferWithdraw.as_view(), name="offer-withdraw"),
]
