"""The choice of packs against trying every count."""

from __future__ import annotations

import random
from itertools import product
from math import gcd

from planner.engine.packs import by_supplier, choose_packs, no_waste
from planner.engine.problem import Offer


def random_case(seed: int) -> tuple[int, list[Offer], int, dict[int, int]]:
    """A need, offers, the longest lead time in time, and what of an excess is used, by longest lead time."""
    rng = random.Random(seed)
    offers = []
    for supplier in "AB"[: rng.randint(1, 2)]:
        for pack in rng.sample([1, 2, 3, 4, 5, 6, 8, 10, 15], rng.randint(1, 3)):
            price = rng.choice([None, 0, pack, pack + 1, 2 * pack, rng.randint(1, 20)])
            lead_time_days, min_packs = rng.choice([2, 3, 3, 5]), rng.choice([1, 1, 1, 2, 3])
            offers.append(Offer(supplier, "oil", pack, lead_time_days, price, min_packs))
    used = {lead: rng.choice([0, 1, 3, 1000]) for lead in (2, 3, 5)}
    return rng.randint(1, 25), offers, rng.choice([0, 2, 3, 4, 9]), used


def by_trying_all(quantity: int, offers: list[Offer], in_time_days: int, used: dict[int, int]) -> tuple:
    """The rank of the best choice, from the rule's own words, over every count up to a safe bound."""
    ranks = []
    for supplier in {offer.supplier for offer in offers}:
        own = [offer for offer in offers if offer.supplier == supplier]
        in_time = [offer for offer in own if offer.lead_time_days <= in_time_days]
        asked = sorted(in_time or own, key=lambda offer: -offer.pack)
        bounds = [max(offer.min_packs, -(-quantity // offer.pack)) for offer in asked]
        for counts in product(*(range(bound + 1) for bound in bounds)):
            bought = [(offer, count) for offer, count in zip(asked, counts, strict=True) if count]
            excess = sum(offer.pack * count for offer, count in bought) - quantity
            if excess < 0 or any(count < offer.min_packs for offer, count in bought):
                continue
            prices = [None if offer.price_e4 is None else offer.price_e4 * count for offer, count in bought]
            cost = None if None in prices else sum(prices)
            longest = max(offer.lead_time_days for offer, _ in bought)
            waste = max(0, excess - used[longest])
            sizes = [-offer.pack for offer, count in bought for _ in range(count)]
            ranks.append((not in_time, waste, cost is None, cost or 0, excess, len(sizes), sizes, supplier))
    return min(ranks)


def test_the_chosen_packs_are_the_best_of_all():
    for seed in range(1500):
        quantity, offers, in_time_days, used = random_case(seed)
        choice = choose_packs(
            quantity, by_supplier(offers), in_time_days, lambda excess, lead, used=used: max(0, excess - used[lead])
        )
        sizes = [-offer.pack for offer, count in choice.packs for _ in range(count)]
        late, waste, no_cost, cost, excess, number, _, supplier = choice.rank
        got = (late, waste, no_cost, cost, excess, number, sizes, supplier)
        assert got == by_trying_all(quantity, offers, in_time_days, used), f"seed {seed}"


def test_packs_in_time_come_before_cheaper_late_ones():
    offers = [Offer("SLOW", "oil", 10, 9, 1), Offer("FAST", "oil", 10, 2, 99)]
    assert choose_packs(10, by_supplier(offers), 5, lambda *_: 0).supplier == "FAST"


def test_an_unknown_price_comes_after_any_cost():
    offers = [Offer("A", "oil", 10, 2, None), Offer("B", "oil", 10, 2, 99)]
    assert choose_packs(10, by_supplier(offers), 5, lambda *_: 0).supplier == "B"


def test_the_choice_stays_quick_with_many_small_packs():
    offers = [Offer("A", "oil", pack, 2, pack + 7) for pack in (453_592, 1_000_000, 5_000_000)]
    choice = choose_packs(400_000_001, by_supplier(offers), 5, lambda *_: 0)
    assert choice.quantity >= 400_000_001
    assert choice.cost_e4 <= 80 * 5_000_007 + 453_599


def test_without_waste_quantities_that_the_same_packs_cover_have_one_choice():
    """So a plan may ask once for all of them."""
    for seed in range(1000):
        quantity, offers, in_time_days, _ = random_case(seed)
        offers = [offer._replace(pack=offer.pack * 6) for offer in offers]
        quantity = quantity * 6 - seed % 6
        step = gcd(*(offer.pack for offer in offers))
        chosen, once = (
            choose_packs(wanted, by_supplier(offers), in_time_days, no_waste)
            for wanted in (quantity, -(-quantity // step) * step)
        )
        assert (chosen.supplier, chosen.packs) == (once.supplier, once.packs), f"seed {seed}"
