"""The demo's past months, acted out through the services that a workshop uses every day.

Chooses for each weighing what a careful maker would: stock that was usable on its day, the oldest delivery first.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from inventory import clock
from inventory.models import Demand, DispatchLine, Item, Lot, Party, Portion, PurchaseOrderLine
from inventory.quantities import COUNT, MASS, parse_quantity
from inventory.services import buying, correcting, counting, dispatching, lots, reserving, samples
from inventory.services.buying import Delivery, OrderLine
from inventory.services.dispatching import Leaving
from inventory.usability import unusable_reason
from planner.demo import past
from planner.demo.days import Days
from planner.demo.materials import OFFERS
from production import needs
from production.models import Batch, BatchLine, Check, FormulaVersion, Step
from production.needs import LineNeed
from production.services import batches, finishing, stability, weighing
from production.services.stability import ConditionSpec, ProtocolSpec, PullTimeSpec, ReadingSpec, StabilityTestSpec
from production.stability_days import usual_window_days
from production.stability_selectors import find_pull

Part = tuple[Portion, int]

# What the checks with limits usually show; the others show what they should.
READINGS = {
    ("HAND-CREAM", "pH"): "4.8",
    ("HAND-CREAM", "temperature before phase C"): "38",
    ("CLAY-MASK", "pH"): "4.7",
    ("RINSE", "pH"): "4.1",
    ("BALM", "melting point"): "43.5",
    ("BALM-TIN-30", "net weight"): "30.4",
    ("BALM-TIN-60", "net weight"): "60.5",
    ("HAND-TUBE-75", "net weight"): "75.8",
    ("MASK-JAR-100", "net weight"): "101",
    ("RINSE-BOTTLE-250", "net weight"): "249",
}


def act_out(days: Days) -> None:
    """Everything of ``planner.demo.past``, the first first."""
    history = History(days)
    for _, _, act, is_end in past.in_order():
        if isinstance(act, past.Made):
            history.end(act) if is_end else history.begin(act)
        else:
            ACTS[type(act)](history, act)


@dataclass
class History:
    """What the acts need to find again: items, parties, formulas, and lots by the scenario's names."""

    days: Days
    items: dict[str, Item] = field(init=False)
    parties: dict[str, Party] = field(init=False)
    versions: dict[str, FormulaVersion] = field(init=False)
    steps: dict[int, list[Step]] = field(init=False)
    checks: dict[int, list[Check]] = field(init=False)
    lots: dict[str, Lot] = field(default_factory=dict)
    begun: dict[str, Batch] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.items = {item.code: item for item in Item.objects.all()}
        self.parties = {party.code: party for party in Party.objects.all()}
        approved = FormulaVersion.objects.filter(status=FormulaVersion.Status.APPROVED)
        self.versions = {row.formula.code: row for row in approved.select_related("formula__item")}
        looked_at = Check.objects.exclude(stage=Check.Stage.STABILITY).order_by("pk")
        self.steps = by_version(Step.objects.order_by("position"))
        self.checks = by_version(looked_at)

    def moment(self, act: past.Act, minute: int = 0) -> datetime:
        return self.days.at(act.ago, act.hour, minute)

    def portion(self, lot: str, place: str) -> Portion:
        return Portion.objects.select_related("lot__item").get(lot=self.lots[lot], place=place, set_apart=False)

    # Deliveries: received into quarantine, released in one action when the papers are in order.

    def receive(self, act: past.Delivered) -> None:
        supplier = self.parties[act.supplier]
        lines = self.order(act, supplier)
        received = buying.receive(
            supplier=supplier,
            deliveries=[
                Delivery(
                    item=self.items[sack.item],
                    quantity=steps_of(self.items[sack.item], sack.quantity),
                    number=sack.lot,
                    supplier_lot=sack.supplier_lot,
                    expires_on=None if sack.lasts is None else self.days.ahead(sack.lasts),
                    order_line=lines.get(sack.item),
                    place=past.STORE,
                    unit_cost_e6=cost_of(self.items[sack.item]),
                )
                for sack in act.sacks
            ],
            happened_at=self.moment(act),
        )
        self.lots.update({lot.number: lot for lot in received})
        lots.decide(lots=received, status="released", why="papers and look in order", decided_at=self.moment(act, 40))

    def order(self, act: past.Delivered, supplier: Party) -> dict[str, PurchaseOrderLine]:
        """The order that this delivery answers, line by item; nothing where none was written."""
        if act.ordered is None:
            return {}
        wanted = [(self.items[sack.item], sack.quantity) for sack in act.sacks]
        order = buying.place_order(
            supplier=supplier,
            lines=[OrderLine(item, steps_of(item, quantity), self.days.ago(act.ago)) for item, quantity in wanted],
            code=f"P{self.days.ago(act.ordered):%Y%m%d}-1",
        )
        return {line.item.code: line for line in order.lines.select_related("item")}

    # Batches: stock set aside, started, each line weighed, steps signed; then checked, finished, released.

    def begin(self, act: past.Made) -> None:
        version = self.versions[act.formula]
        began = act.ago if act.begun is None else act.begun
        moment = self.days.at(began, act.hour)
        charge = parse_quantity(act.charge, measure=MASS if version.basis == "percent" else COUNT).steps
        batch = batches.plan(version=version, charge=charge, planned_for=self.days.ago(began))
        aside = self.set_aside(batch, needs.needs_of(version, charge), moment)
        batches.start(batch=batch, happened_at=moment)
        lines = BatchLine.objects.filter(batch=batch).select_related("item", "batch__transformation")
        for line in lines.order_by("position"):
            weigh_line(line, aside.get(line.position, []), moment)
        if act.added is not None:
            self.add(batch, *act.added, moment)
        for step in self.steps[version.pk]:
            weighing.sign_step(batch=batch, step=step, signed_at=moment)
        self.begun[act.name] = batch

    def set_aside(self, batch: Batch, wanted: Iterable[LineNeed], moment: datetime) -> dict[int, list[Part]]:
        """Reserve for the batch what it would have found on its day; by line position."""
        wanted = [need for need in wanted if not need.line.item.drawn]
        chosen = self.choose([(need.line.item, need.quantity, need.line.single_lot) for need in wanted], moment)
        rows = [(portion, batch.transformation, quantity) for parts in chosen for portion, quantity in parts]
        reserving.reserve_exact(rows=rows)
        return {need.line.position: parts for need, parts in zip(wanted, chosen, strict=True)}

    def choose(self, wants: Iterable[tuple[Item, int, bool]], moment: datetime) -> list[list[Part]]:
        """For each want the portions to take it from, in the order in which the lots came; the last word of a
        want says whether one lot must give it all."""
        wants = list(wants)
        shelf = self.shelf({item.pk for item, _, _ in wants}, moment)
        left = {portion.pk: portion.free for portion in shelf}
        chosen = []
        for item, rest, single_lot in wants:
            parts = []
            for portion in shelf:
                part = min(rest, left[portion.pk]) if portion.lot.item_id == item.pk else 0
                if part and (part == rest or not single_lot):
                    parts.append((portion, part))
                    left[portion.pk] -= part
                    rest -= part
            assert not rest, f"the demo's past lacks {rest} of {item.code} on {moment:%Y-%m-%d}"
            chosen.append(parts)
        return chosen

    def shelf(self, item_ids: set[int], moment: datetime) -> list[Portion]:
        came = {lot.pk: number for number, lot in enumerate(self.lots.values())}
        portions = Portion.objects.filter(lot__in=came, lot__item__in=item_ids, on_hand__gt=0)
        usable = [
            portion
            for portion in portions.select_related("lot__item").order_by("pk")
            if not unusable_reason(portion.lot, portion, portion.lot.item, clock.day_of(moment), moment)
        ]
        return sorted(usable, key=lambda portion: came[portion.lot_id])

    def add(self, batch: Batch, code: str, quantity: str, why: str, moment: datetime) -> None:
        item = self.items[code]
        for portion, part in self.choose([(item, steps_of(item, quantity), True)], moment)[0]:
            weighing.add(batch=batch, item=item, portion=portion, quantity=part, why=why, happened_at=moment)

    def end(self, act: past.Made) -> None:
        batch = self.begun.pop(act.name)
        moment = self.moment(act, 60)
        for check in self.checks[batch.version_id]:
            value = READINGS.get((act.formula, check.name), check.expected)
            weighing.record_check(batch=batch, check=check, value=value, looked_at=moment)
        lot = finishing.finish(
            batch=batch,
            made=steps_of(self.versions[act.formula].formula.item, act.made),
            residue_mg=parse_quantity(act.residue, measure=MASS, minimum=0).steps,
            left_in_vessel_mg=parse_quantity(act.left_in_vessel, measure=MASS, minimum=0).steps,
            place=act.place,
            made_at=moment,
        )
        if lot.status != Lot.Status.RELEASED:
            # Products are released by decision.
            lots.decide(lots=[lot], status="released", why="batch sheet and samples in order", decided_at=moment)
        self.lots[act.name] = lot

    # What left, was carried about, and came back.

    def send(self, act: past.Left) -> None:
        customer = self.parties[act.customer] if act.customer else None
        lines = []
        for name, pieces, place in act.lines:
            demand = self.want(act, self.lots[name].item, pieces, customer) if act.ordered else None
            lines.append(Leaving(self.portion(name, place), pieces, demand))
        dispatching.dispatch(
            lines=lines,
            customer=customer,
            public_place="" if customer else past.MARKET,
            kind=act.kind,
            reference=act.reference,
            happened_at=self.moment(act),
        )

    def want(self, act: past.Left, item: Item, pieces: int, customer: Party | None) -> Demand:
        return dispatching.want(
            item=item, quantity=pieces, due_on=self.days.ago(act.ago), customer=customer, reference=act.reference
        )

    def carry(self, act: past.Carried) -> None:
        source = self.portion(act.lot, act.source)
        lots.move(portion=source, place=act.target, quantity=act.pieces, happened_at=self.moment(act))

    def take_back(self, act: past.CameBack) -> None:
        line = DispatchLine.objects.select_related("lot__item").get(
            dispatch__reference=act.reference, lot=self.lots[act.lot]
        )
        dispatching.take_back(
            dispatch_line=line, quantity=act.pieces, place=past.SHELF, happened_at=self.moment(act), why=act.why
        )

    def write_off(self, act: past.WrittenOff) -> None:
        portion = Portion.objects.select_related("lot__item").get(
            lot=self.lots[act.lot], place=past.SHELF, set_apart=True
        )
        counting.discard(
            portion=portion,
            quantity=steps_of(portion.lot.item, act.quantity),
            happened_at=self.moment(act),
            why=act.why,
        )

    def send_back(self, act: past.SentBack) -> None:
        portion = self.portion(act.lot, past.STORE)
        quantity = steps_of(portion.lot.item, act.quantity)
        buying.send_back(portion=portion, quantity=quantity, why=act.why, happened_at=self.moment(act))

    # The care of the store.

    def open(self, act: past.Opened) -> None:
        lots.open_container(portion=self.portion(act.lot, past.STORE), happened_at=self.moment(act))

    def doubt(self, act: past.Doubted) -> None:
        lots.decide(lots=[self.lots[act.lot]], status="held", why=act.why, decided_at=self.moment(act))

    def count(self, act: past.Counted) -> None:
        portion = self.portion(act.lot, past.STORE)
        counted = steps_of(portion.lot.item, act.quantity)
        event = counting.count(portion=portion, counted=counted, happened_at=self.moment(act), why=act.why)
        if act.mistaken:
            correcting.correct(event=event, why="digits swapped when written down", happened_at=self.moment(act, 50))

    def take_out(self, act: past.TakenOut) -> None:
        portion = self.portion(act.lot, act.place)
        if act.kept_at:
            samples.retain(
                portion=portion,
                quantity=steps_of(portion.lot.item, act.quantity),
                place=act.kept_at,
                happened_at=self.moment(act),
                why=act.why,
            )
            return
        take = counting.sample if act.as_sample else counting.discard
        take(
            portion=portion,
            quantity=steps_of(portion.lot.item, act.quantity),
            happened_at=self.moment(act),
            why=act.why,
        )

    # Stability: what stands in the warm and is looked at on its day.

    def study(self, act: past.Studied) -> None:
        protocol = stability.make_protocol(code=act.protocol, spec=TIN_LOOK)
        study = stability.start_study(
            lot=self.lots[act.lot], protocol=protocol, sample_quantity=1, started_on=self.days.ago(act.ago)
        )
        for looked in act.looked:
            pull = find_pull(study.code, looked.pull)
            stability.record_pull(
                pull=pull,
                done_on=pull.due_on + timedelta(days=looked.late),
                readings=[ReadingSpec(test, value) for test, value in looked.readings],
            )
        for number, why in act.missed:
            stability.miss_pull(pull=find_pull(study.code, number), why=why)


# Invented for the demo; how many weeks and degrees a study needs is for quality and the assessor to say.
TIN_LOOK = ProtocolSpec(
    "Tins, in the room and in the warm",
    conditions=[ConditionSpec("25 C", Decimal(25)), ConditionSpec("40 C", Decimal(40))],
    pull_times=[
        PullTimeSpec(unit, count, usual_window_days(unit, count), usual_window_days(unit, count))
        for unit, count in (("week", 0), ("week", 4), ("week", 12), ("month", 6))
    ],
    tests=[StabilityTestSpec(past.LOOKS, expected="yes"), StabilityTestSpec(past.SMELLS, expected="yes")],
)

ACTS: dict[type[past.Act], Any] = {
    past.Delivered: History.receive,
    past.Left: History.send,
    past.Carried: History.carry,
    past.CameBack: History.take_back,
    past.WrittenOff: History.write_off,
    past.SentBack: History.send_back,
    past.Opened: History.open,
    past.Doubted: History.doubt,
    past.Counted: History.count,
    past.TakenOut: History.take_out,
    past.Studied: History.study,
}


def weigh_line(line: BatchLine, parts: list[Part], moment: datetime) -> None:
    """Weigh what was set aside; the last lot gives what the sheet's rounding wants more or less."""
    if line.item.drawn:
        weighing.draw_water(line=line, quantity=line.required, happened_at=moment)
        return
    rest = line.required
    for number, (portion, aside) in enumerate(parts, 1):
        is_last = number == len(parts)
        quantity = rest if is_last else aside
        rest -= quantity
        weighing.weigh(line=line, portion=portion, quantity=quantity, done=is_last, happened_at=moment)


def steps_of(item: Item, text: str) -> int:
    return parse_quantity(text, measure=item.measure, density_g_per_ml=item.density_g_per_ml, minimum=0).steps


def cost_of(item: Item) -> int | None:
    """Millionths of the currency for a kilogram or a piece, by the first offer of the item."""
    for offer in OFFERS:
        if offer["item"] == item.code:
            one = 1_000_000 if item.measure == Item.Measure.MASS else 1
            return int(Decimal(offer["price"]) * 1_000_000 * one / steps_of(item, offer["pack"]))
    return None


def by_version(rows: Iterable[Any]) -> dict[int, list[Any]]:
    found: dict[int, list[Any]] = {}
    for row in rows:
        found.setdefault(row.version_id, []).append(row)
    return found
