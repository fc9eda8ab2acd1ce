"""Writing one party, and one offer of a supplier."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from inventory.errors import Conflict, Fault, NotFound
from inventory.models import Item, Offer, Party
from inventory.quantities import Quantity, show_quantity
from inventory.services.changes import Change, Kind, facts_of_offer, facts_of_party, pack_told, write_down
from inventory.transactions import write


@write
def make_party(*, code: str, facts: Mapping[str, Any]) -> Party:
    """A new party; ``facts`` are model fields. Raises Conflict where the code is taken."""
    if Party.objects.filter(code=code).exists():
        fault = Fault("party", code, "a new code")
        raise Conflict(f"there is a party {code} already", code="taken", faults=[fault])
    party = Party.objects.create(code=code, **facts)
    write_down([Change(Kind.PARTY, code, None, facts_of_party(party))])
    return party


@write
def change_party(*, party: Party, changes: Mapping[str, Any]) -> Party:
    """Change facts of a party."""
    before = facts_of_party(party)
    for name, value in changes.items():
        setattr(party, name, value)
    party.save(update_fields=list(changes))
    write_down([Change(Kind.PARTY, party.code, before, facts_of_party(party))])
    return party


def find_offer(supplier: Party, item: Item, pack: int) -> Offer:
    """The supplier's offer of this pack, in base steps. Raises NotFound."""
    offer = Offer.objects.filter(supplier=supplier, item=item, pack=pack).first()
    if offer is None:
        shown = show_quantity(pack, item.measure)
        fault = Fault("pack", shown, "a pack that the supplier offers")
        raise NotFound(f"{supplier.code} offers no pack of {shown} of {item.code}", faults=[fault])
    return offer


@write
def make_offer(*, supplier: Party, item: Item, pack: Quantity, facts: Mapping[str, Any]) -> Offer:
    """A new offer; ``facts`` are model fields. Raises Conflict for a party that does not supply, or a twin."""
    if not supplier.supplies:
        fault = Fault("supplier", supplier.code, "a party whose role is supplier or both")
        raise Conflict(f"{supplier.code} is no supplier", faults=[fault])
    if Offer.objects.filter(supplier=supplier, item=item, pack=pack.steps).exists():
        shown = show_quantity(pack.steps, item.measure)
        fault = Fault("pack", shown, "a pack that the supplier does not offer yet")
        raise Conflict(f"{supplier.code} offers this pack already", code="taken", faults=[fault])
    offer = Offer.objects.create(supplier=supplier, item=item, pack=pack.steps, pack_written=pack.written, **facts)
    write_down([Change(Kind.OFFER, supplier.code, None, facts_of_offer(offer), pack_told(offer))])
    return offer


@write
def change_offer(*, supplier: Party, item: Item, pack: int, changes: Mapping[str, Any]) -> Offer:
    """Change facts of an offer. Raises NotFound."""
    offer = find_offer(supplier, item, pack)
    before = facts_of_offer(offer)
    for name, value in changes.items():
        setattr(offer, name, value)
    offer.save(update_fields=list(changes))
    write_down([Change(Kind.OFFER, supplier.code, before, facts_of_offer(offer), pack_told(offer))])
    return offer


@write
def withdraw_offer(*, supplier: Party, item: Item, pack: int) -> None:
    """The supplier offers this pack no longer; plans buy it no more. Raises NotFound."""
    offer = find_offer(supplier, item, pack)
    write_down([Change(Kind.OFFER, supplier.code, facts_of_offer(offer), None, pack_told(offer))])
    offer.delete()
