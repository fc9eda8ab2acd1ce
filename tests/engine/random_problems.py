"""Small, nasty planning problems, the same for the same seed.

Consistent (no loops, formulas that the approval checks would accept, reservations within their
portion) but otherwise wild: small whole numbers, so that ties happen often, and days close together,
so that late, early, expired and just in time meet. Each feature is switched on for some seeds
only, so that a difference can often be seen in a problem without the others.
"""

from __future__ import annotations

import itertools
import math
import random
from dataclasses import replace
from fractions import Fraction

from planner.engine.problem import (
    NEVER,
    WHOLE,
    Batch,
    Demand,
    Formula,
    Item,
    Line,
    Lot,
    Offer,
    Order,
    Problem,
    Reservation,
    Substitute,
)

FROM = 739_500
YIELDS = [WHOLE, WHOLE, 980_000, 900_000, 800_000, 500_000, 333_333, 701_234]
FEATURES = [
    "open_days",
    "single_lot",
    "min_remaining",
    "release",
    "lives",
    "safety",
    "batch_sizes",
    "reservations",
    "losses",
    "substitutes",
    "statuses",
    "packs",
    "lead_times",
    "firm",
    "volumes",
    "priorities",
    "past",
]


def random_problem(seed: int, size: int = 1) -> Problem:
    return _Maker(seed, size).problem()


class _Maker:
    def __init__(self, seed: int, size: int) -> None:
        self.rng = rng = random.Random(f"{seed}/{size}")
        self.size = size
        wildness = rng.choice([0.25, 0.5, 0.75, 1.0])
        self.features = {feature for feature in FEATURES if rng.random() < wildness}
        self.from_day = FROM + rng.randrange(7)
        self.weeks = rng.choice([1, 1, 2, 3, 4])
        self.to_day = self.from_day + 7 * self.weeks - 1
        # Some problems crowd one corner: many supplies and needs of few items, limits of single-lot
        # lines, or choices of packs.
        self.style = rng.choice(["even", "even", "crowded", "single", "packs"])
        self.features |= {
            "even": set(),
            "crowded": {"lives", "statuses"},
            "single": {"single_lot", "batch_sizes"},
            "packs": {"packs", "lives"},
        }[self.style]
        self.items: list[Item] = []
        self.formulas: list[Formula] = []

    def has(self, feature: str, chance: float = 1.0) -> bool:
        return feature in self.features and self.rng.random() < chance

    def day(self, low: int = -5, high: int = 12) -> int:
        """A day near the window; now and then just beyond its end."""
        rng = self.rng
        if rng.random() < 0.12:
            return self.to_day + rng.randint(-2, 4)
        if "past" not in self.features:
            low = max(low, 0)
        return self.from_day + rng.randint(low, high)

    # ---- items, bottom up, so that a formula only uses what is already there

    def item(self, code: str, kind: str, measure: str = "mass", drawn: bool = False) -> Item:
        rng = self.rng
        made = kind in ("intermediate", "product")
        item = Item(
            code=code,
            kind=kind,
            measure=measure,
            drawn=drawn,
            life_days=rng.choice([0, 1, 2, 3, 5, 8, 15]) if self.has("lives", 0.7) else None,
            min_remaining_days=rng.choice([0, 1, 2, 4]) if self.has("min_remaining", 0.4) else 0,
            safety_stock=rng.choice([1, 5, 10, 12]) if self.has("safety", 0.25) and not drawn else 0,
            lead_time_days=rng.choice([0, 0, 1, 2, 3]) if made and self.has("lead_times", 0.8) else 0,
            release_days=rng.choice([0, 0, 1, 2]) if self.has("release", 0.5) else 0,
        )
        self.items.append(item)
        return item

    def formula(self, code: str, version: int, item: Item, below: list[Item], **extra) -> None:
        rng = self.rng
        basis = "percent" if item.measure == "mass" and rng.random() < 0.75 else "per_unit"
        count = rng.randint(1, min(4, len(below) + 1))
        # The same item may stand on two lines.
        picked = [rng.choice(below) for _ in range(count)]
        if rng.random() < 0.7:
            picked = rng.sample(below, min(count, len(below)))
        if basis == "percent":
            picked = [entry for entry in picked if entry.measure == "mass"] or [self.items[0]]
        percents = self.percents(len(picked)) if basis == "percent" else [0] * len(picked)
        lines = []
        for position, (entry, percent) in enumerate(zip(picked, percents, strict=True), start=1):
            amount, volume = Fraction(0), False
            if basis == "per_unit":
                amount, volume = self.amount(entry)
            lines.append(
                Line(
                    position=position * 10,
                    item=entry.code,
                    percent=percent,
                    per_unit=amount,
                    is_volume=volume,
                    phase=rng.choice(["", "A", "B"]),
                    single_lot=self.has("single_lot", 0.6 if basis == "per_unit" or self.style == "single" else 0.2),
                    substitutes=self.substitutes(entry),
                )
            )
        yield_percent = rng.choice(YIELDS)
        loss = rng.choice([0, 1, 2, 5]) if basis == "percent" and self.has("losses", 0.5) else 0
        low, multiple, high = 0, 1, None
        if self.has("batch_sizes", 0.7):
            low = rng.choice([0, 0, 0, 3, 10, 25])
            multiple = rng.choice([1, 1, 2, 5, 10, 12])
            raised = max(1, math.ceil(low / multiple)) * multiple
            if rng.random() < (0.9 if self.style == "single" else 0.6):
                high = raised + rng.choice([0, 1, 5, 20])
            # The largest must leave an output (the approval check), and enough that cuts come to an end.
            least = 5 * self.size * (4 if item.kind == "intermediate" else 1)
            while (
                high is not None
                and math.floor(Fraction((high // multiple * multiple) * yield_percent, WHOLE)) - loss < least
            ):
                high += multiple
        self.formulas.append(
            Formula(
                formula=code,
                version=version,
                item=item.code,
                basis=basis,
                lines=tuple(lines),
                yield_percent=yield_percent,
                loss=loss,
                min_batch=low,
                batch_multiple=multiple,
                max_batch=high,
                **extra,
            )
        )

    def percents(self, count: int) -> list[int]:
        rng = self.rng
        if rng.random() < 0.3:  # equal shares: ties in the split
            shares = [WHOLE // count] * count
        else:
            cuts = sorted(rng.choice([50_000, 10_000, 1]) * rng.randint(1, 19) for _ in range(count - 1))
            edges = [0, *cuts, WHOLE]
            shares = [high - low for low, high in itertools.pairwise(edges)]
            rng.shuffle(shares)
        shares[-1] += WHOLE - sum(shares)
        return shares

    def amount(self, item: Item) -> tuple[Fraction, bool]:
        rng = self.rng
        if item.measure == "count":
            return rng.choice([Fraction(1), Fraction(1), Fraction(2), Fraction(1, 12), Fraction(2, 3)]), False
        if self.has("volumes", 0.5):
            return Fraction(rng.choice([1, 2, 3]) * rng.choice([91, 95, 125, 50]), 100), True
        return Fraction(rng.choice([1, 2, 3, 4])), False

    def substitutes(self, item: Item) -> tuple[Substitute, ...]:
        if not self.has("substitutes", 0.4):
            return ()
        others = [other for other in self.items if other.code != item.code and not other.drawn]
        chosen = self.rng.sample(others, min(len(others), self.rng.choice([1, 1, 2])))
        ratios = [Fraction(1), Fraction(1, 2), Fraction(5, 4), Fraction(3)]
        return tuple(Substitute(other.code, self.rng.choice(ratios)) for other in chosen)

    def methods(self, item: Item, below: list[Item]) -> None:
        rng = self.rng
        if rng.random() < 0.08:  # nobody wrote one: no_formula, or it is bought
            return
        code = f"F-{item.code}"
        self.formula(code, 1, item, below, approved=rng.random() < 0.9, preferred=rng.random() < 0.3)
        if rng.random() < 0.15:
            self.formula(code, 2, item, below, approved=rng.random() < 0.5)
        if rng.random() < 0.15:
            self.formula(f"E-{item.code}", 1, item, below, preferred=rng.random() < 0.5)

    # ---- the whole

    def problem(self) -> Problem:
        rng, size = self.rng, self.size
        few = self.style == "crowded"
        raws = [self.item(f"R{n}", "raw") for n in range(1, 2 if few else 3 + size)]
        if rng.random() < 0.6:
            raws.append(self.item("WATER", "raw", drawn=True))
        packaging = [self.item(f"P{n}", "packaging", "count") for n in range(1, 2 + size)]
        self.item("GLOVES", "supply", "count")
        made: list[Item] = []
        for n in range(1, 2 if few else rng.randint(1, 2) + size + 1):
            bulk = self.item(f"I{n}", "intermediate")
            self.methods(bulk, raws + made[-2:])
            made.append(bulk)
        products = []
        for n in range(1, 2 if few else rng.randint(1, 2) + size):
            product = self.item(f"X{n}", "product", rng.choice(["mass", "count", "count"]))
            self.methods(product, raws[:2] + packaging + made + products[-1:])
            products.append(product)
        lots = self.lots()
        demands = self.demands()
        batches = self.batches()
        return Problem(
            from_day=self.from_day,
            to_day=self.to_day,
            items=tuple(self.items),
            lots=tuple(lots),
            orders=tuple(self.orders()),
            offers=tuple(self.offers()),
            formulas=tuple(self.formulas),
            batches=tuple(batches),
            demands=tuple(demands),
            reservations=tuple(self.reservations(lots, demands, batches)),
            open_weekdays=self.open_weekdays(),
        )

    def open_weekdays(self) -> frozenset[int]:
        if not self.has("open_days"):
            return frozenset(range(7))
        return frozenset(self.rng.sample(range(7), self.rng.choice([1, 3, 5, 6])))

    def lots(self) -> list[Lot]:
        rng = self.rng
        rows = []
        for item in self.items:
            if item.drawn and rng.random() < 0.8:
                continue
            for n in range(rng.choice([3, 5, 8] if self.style == "crowded" else [0, 1, 1, 2, 3])):
                status = rng.choice(["released"] * 5 + ["quarantine", "quarantine", "rejected", "held"])
                if "statuses" not in self.features:
                    status = "released"
                received = self.day(-9, 0) if rng.random() < 0.7 else None
                available = self.day() if rng.random() < (0.5 if status == "quarantine" else 0.2) else None
                last = self.day(-3, 14) if self.has("lives", 0.7) else NEVER
                retest = self.day(-3, 6) if self.has("statuses", 0.15) else NEVER
                portions = rng.choice([1, 1, 1, 2, 3])
                for portion in range(portions):
                    opened = rng.random() < 0.3 and self.has("lives")
                    rows.append(
                        Lot(
                            item=item.code,
                            lot=f"L{n + 1}",
                            quantity=rng.choice([1, 2, 3, 5, 5, 10, 10, 20, 40]),
                            status=status,
                            received_on=received,
                            available_on=available,
                            last_day=min(last, self.day(-1, 10)) if opened else last,
                            retest_on=retest,
                            set_apart=portions > 1 and self.has("statuses", 0.15),
                            place="shelf" if portion else "",
                            container=str(portion) if portion > 1 else "",
                        )
                    )
        rng.shuffle(rows)
        return rows

    def orders(self) -> list[Order]:
        rng = self.rng
        rows: dict[tuple[str, str, int], Order] = {}
        for _ in range(rng.choice([0, 1, 2, 3, 5]) * (2 if self.style == "crowded" else self.size)):
            item = rng.choice([item for item in self.items if not item.drawn])
            due = self.day()
            order = Order(
                order=f"O{rng.randint(1, 3)}",
                item=item.code,
                quantity=rng.choice([1, 4, 5, 10, 25]),
                due_on=due,
                expires_on=due + rng.randint(0, 9) if self.has("lives", 0.4) else None,
            )
            rows[order.order, order.item, due] = order
        return list(rows.values())

    def offers(self) -> list[Offer]:
        rng = self.rng
        rows: dict[tuple[str, str, int], Offer] = {}
        for item in self.items:
            if item.drawn or rng.random() < (0.9 if item.kind in ("intermediate", "product") else 0.1):
                continue
            packs = [1, 3, 5, 10, 12, 20] if item.measure == "count" else [5, 7, 10, 20, 25, 40, 100]
            packs = [pack * self.size for pack in packs]  # every choice is tried by the reference
            many = 1 if "packs" not in self.features else rng.choice([1, 2, 3, 4] if self.size == 1 else [1, 2])
            for _ in range(many + 2 if self.style == "packs" and self.size == 1 else many):
                pack = rng.choice(packs)
                prices = [None, 0, 10, 20, 8 * pack, 10 * pack, 10 * pack, 10 * pack, 12 * pack]
                offer = Offer(
                    supplier=f"S{rng.randint(1, 2)}",
                    item=item.code,
                    pack=pack,
                    lead_time_days=rng.choice([0, 0, 1, 1, 2, 4, 9]) if self.has("lead_times", 0.8) else 0,
                    price_e4=rng.choice(prices) if self.has("packs") else 10,
                    min_packs=rng.choice([1, 1, 2, 3]) if self.has("packs", 0.5) else 1,
                )
                rows[offer.supplier, offer.item, offer.pack] = offer
        return list(rows.values())

    def demands(self) -> list[Demand]:
        rng = self.rng
        rows: dict[tuple, Demand] = {}
        crowd = 3 if self.style == "crowded" else 1
        for _ in range(crowd * rng.randint(self.size, 6 * self.size)):
            product = rng.random() < (0.4 if self.style == "packs" else 0.75)
            likely = [item for item in self.items if item.kind in ("product", "intermediate")]
            item = rng.choice(likely if product else self.items)
            demand = Demand(
                item=item.code,
                quantity=rng.choice([1, 2, 3, 5, 6, 7, 10, 12, 20]),
                due_on=self.day(),
                customer=rng.choice(["", "Ada", "Bea"]),
                reference=rng.choice(["", "1", "2"]),
                priority=rng.choice([None, 1, 1, 2, 3]) if self.has("priorities", 0.7) else None,
                min_remaining_days=rng.choice([0, 1, 3, 6]) if self.has("min_remaining", 0.3) else None,
            )
            rows[demand.item, demand.due_on, demand.customer, demand.reference] = demand
            if self.has("past", 0.2):  # the same customer twice, both days gone by
                for due in rng.sample(range(self.from_day - 4, self.from_day + 1), 2):
                    life = rng.choice([None, 2])
                    twice = replace(demand, due_on=due, quantity=rng.randint(1, 9), min_remaining_days=life)
                    rows[twice.item, due, twice.customer, twice.reference] = twice
        return list(rows.values())

    def batches(self) -> list[Batch]:
        rng = self.rng
        rows = []
        if "firm" not in self.features or not self.formulas:
            return rows
        for n in range(rng.randint(self.size, 3 * self.size)):
            formula = rng.choice(self.formulas)
            status = rng.choice(["planned", "planned", "reserved", "started"])
            positions = [line.position for line in formula.lines]
            some = rng.sample(positions, rng.randint(0, len(positions)))
            rows.append(
                Batch(
                    batch=f"B{n + 1}",
                    formula=formula.formula,
                    version=formula.version,
                    charge=rng.choice([1, 4, 5, 9, 10, 20, 33]),
                    planned_for=self.day(),
                    status=status,
                    priority=rng.choice([None, 1, 2]) if self.has("priorities") else None,
                    trial=rng.random() < 0.1,
                    weighed={p: rng.choice([0, 1, 3, 8]) for p in some} if status == "started" else {},
                    required={p: rng.choice([1, 2, 6]) for p in positions if rng.random() < 0.1},
                )
            )
        return rows

    def reservations(self, lots: list[Lot], demands: list[Demand], batches: list[Batch]) -> list[Reservation]:
        rng = self.rng
        rows: dict[tuple, Reservation] = {}
        free = [lot.quantity for lot in lots]
        drawn = {item.code for item in self.items if item.drawn}
        if "reservations" not in self.features:
            return []
        uses = []
        for batch in batches:
            formula = next(f for f in self.formulas if (f.formula, f.version) == (batch.formula, batch.version))
            uses += [(line.item, batch.batch, None) for line in formula.lines]
        uses += [(demand.item, None, index) for index, demand in enumerate(demands)]
        rng.shuffle(uses)
        for item, batch, demand in uses:
            for index, lot in enumerate(lots):
                if lot.item == item and item not in drawn and free[index] and rng.random() < 0.4:
                    quantity = rng.choice([free[index], rng.randint(1, free[index])])
                    if (index, batch, demand) not in rows:
                        rows[index, batch, demand] = Reservation(index, quantity, batch, demand)
                        free[index] -= quantity
        return list(rows.values())


def limited_bulk_problem(seed: int) -> Problem:
    """A product of three or four percent lines, one of them single-lot from a bulk made in tiny batches.

    Shares by largest remainder can fall by one step as the charge grows, which shows at such sizes.
    """
    rng = random.Random(f"bulk/{seed}")
    count = rng.choice([3, 4])
    cuts = sorted(rng.sample(range(1, 100), count - 1))
    shares = [(high - low) * 10_000 for low, high in itertools.pairwise([0, *cuts, 100])]
    items = ["I", "R1", "R2", "R3"][:count]
    lines = tuple(
        Line(position, item, percent, single_lot=item == "I")
        for position, (item, percent) in enumerate(zip(items, shares, strict=True), start=1)
    )
    most = rng.randint(1, 4)
    bulk = Formula("I", 1, "I", "percent", (Line(1, "R1", WHOLE),), max_batch=most)
    # About as much as one batch of the bulk allows.
    wanted = most * WHOLE // shares[0] + rng.randint(0, 1 + WHOLE // shares[0])
    size = rng.choice([{}, {}, {"batch_multiple": rng.randint(2, 9)}, {"min_batch": rng.randint(2, 40)}])
    return Problem(
        from_day=FROM,
        to_day=FROM + 6,
        items=(Item("X", "product"), Item("I", "intermediate"), *(Item(f"R{n}", "raw") for n in (1, 2, 3))),
        offers=tuple(Offer("S", f"R{n}", 10, 0, 1) for n in (1, 2, 3)),
        formulas=(Formula("X", 1, "X", "percent", lines, **size), bulk),
        demands=(Demand("X", wanted, FROM + 3),),
    )
