"""Packs: which supplier's packs, and how many, answer one need of a bought item.

Pure. Choices are compared by: in time before late, then least waste, then cost (not known: last), then
excess, then fewest packs, then larger packs, then the supplier's code. One supplier per choice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from math import lcm

from planner.engine.problem import Offer

# The waste (steps) of an excess (steps) when the longest lead time among the packs used is so many days.
WasteOf = Callable[[int, int], int]
Counts = tuple[int, ...]  # of packs, parallel to a supplier's offers


@dataclass(frozen=True, slots=True)
class Choice:
    """Packs of one supplier with their counts, the largest pack first, and how the choice ranks."""

    supplier: str
    packs: tuple[tuple[Offer, int], ...]
    quantity: int
    cost_e4: int | None
    longest_lead_days: int
    waste: int
    rank: tuple


def no_waste(_excess: int, _longest_lead_days: int) -> int:
    """Where nothing spoils before the plan ends."""
    return 0


def by_supplier(offers: Sequence[Offer]) -> list[list[Offer]]:
    """One item's offers in lists of one supplier each, larger packs first."""
    ordered = sorted(offers, key=lambda offer: (offer.supplier, -offer.pack, offer.lead_time_days))
    return [list(group) for _, group in groupby(ordered, key=lambda offer: offer.supplier)]


def choose_packs(
    quantity: int, suppliers: Sequence[Sequence[Offer]], lead_in_time_days: int, waste_of: WasteOf
) -> Choice:
    """The best choice covering ``quantity`` (steps, above 0) among the lists of ``by_supplier``; exact.

    ``lead_in_time_days`` is the longest lead time that is still in time. A supplier with any pack in
    time is asked for those only. Of a pack none is bought, or at least its ``min_packs``.
    """
    return min(
        (_best_of_supplier(quantity, offers, lead_in_time_days, waste_of) for offers in suppliers),
        key=lambda choice: choice.rank,
    )


def _best_of_supplier(quantity: int, offers: Sequence[Offer], lead_in_time_days: int, waste_of: WasteOf) -> Choice:
    in_time = [offer for offer in offers if offer.lead_time_days <= lead_in_time_days]
    late = not in_time
    asked = in_time or offers
    if len(asked) == 1:
        return _choice(quantity, asked, (_fewest(asked[0], quantity),), late, waste_of)
    candidates = set(_candidates(quantity, asked, late))
    return min(
        (_choice(quantity, asked, counts, late, waste_of) for counts in candidates),
        key=lambda choice: choice.rank,
    )


def _candidates(quantity: int, offers: Sequence[Offer], late: bool) -> Iterator[Counts]:
    """Counts that cover ``quantity``, the best ones among them.

    Packs without a price make the cost unknown, so they are weighed without regard to cost, the others
    with it. When late, the longest lead time decides when the packs are here and how long they live:
    then packs are traded only among those that do not lengthen it.
    """
    longest_leads = sorted({offer.lead_time_days for offer in offers}) if late else [None]
    for longest in longest_leads:
        eligible = [place for place, offer in enumerate(offers) if longest is None or offer.lead_time_days <= longest]
        priced = [place for place in eligible if offers[place].price_e4 is not None]
        if priced:
            yield from _cover(quantity, offers, priced, late=late, with_cost=True)
        if priced != eligible:
            yield from _cover(quantity, offers, eligible, late=late, with_cost=False)


def _cover(
    quantity: int, offers: Sequence[Offer], places: Sequence[int], *, late: bool, with_cost: bool
) -> Iterator[Counts]:
    """Counts of the packs at ``places`` that cover ``quantity``, the best ones among them.

    The dominant pack is the cheapest by weight (the largest, where cost does not count). Of another
    pack, so many that they weigh the same as a number of dominant ones are never better than those:
    this bounds its count. Of counts with the same total and longest lead time only the best is kept,
    since whatever is added to one may be added to the other (dynamic programming over totals).
    """
    dominant = _dominant(offers, places, with_cost)
    # By total and longest lead time: cost, number of packs, the counts with a minus (larger counts first), the counts.
    kept: dict[tuple[int, int], tuple[int, int, Counts, Counts]] = {(0, -1): (0, 0, (), (0,) * len(offers))}
    for place in places:
        if place == dominant:
            continue
        offer = offers[place]
        price = offer.price_e4 or 0 if with_cost else 0
        extended: dict[tuple[int, int], tuple[int, int, Counts, Counts]] = {}
        for (total, longest), (cost, number, minus, counts) in kept.items():
            for count in _counts_to_try(offer, quantity - total, offers[dominant], late):
                key, row = (total, longest), (cost, number, minus, counts)
                if count or not minus:
                    longer = (*counts[:place], count, *counts[place + 1 :])
                    key = total + count * offer.pack, max(longest, offer.lead_time_days) if count else longest
                    row = cost + count * price, number + count, tuple([-each for each in longer]), longer
                if key not in extended or row < extended[key]:
                    extended[key] = row
        kept = extended
    for (total, _), (_, _, _, counts) in kept.items():
        fewest = _fewest(offers[dominant], quantity - total)
        # When late, packs beyond the need can still be right: slower ones arrive, and so live, later.
        for count in {fewest, fewest or offers[dominant].min_packs if late else fewest}:
            yield (*counts[:dominant], count, *counts[dominant + 1 :])


def _counts_to_try(offer: Offer, rest: int, dominant: Offer, late: bool) -> list[int]:
    """The counts of a pack worth trying beside the dominant one while ``rest`` is to be covered."""
    if rest <= 0:
        return [0, offer.min_packs] if late else [0]
    same_weight = lcm(offer.pack, dominant.pack)
    trades = -(-dominant.min_packs * dominant.pack // same_weight)
    tradable = trades * same_weight // offer.pack
    most = min(_fewest(offer, rest), tradable + offer.min_packs - 1)
    return [0, *range(offer.min_packs, most + 1)]


def _dominant(offers: Sequence[Offer], places: Sequence[int], with_cost: bool) -> int:
    """The place of the pack that is cheapest by weight, of those the largest, of those the first."""
    dominant = places[0]
    for place in places[1:]:
        one, other = offers[place], offers[dominant]
        # Cheaper by weight: the fractions cost / pack, compared without dividing.
        cost = (one.price_e4 or 0) * other.pack if with_cost else 0
        beside = (other.price_e4 or 0) * one.pack if with_cost else 0
        if (cost, -one.pack) < (beside, -other.pack):
            dominant = place
    return dominant


def _fewest(offer: Offer, rest: int) -> int:
    """The fewest packs that cover ``rest``: none, or at least ``min_packs``."""
    return max(offer.min_packs, -(-rest // offer.pack)) if rest > 0 else 0


def _choice(quantity: int, offers: Sequence[Offer], counts: Counts, late: bool, waste_of: WasteOf) -> Choice:
    packs, larger_first = [], []
    total = number = 0
    cost: int | None = 0
    longest = -1
    for offer, count in zip(offers, counts, strict=True):
        if count:
            packs.append((offer, count))
            larger_first.append((-offer.pack, -count))
            total += offer.pack * count
            number += count
            longest = max(longest, offer.lead_time_days)
            cost = None if cost is None or offer.price_e4 is None else cost + offer.price_e4 * count
    excess = total - quantity
    waste = waste_of(excess, longest) if excess else 0
    supplier = offers[0].supplier
    rank = (late, waste, cost is None, cost or 0, excess, number, larger_first, supplier)
    return Choice(supplier, tuple(packs), total, cost, longest, waste, rank)
