"""A seeded workshop of a named size, as rows in memory: the same seed gives the same rows. ``writing`` writes them.

Stock is sized by what the planned batches will use, so that most of their lines are covered, some are
expected and some are short. Balances are consistent with the ledger. One raw lot has a past: makings on
three levels carry it into a known number of lots, of which the products were partly dispatched.
Needs django.setup() before it is imported.
"""

from __future__ import annotations

import random
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from fractions import Fraction
from typing import Any

from inventory.models import (
    Demand,
    Dispatch,
    DispatchLine,
    Item,
    Offer,
    Party,
    PurchaseOrder,
    PurchaseOrderLine,
    Reservation,
    Transformation,
)
from inventory.quantities import WHOLE
from production.arithmetic import UnitShare, split_charge, unit_quantity
from production.models import Batch, BatchLine, FormulaVersion
from tests.benchmarks.sizes import FIRST_DAY, ORIGIN_ITEM, ORIGIN_LOT, WEEKS, Size

HORIZON_DAYS = 7 * WEEKS
FIRM_FIRST_DAYS = 28  # reserved and started batches lie in the first four weeks
FILL_MG = 50_000  # of bulk in one packed unit
LEFT_IN_VESSEL_MG = 50_000
ROWS_AT_ONCE = 5000

Row = dict[str, Any]

RECORDED_AT = datetime.combine(FIRST_DAY, time(7), tzinfo=UTC)

PERCENT, PER_UNIT = FormulaVersion.Basis.PERCENT, FormulaVersion.Basis.PER_UNIT


@dataclass(slots=True)
class Method:
    """An item's formula: (item, percent or amount per unit) of each line. The water line takes the rest."""

    item: Item
    basis: str
    lines: list[tuple[Item, int | Fraction]]
    version_pk: int = 0

    def quantities(self, charge: int) -> list[int]:
        if self.basis == PERCENT:
            return split_charge(charge, [int(amount) for _, amount in self.lines])
        return [unit_quantity(charge, UnitShare(Fraction(amount))) for _, amount in self.lines]


@dataclass(slots=True)
class Kept:
    """One portion. ``arrived`` is what came with the lot: what is here and all that was taken since."""

    pk: int
    lot: Stored
    place: str = ""
    opened_on: date | None = None
    on_hand: int = 0
    taken: int = 0
    reserved: int = 0

    @property
    def arrived(self) -> int:
        return self.on_hand + self.taken

    @property
    def free(self) -> int:
        return self.on_hand - self.reserved


@dataclass(slots=True)
class Stored:
    """One lot with its portions."""

    pk: int
    item: Item
    number: str
    status: str
    received_on: date
    expires_on: date | None
    available_on: date | None = None
    transformation_pk: int | None = None
    portions: list[Kept] = field(default_factory=list)


@dataclass(slots=True)
class Happened:
    """One stock event after the lots came: so much less of one portion."""

    kind: str
    on: date
    portion: Kept
    quantity: int
    transformation_pk: int | None = None
    dispatch_line_pk: int | None = None


Takes = list[tuple[Kept, int]]


class Workload:
    """The rows of one workshop, made in an order that is always the same."""

    def __init__(self, size: Size, rng: random.Random) -> None:
        """
        1. Items and their methods, level by level.
        2. The planned batches and demands, and from them what each item will be asked for.
        3. The past of the origin lot, and the stock: as many lots as are left of the size.
        4. What is set aside, weighed and sampled of that stock.
        """
        self.size, self.rng = size, rng
        self.lots: list[Stored] = []
        self.lots_of: dict[int, list[Stored]] = defaultdict(list)
        self.numbers: dict[tuple[int, date], int] = defaultdict(int)
        self.portions = 0
        self.happened: list[Happened] = []
        self.transformations: list[Transformation] = []
        self.batches: list[Batch] = []
        self.dispatches: list[Dispatch] = []
        self.dispatch_lines: list[DispatchLine] = []
        self.reservations: list[Reservation] = []
        self.sheet_lines: list[BatchLine] = []
        self.weighings: list[tuple[BatchLine, Happened]] = []

        self._make_items()
        self._make_parties()
        self._make_methods()
        self._plan_batches()
        self._make_demands()
        self._make_past()
        self._make_stock()
        self._firm_up_batches()
        self._reserve_demands()
        self._sample()

    # -- what there is ---------------------------------------------------------------------------------

    def _make_items(self) -> None:
        rest = self.size.items - 1
        counts = {
            "PACK": max(4, rest // 10),
            "INF": max(1, rest // 25),
            "MIX": max(2, rest // 10),
            "BULK": max(2, rest // 8),
            "PROD": max(2, rest // 8),
            "SUP": max(1, rest // 100),
        }
        counts["RAW"] = rest - sum(counts.values())
        self.items: list[Item] = []
        self.group: dict[str, list[Item]] = {}
        self.water = self._item("WATER", "raw", drawn=True, caps_life=False)
        self.group["RAW"] = [self._raw(f"RAW-{n:05}") for n in range(1, counts["RAW"] + 1)]
        self.group["PACK"] = [
            self._item(f"PACK-{n:05}", "packaging", measure="count", safety_stock=self._sometimes(0.2, 500))
            for n in range(1, counts["PACK"] + 1)
        ]
        for name, low, high, lead, release in (
            ("INF", 150, 240, 3, 1),
            ("MIX", 60, 150, 1, 0),
            ("BULK", 120, 240, 1, 2),
        ):
            self.group[name] = [
                self._item(
                    f"{name}-{n:05}",
                    "intermediate",
                    shelf_life_days=self.rng.randrange(low, high),
                    lead_time_days=lead,
                    release_days=release,
                )
                for n in range(1, counts[name] + 1)
            ]
        self.group["PROD"] = [
            self._item(
                f"PROD-{n:05}",
                "product",
                measure="count",
                shelf_life_days=self.rng.choice([540, 720, 900]),
                lead_time_days=1,
                safety_stock=self._sometimes(0.2, 24),
                min_remaining_days=self.rng.choice([0, 90, 180]),
            )
            for n in range(1, counts["PROD"] + 1)
        ]
        self.group["SUP"] = [self._item(f"SUP-{n:05}", "supply", measure="count") for n in range(1, counts["SUP"] + 1)]

    def _raw(self, code: str) -> Item:
        rng = self.rng
        return self._item(
            code,
            "raw",
            shelf_life_days=rng.choice([365, 540, 730, 1095]),
            opened_life_days=rng.choice([None, None, 180]),
            min_remaining_days=rng.choice([0, 0, 14]),
            safety_stock=self._sometimes(0.2, 250_000),
            release_days=rng.choice([0, 0, 0, 3]),
            retest_days=None if rng.random() > 0.05 else 700,
        )

    def _item(self, code: str, kind: str, **columns: object) -> Item:
        caps_life = columns.pop("caps_life", kind == "raw")
        item = Item(pk=len(self.items) + 1, code=code, name=code.title(), kind=kind, caps_life=caps_life, **columns)
        self.items.append(item)
        return item

    def _sometimes(self, chance: float, quantity: int) -> int:
        return quantity if self.rng.random() < chance else 0

    def _make_parties(self) -> None:
        suppliers = max(3, self.size.items // 75)
        customers = max(5, self.size.items // 50)
        self.suppliers = [
            Party(pk=n, code=f"S-{n:04}", name=f"Supplier {n}", role="supplier") for n in range(1, suppliers + 1)
        ]
        self.customers = [
            Party(
                pk=suppliers + n,
                code=f"C-{n:04}",
                name=f"Customer {n}",
                role="customer",
                min_remaining_days=self.rng.choice([None, None, None, 240]),
            )
            for n in range(1, customers + 1)
        ]
        self.offers: list[Offer] = []
        for item in [*self.group["RAW"], *self.group["PACK"], *self.group["SUP"]]:
            packs = (1_000_000, 5_000_000, 25_000_000) if item.measure == "mass" else (100, 1000, 5000)
            lead = self.rng.randrange(3, 29)
            for supplier in self.rng.sample(self.suppliers, self.rng.choice([1, 1, 2])):
                price = self.rng.randrange(30_000, 300_000)
                for discount, pack in enumerate(packs):
                    self.offers.append(
                        Offer(
                            pk=len(self.offers) + 1,
                            supplier=supplier,
                            item=item,
                            pack=pack,
                            price_e4=price * pack // packs[0] * (100 - 8 * discount) // 100,
                            lead_time_days=lead + self.rng.randrange(0, 5),
                        )
                    )

    # -- how it is made --------------------------------------------------------------------------------

    def _make_methods(self) -> None:
        """Infusions of raws, premixes of these and raws, bulks of premixes and raws, units of bulk and packaging."""
        self.methods: dict[int, Method] = {}
        raws, count = self.group["RAW"], self.size.lines
        for item in self.group["INF"]:
            self._mix(item, self._some(raws, count))
        for number, item in enumerate(self.group["MIX"]):
            infusions = self._some(self.group["INF"], 1) if number % 2 else []
            self._mix(item, infusions + self._some(raws, count - len(infusions)))
        for number, item in enumerate(self.group["BULK"]):
            premixes = self._some(self.group["MIX"], 1 + number % 3)
            self._mix(item, premixes + self._some(raws, count - len(premixes)), water=number % 3 > 0)
        for item in self.group["PROD"]:
            packaging = self._some(self.group["PACK"], max(3, count // 4))
            bulk = self.rng.choice(self.group["BULK"])
            lines: list[tuple[Item, int | Fraction]] = [(bulk, Fraction(FILL_MG))]
            lines += [(each, Fraction(1, self.rng.choice([1, 1, 1, 6, 12]))) for each in packaging]
            self.methods[item.pk] = Method(item, PER_UNIT, lines)
        for number, method in enumerate(self.methods.values(), start=1):
            method.version_pk = number

    def _some(self, items: list[Item], about: int) -> list[Item]:
        return self.rng.sample(
            items, min(len(items), max(1, about + self.rng.randrange(-1, 2) if about > 3 else about))
        )

    def _mix(self, item: Item, parts: list[Item], *, water: bool = False) -> None:
        """Percentages at random; premixes and infusions come first and get no small part."""
        if water:
            parts = [self.water, *parts]
        weights = [
            self.rng.randrange(200, 600) if part.kind == "intermediate" or part.drawn else self.rng.randrange(5, 200)
            for part in parts
        ]
        percents = [WHOLE * weight // sum(weights) // 100 * 100 for weight in weights]
        percents[0] += WHOLE - sum(percents)
        self.methods[item.pk] = Method(item, PERCENT, list(zip(parts, percents, strict=True)))

    # -- what is planned and wanted --------------------------------------------------------------------

    def _plan_batches(self) -> None:
        """A fifth pack, the others mix, spread over the weeks; what they take and make is added up by item."""
        self.asked: dict[int, int] = defaultdict(int)
        self.largest: dict[int, int] = defaultdict(int)
        groups = ["PROD", "BULK", "MIX", "INF"]
        for _ in range(self.size.batches):
            item = self.rng.choice(self.group[self.rng.choices(groups, [20, 50, 23, 7])[0]])
            method = self.methods[item.pk]
            if method.basis == PERCENT:
                charge = self.rng.randrange(10, 121) * 100_000  # 1 kg to 12 kg by 100 g
            else:
                charge = self.rng.randrange(2, 21) * 12
            day = FIRST_DAY + timedelta(days=self.rng.randrange(HORIZON_DAYS))
            self._open_making(item, day, charge, status="planned")
            for (part, _), quantity in zip(method.lines, method.quantities(charge), strict=True):
                self.asked[part.pk] += quantity
                self.largest[part.pk] = max(self.largest[part.pk], quantity)

    def _open_making(self, item: Item, day: date, charge: int, *, status: str) -> Batch:
        number = len(self.transformations) + 1
        self.transformations.append(
            Transformation(pk=number, code=f"B{day:%Y%m%d}-{number}", item=item, planned_for=day)
        )
        batch = Batch(
            transformation_id=number,
            version_id=self.methods[item.pk].version_pk,
            charge=charge,
            status=status,
            priority=self.rng.choice([None, None, None, 1, 2]),
        )
        self.batches.append(batch)
        return batch

    def _make_demands(self) -> None:
        self.demands: list[Demand] = []
        for number in range(1, self.size.demands + 1):
            item = self.rng.choice(self.group["PROD"])
            quantity = self.rng.randrange(6, 121)
            self.asked[item.pk] += quantity
            self.demands.append(
                Demand(
                    pk=number,
                    item=item,
                    quantity=quantity,
                    due_on=FIRST_DAY + timedelta(days=self.rng.randrange(HORIZON_DAYS)),
                    customer=None if number % 10 == 0 else self.rng.choice(self.customers),
                    reference=f"O-{number}",
                )
            )
        self.orders: list[PurchaseOrder] = []
        self.order_lines: list[PurchaseOrderLine] = []
        bought = [*self.group["RAW"], *self.group["PACK"]]
        for item in self.rng.sample(bought, max(1, int(len(bought) * self.size.later))):
            number = len(self.orders) + 1
            self.orders.append(
                PurchaseOrder(
                    pk=number,
                    code=f"P-{number:05}",
                    supplier=self.rng.choice(self.suppliers),
                    placed_at=RECORDED_AT,
                )
            )
            self.order_lines.append(
                PurchaseOrderLine(
                    pk=number,
                    order=self.orders[-1],
                    item=item,
                    quantity=max(1000, self.asked[item.pk] // 5),
                    due_on=FIRST_DAY + timedelta(days=self.rng.randrange(-3, 60)),
                )
            )

    # -- the past of the origin lot --------------------------------------------------------------------

    def _make_past(self) -> None:
        """One raw lot into premixes, these into bulks, these into products: ``size.traced`` lots in all.

        Each making has all its other lines too. Every third bulk takes two of the premixes, so that a lot is
        reached on more than one way. The premixes and bulks are used up; of the products a part was dispatched.
        """
        premix_count = max(1, self.size.traced // 25)
        bulk_count = max(1, self.size.traced * 4 // 25)
        product_count = self.size.traced - premix_count - bulk_count
        origin_item = next(item for item in self.group["RAW"] if item.code == ORIGIN_ITEM)
        begin = FIRST_DAY - timedelta(days=90)
        self.origin = self._store(origin_item, "released", begin - timedelta(days=30), number=ORIGIN_LOT)
        self.past_stock: dict[int, Kept] = {}
        feeds_premix = [[(self.origin.portions[0], 1_000_000)]] * premix_count
        premixes = self._makings("MIX", feeds_premix, begin)
        mixed = [
            [premixes[(number + step) % premix_count] for step in range(2 if number % 3 == 0 < premix_count - 1 else 1)]
            for number in range(bulk_count)
        ]
        bulks = self._makings("BULK", _shared_out(mixed), begin + timedelta(days=10))
        packed = [[bulks[number % bulk_count]] for number in range(product_count)]
        products = self._makings("PROD", _shared_out(packed), begin + timedelta(days=20))
        for number, product in enumerate(products):
            self._dispatch(number, product, begin + timedelta(days=30 + number % 50))

    def _makings(self, group: str, feeds: list[Takes], first_day: date) -> list[Kept]:
        items = self.group[group]
        return [
            self._made(items[number % len(items)], number, first_day + timedelta(days=number % 10), feed)
            for number, feed in enumerate(feeds)
        ]

    def _made(self, item: Item, number: int, day: date, feed: Takes) -> Kept:
        """One finished making that used what it was fed, and of its formula's other items lots of the past."""
        method = self.methods[item.pk]
        others = [part for part, _ in method.lines if not part.drawn][len(feed) :]
        packs = method.basis == PER_UNIT
        if packs:
            bulk, quantity = feed[0]
            made = charge = quantity // FILL_MG
            used = [(bulk, made * FILL_MG)] + [(self._past_portion(part), made) for part in others]
        else:
            used = feed + [(self._past_portion(part), 200_000 + 1000 * number) for part in others]
            charge = sum(quantity for _, quantity in used)
            made = charge - LEFT_IN_VESSEL_MG
        batch = self._open_making(item, day, charge, status="finished")
        making = self.transformations[-1]
        making.made_on, making.closed_at = day, noon_of(day)
        making.left_in_vessel_mg = 0 if packs else LEFT_IN_VESSEL_MG
        batch.started_at = batch.finished_at = noon_of(day)
        for portion, quantity in used:
            self._take("used", day, portion, quantity, transformation_pk=making.pk)
        lot = self._store(item, "released", day, number=making.code, transformation_pk=making.pk)
        lot.portions[0].on_hand = made
        return lot.portions[0]

    def _past_portion(self, item: Item) -> Kept:
        """A lot of the item that past makings took from: used up since."""
        portion = self.past_stock.get(item.pk)
        if portion is None:
            lot = self._store(item, "released", FIRST_DAY - timedelta(days=200))
            portion = self.past_stock[item.pk] = lot.portions[0]
        return portion

    def _take(self, kind: str, day: date, portion: Kept, quantity: int, **reasons: int) -> None:
        """Past stock was as much as was used of it; of what is made, what was made."""
        self.happened.append(Happened(kind, day, portion, quantity, **reasons))
        portion.taken += quantity
        if portion.lot.transformation_pk is not None:
            portion.on_hand -= quantity

    def _dispatch(self, number: int, packed: Kept, day: date) -> None:
        """Four lots leave together; of every third lot nothing is left here."""
        if number % 4 == 0:
            pk = len(self.dispatches) + 1
            self.dispatches.append(
                Dispatch(pk=pk, code=f"D-{pk:05}", customer=self.rng.choice(self.customers), dispatched_on=day)
            )
        dispatch = self.dispatches[-1]
        quantity = max(1, packed.on_hand * (3 - number % 3) // 3)
        line = DispatchLine(pk=len(self.dispatch_lines) + 1, dispatch=dispatch, lot_id=packed.lot.pk, quantity=quantity)
        self.dispatch_lines.append(line)
        self._take("dispatched", dispatch.dispatched_on, packed, quantity, dispatch_line_pk=line.pk)

    # -- stock -----------------------------------------------------------------------------------------

    def _store(
        self,
        item: Item,
        status: str,
        received_on: date,
        *,
        number: str = "",
        expires_on: date | None = None,
        available_on: date | None = None,
        transformation_pk: int | None = None,
    ) -> Stored:
        if not number:
            self.numbers[item.pk, received_on] += 1
            number = f"{received_on:%Y%m%d}-{self.numbers[item.pk, received_on]}"
        pk = len(self.lots) + 1
        lot = Stored(pk, item, number, status, received_on, expires_on, available_on, transformation_pk)
        self.lots.append(lot)
        self.lots_of[item.pk].append(lot)
        self._portion(lot)
        return lot

    def _portion(self, lot: Stored, place: str = "shelf", opened_on: date | None = None) -> Kept:
        self.portions += 1
        portion = Kept(self.portions, lot, place, opened_on)
        lot.portions.append(portion)
        return portion

    def _make_stock(self) -> None:
        """The lots that are left of the size, shared out at random; in sum what will be asked for and a little more.

        Of one item in eight there is clearly too little, of one in fifty hardly any. A part of the items have
        lots in quarantine (``Size.later``).
        """
        kept = [item for item in self.items if not item.drawn]
        weights = [self.rng.randrange(8, 31) for _ in kept]
        left, weight_left = self.size.lots - len(self.lots), sum(weights)
        for item, weight in zip(kept, weights, strict=True):
            count = left * weight // weight_left
            left, weight_left = left - count, weight_left - weight
            if count:
                self._stock_item(item, count)

    def _stock_item(self, item: Item, count: int) -> None:
        rng = self.rng
        wanted = self.asked[item.pk] or (100_000 if item.measure == "mass" else 50)
        in_all = wanted * rng.choices([5, 60, 130, 200], [2, 10, 78, 10])[0] // 100
        quarantined = rng.random() < self.size.later
        # A single-lot line is served from one lot: lots of a bulk are as large as what is packed of it.
        least = self.largest[item.pk] if item.code.startswith("BULK") else (1000 if item.measure == "mass" else 1)
        for number in range(count):
            status = "quarantine" if quarantined and number < 2 else self._status()
            lot = self._received(item, status)
            quantity = max(least, in_all * rng.randrange(50, 151) // 100 // count)
            first = lot.portions[0]
            first.on_hand = quantity
            if number % 33 == 0 and quantity > 1:
                second = self._portion(lot, "bench", FIRST_DAY - timedelta(days=rng.randrange(1, 60)))
                second.on_hand = quantity // 4
                first.on_hand -= second.on_hand

    def _status(self) -> str:
        return self.rng.choices(["released", "held", "rejected"], [980, 12, 8])[0]

    def _received(self, item: Item, status: str) -> Stored:
        """A lot that is past its last day once in a hundred, else has from a few days to all of its life left."""
        rng = self.rng
        life = item.shelf_life_days
        age = rng.randrange(1, 365 if life is None else max(2, life * 2 // 3))
        if life is not None and rng.random() < 0.01:
            age = life + rng.randrange(1, 20)
        received_on = FIRST_DAY - timedelta(days=age)
        expires_on = None
        if life is not None and rng.random() < 0.8:
            expires_on = received_on + timedelta(days=life - rng.randrange(0, 10))
        available_on = None
        if status == "quarantine" and rng.random() < 0.8:
            available_on = FIRST_DAY + timedelta(days=rng.randrange(0, 30))
        return self._store(item, status, received_on, expires_on=expires_on, available_on=available_on)

    # -- set aside, weighed, sampled -------------------------------------------------------------------

    def _firm_up_batches(self) -> None:
        """Of the batches of the first weeks a quarter is reserved and a fiftieth started, as far as stock allows."""
        last_day = FIRST_DAY + timedelta(days=FIRM_FIRST_DAYS)
        planned = zip(self.batches[: self.size.batches], self.transformations, strict=False)
        near = [(batch, making) for batch, making in planned if making.planned_for < last_day]
        started = 0
        for number, (batch, making) in enumerate(near):
            to_start = started * 50 <= number
            taken = self._cover(batch, making) if to_start or number % 4 == 0 else None
            if taken is None:
                continue
            if to_start:
                started += 1
                self._start(batch, making, taken)
                continue
            batch.status = "reserved"
            for takes in taken:
                for portion, quantity in takes:
                    self._set_aside(portion, quantity, transformation_id=making.pk)

    def _cover(self, batch: Batch, making: Transformation) -> list[Takes] | None:
        """What serves each line, first expiry first; None unless every line is served."""
        method = self.methods[making.item_id]
        taken = []
        for (item, _), quantity in zip(method.lines, method.quantities(batch.charge), strict=True):
            takes: Takes = []
            if quantity and not item.drawn:
                until = making.planned_for + timedelta(days=item.min_remaining_days)
                single_lot = method.basis == PER_UNIT and item.kind == "intermediate"
                takes = self._take_free(item, quantity, until, at_least=quantity if single_lot else 1)
                if not takes:
                    return None
            taken.append(takes)
        return taken

    def _take_free(self, item: Item, quantity: int, until: date, *, at_least: int) -> Takes:
        """From released portions with so much free that live until then; nothing where they do not suffice."""
        usable = sorted(
            (last_day, portion.pk, portion)
            for lot in self.lots_of[item.pk]
            if lot.status == "released"
            for portion in lot.portions
            if portion.free >= at_least and (last_day := _last_day(portion)) >= until
        )
        takes: Takes = []
        for _, _, portion in usable:
            part = min(quantity, portion.free)
            takes.append((portion, part))
            quantity -= part
            if not quantity:
                return takes
        return []

    def _set_aside(self, portion: Kept, quantity: int, **holder: int) -> None:
        portion.reserved += quantity
        self.reservations.append(
            Reservation(
                pk=len(self.reservations) + 1,
                portion_id=portion.pk,
                quantity=quantity,
                reserved_at=RECORDED_AT,
                **holder,
            )
        )

    def _start(self, batch: Batch, making: Transformation, taken: list[Takes]) -> None:
        """A sheet of which the first half is weighed and the rest set aside."""
        yesterday = FIRST_DAY - timedelta(days=1)
        batch.status, batch.started_at = "started", noon_of(yesterday)
        method = self.methods[making.item_id]
        sheet = zip(method.lines, method.quantities(batch.charge), taken, strict=True)
        for position, ((item, _), required, takes) in enumerate(sheet, start=1):
            weighed = bool(takes) and position <= len(method.lines) // 2
            line = BatchLine(
                pk=len(self.sheet_lines) + 1,
                batch_id=making.pk,
                position=position,
                item=item,
                required=required,
                tolerance=required // 100,
                single_lot=method.basis == PER_UNIT and item.kind == "intermediate",
                done=weighed or not required,
            )
            self.sheet_lines.append(line)
            for portion, quantity in takes:
                if weighed:
                    portion.on_hand -= quantity
                    self._take("used", yesterday, portion, quantity, transformation_pk=making.pk)
                    self.weighings.append((line, self.happened[-1]))
                else:
                    self._set_aside(portion, quantity, transformation_id=making.pk)

    def _reserve_demands(self) -> None:
        for demand in self.demands:
            if demand.due_on >= FIRST_DAY + timedelta(days=FIRM_FIRST_DAYS) or demand.pk % 4:
                continue
            for lot in self.lots_of[demand.item_id]:
                portion = lot.portions[0]
                if lot.status == "released" and portion.free >= demand.quantity and _last_day(portion) > demand.due_on:
                    self._set_aside(portion, demand.quantity, demand_id=demand.pk)
                    break

    def _sample(self) -> None:
        """Of every tenth lot a sample was taken when it came."""
        for lot in self.lots[::10]:
            portion = lot.portions[0]
            if lot.item.measure == "mass" and portion.arrived and lot.transformation_pk is None:
                self.happened.append(Happened("sampled", lot.received_on, portion, 5000))
                portion.taken += 5000


def _last_day(portion: Kept) -> date:
    lot, item = portion.lot, portion.lot.item
    days = [date.max]
    if lot.expires_on is not None:
        days.append(lot.expires_on)
    elif item.shelf_life_days is not None:
        days.append(lot.received_on + timedelta(days=item.shelf_life_days))
    if portion.opened_on is not None and item.opened_life_days is not None:
        days.append(portion.opened_on + timedelta(days=item.opened_life_days))
    if item.retest_days is not None:
        days.append(lot.received_on + timedelta(days=item.retest_days))
    return min(days)


def _shared_out(makings: list[list[Kept]]) -> list[Takes]:
    """What each making takes of its lots: of every lot an equal part for each making that uses it."""
    uses = Counter(lot.pk for lots in makings for lot in lots)
    return [[(lot, lot.on_hand // uses[lot.pk]) for lot in lots] for lots in makings]


def noon_of(day: date) -> datetime:
    return datetime.combine(day, time(12), tzinfo=UTC)
