"""A slow, plain planner that the tests compare the engine with.

It answers the same question as ``planner.engine.plan`` with the same rows, but shares no
code with it: loops over short lists, exact fractions, every pack choice tried, the look
ahead for waste played through. Each block names the rule it reads. Only for small cases.

Ids of makings are readable here (item, due day, number of the cut); a comparison has to
follow a peg to the row it names rather than compare the ids.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field, replace
from datetime import date
from fractions import Fraction

from planner.engine.problem import NEVER, WHOLE, Batch, Formula, Item, Line, Offer, Problem
from planner.engine.result import (
    BatchCoverage,
    BatchLine,
    Buy,
    Expected,
    Expiring,
    Make,
    Pack,
    Peg,
    Plan,
    PlanError,
    Requirement,
    SubstituteFree,
    Unmet,
)

LOT, ORDER, FIRM, SURPLUS = 0, 1, 2, 3  # kinds of supply, in their order
RESERVED, STARTED, PLANNED, PROPOSAL, DEMAND = 0, 1, 2, 3, 4  # kinds of need, in their order
ENDLESS = 10**18


@dataclass
class Supply:
    """One portion, one order, one firm output, or the surplus of one proposal."""

    kind: int
    quantity: int
    here: int
    last_day: int
    received: int | None
    code: str
    tie: tuple = ()  # place and container of a portion, else the running number
    left: int = 0
    lot_index: int | None = None
    usable_now: bool = False  # a released portion that is here on `from`

    def order(self):
        """Supply: last day (never last), day here, kind, received day (blank first), code."""
        return (
            self.last_day,
            self.here,
            self.kind,
            (0, 0) if self.received is None else (1, self.received),
            self.code,
            self.tie,
        )

    def source(self) -> str:
        return {LOT: "lot:", ORDER: "order:", FIRM: "batch:"}[self.kind] + self.code


@dataclass
class Need:
    item: str
    day: int
    quantity: int
    rank: int
    code: tuple
    min_remaining: int
    peg: str
    priority: int | None = None
    position: int = 0
    number: int = 0
    single_lot: bool = False
    safety_only: bool = False
    batch: str | None = None
    demand: int | None = None
    open: int = 0
    taken: list = field(default_factory=list)  # (Supply, quantity), reserved ones first
    late_surplus: int = 0
    uncovered: int = 0
    proposed: int = 0  # by proposals made for it
    too_small: set = field(default_factory=set)  # lots a single-lot need found too small

    def order(self):
        """Needs: day, kind, priority (1 first, blank last), code, line position."""
        blank = self.priority is None
        return (
            self.day,
            self.rank,
            blank,
            0 if blank else self.priority,
            self.code,
            self.position,
            self.number,
        )


@dataclass
class Cut:
    """One proposed making."""

    id: str
    item: str
    formula: Formula
    number: int
    charge: int
    output: int
    start_on: int
    due_on: int
    late: bool
    safety_only: bool
    starts: int  # the day it is really started on: never before `from`
    coming: list
    parts: list  # (Need, or None for safety; quantity)


@dataclass
class Purchase:
    item: str
    number: int
    need_on: int
    order_by: int
    late: bool
    quantity: int
    packs: list
    cost: int | None
    waste: int
    coming: list
    parts: list


# ---------------------------------------------------------------- methods


def output_of(formula: Formula, charge: int) -> int:
    """Output = charge x yield - loss, rounded down; per unit there is no loss."""
    out = math.floor(Fraction(charge * formula.yield_percent, WHOLE))
    return out - (formula.loss if formula.basis == "percent" else 0)


def line_quantities(formula: Formula, charge: int) -> list[int]:
    """What each line needs for a charge (for per_unit: for so many units begun)."""
    if formula.basis == "per_unit":
        quantities = []
        for line in formula.lines:
            exact = charge * line.per_unit
            quantities.append(math.floor(exact + Fraction(1, 2)) if line.is_volume else math.ceil(exact))
        return quantities
    # Rule 2: the charge split in milligrams by largest remainder, ties by position.
    exact = [Fraction(charge * line.percent, WHOLE) for line in formula.lines]
    quantities = [math.floor(share) for share in exact]
    by_remainder = sorted(range(len(exact)), key=lambda i: (-(exact[i] - quantities[i]), formula.lines[i].position, i))
    for i in by_remainder[: charge - sum(quantities)]:
        quantities[i] += 1
    return quantities


def batch_quantity(batch: Batch, line: Line, split: int) -> int:
    """A batch may carry its own quantities; a started one needs only what is not yet weighed."""
    quantity = batch.required.get(line.position, split)
    if batch.status == "started":
        quantity = max(0, quantity - batch.weighed.get(line.position, 0))
    return quantity


def plain(ratio: Fraction) -> str:
    """A terminating fraction as a plain decimal without trailing zeros."""
    digits = 0
    while (ratio * 10**digits).denominator != 1:
        digits += 1
        if digits > 30:
            raise ValueError("not a decimal")
    whole = str(int(ratio * 10**digits)).rjust(digits + 1, "0")
    return whole if digits == 0 else f"{whole[:-digits]}.{whole[-digits:]}"


# ---------------------------------------------------------------- serving (rule 11, rule 12)


def take(need: Need, rows: list[Supply]) -> list[tuple[Supply, int]]:
    """Take what is open from these rows, in this order."""
    taken = []
    for row in rows:
        quantity = min(need.open, row.left)
        if quantity > 0:
            row.left -= quantity
            need.open -= quantity
            taken.append((row, quantity))
    return taken


def whole_sources(rows: list[Supply]) -> list[list[Supply]]:
    """Rows grouped into what counts as one lot: all portions of a lot; else each row alone."""
    groups: list[list[Supply]] = []
    for row in rows:
        for group in groups:
            if row.kind == LOT and group[0].kind == LOT and group[0].code == row.code:
                group.append(row)
                break
        else:
            groups.append([row])
    return groups


def serve(need: Need, supply: list[Supply]) -> tuple[list, list]:
    """Serve one need: from what is here by its day, then from surplus that comes later."""
    usable = [
        row
        for row in sorted(supply, key=Supply.order)
        if row.left > 0 and row.last_day >= need.day + need.min_remaining
    ]
    here = [row for row in usable if row.here <= need.day]
    later = [row for row in usable if row.here > need.day and row.kind == SURPLUS]
    if not need.single_lot:
        return take(need, here), take(need, later)
    # One bulk, one packed lot: the first source that holds all that is open, or nothing.
    for group in whole_sources(here):
        held = sum(row.left for row in group)
        if group[0].kind == LOT and held < need.open:
            need.too_small.add(group[0].code)
    if need.open == 0:
        return [], []
    for group in whole_sources(here):
        if sum(row.left for row in group) >= need.open:
            return take(need, group), []
    for group in whole_sources(later):
        if sum(row.left for row in group) >= need.open:
            return [], take(need, group)
    return [], []


# ---------------------------------------------------------------- the plan


def reference_plan(problem: Problem) -> Plan:
    return _Reference(problem).plan()


class _Reference:
    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.from_day = problem.from_day
        self.to_day = problem.to_day
        self.items: dict[str, Item] = {item.code: item for item in problem.items}
        self.check_items()
        self.formulas = {(f.formula, f.version): f for f in problem.formulas}
        self.chosen: dict[str, Formula] = {}
        for code in self.items:
            self.choose_formula(code)
        self.needs: dict[str, list[Need]] = {code: [] for code in self.items}
        self.gross: dict[tuple[str, int], int] = {}
        self.covered: dict[tuple[str, int], int] = {}
        self.safety_net: dict[tuple[str, int], int] = {}
        self.unmet: dict[tuple[str, int, str], int] = {}
        self.cuts: list[Cut] = []
        self.purchases: list[Purchase] = []
        self.runs_out: dict[str, int] = {}
        self.largest_outputs: dict[str, int | None] = {}
        self.lots_left = [lot.quantity for lot in problem.lots]
        self.idle_reserved = [0] * len(problem.lots)  # set aside, but no need can use it

    # ---- what is known at the start

    def check_items(self) -> None:
        problem = self.problem
        named = [row.item for row in problem.lots + problem.orders + problem.offers + problem.demands]
        for formula in problem.formulas:
            named.append(formula.item)
            for line in formula.lines:
                named.append(line.item)
                named.extend(substitute.item for substitute in line.substitutes)
        for code in named:
            if code not in self.items:
                raise PlanError("unknown_item", f"unknown item {code}")

    def choose_formula(self, code: str) -> None:
        """An item with an approved formula is made: the preferred, then by code; its highest version."""
        approved = [f for f in self.problem.formulas if f.item == code and f.approved]
        if approved and not self.items[code].drawn:
            self.chosen[code] = min(approved, key=lambda f: (not f.preferred, f.formula, -f.version))

    def offers_of(self, code: str) -> list[Offer]:
        return [offer for offer in self.problem.offers if offer.item == code]

    def levels(self) -> list[str]:
        """Items in low-level-code order: an item comes after everything that uses it (rule 13)."""
        used = list(self.chosen.values())
        used += [self.formulas[batch.formula, batch.version] for batch in self.problem.batches]
        children: dict[str, set[str]] = {code: set() for code in self.items}
        for formula in used:
            children[formula.item].update(line.item for line in formula.lines)

        def longest(code: str, path: tuple[str, ...]) -> dict[str, int]:
            if code in path:
                raise PlanError("loop", "a formula reaches itself", (*path[path.index(code) :], code))
            depth = {code: len(path)}
            for child in sorted(children[code]):
                for below, level in longest(child, (*path, code)).items():
                    depth[below] = max(level, depth.get(below, 0))
            return depth

        level = dict.fromkeys(self.items, 0)
        for code in sorted(self.items):
            for below, depth in longest(code, ()).items():
                level[below] = max(level[below], depth)
        return sorted(self.items, key=lambda code: (level[code], code))

    def add_need(self, need: Need) -> None:
        if need.quantity > 0:
            need.open = need.quantity
            need.number = len(self.needs[need.item])
            self.needs[need.item].append(need)

    def firm_needs(self) -> None:
        """Batches' lines are needed on their day, demands on theirs; before `from` counts as `from`."""
        ranks = {"reserved": RESERVED, "started": STARTED, "planned": PLANNED}
        for batch in self.problem.batches:
            formula = self.formulas[batch.formula, batch.version]
            for line, split in zip(formula.lines, line_quantities(formula, batch.charge), strict=True):
                self.add_need(
                    Need(
                        item=line.item,
                        day=max(self.from_day, batch.planned_for),
                        quantity=batch_quantity(batch, line, split),
                        rank=ranks[batch.status],
                        priority=batch.priority,
                        code=(batch.batch,),
                        position=line.position,
                        min_remaining=self.items[line.item].min_remaining_days,
                        single_lot=line.single_lot,
                        peg=f"batch:{batch.batch}",
                        batch=batch.batch,
                    )
                )
        in_turn = sorted(enumerate(self.problem.demands), key=lambda pair: pair[1].due_on)
        for index, demand in in_turn:
            own = demand.min_remaining_days
            self.add_need(
                Need(
                    item=demand.item,
                    day=max(self.from_day, demand.due_on),
                    quantity=demand.quantity,
                    rank=DEMAND,
                    priority=demand.priority,
                    code=(demand.customer, demand.reference),
                    min_remaining=self.items[demand.item].min_remaining_days if own is None else own,
                    peg=f"demand:{demand.customer}/{demand.reference}",
                    demand=index,
                )
            )

    # ---- supply

    def life_end(self, item: Item, day: int) -> int:
        return NEVER if item.life_days is None else day + item.life_days

    def lot_here(self, lot) -> int | None:
        """The day a portion counts from; None: it is no supply."""
        if lot.set_apart or lot.retest_on < self.from_day:
            return None
        if lot.status == "released":
            days = [day for day in (lot.received_on, lot.available_on) if day is not None]
            return max([self.from_day, *days])
        if lot.status == "quarantine" and lot.available_on is not None:
            return max(self.from_day, lot.available_on)
        return None

    def supply_of(self, item: Item) -> list[Supply]:
        rows = []
        for index, lot in enumerate(self.problem.lots):
            here = self.lot_here(lot)
            if lot.item == item.code and here is not None:
                rows.append(
                    Supply(
                        LOT,
                        lot.quantity,
                        here,
                        lot.last_day,
                        lot.received_on,
                        lot.lot,
                        (lot.place, lot.container, index),
                        lot_index=index,
                        usable_now=lot.status == "released" and here == self.from_day,
                    )
                )
        for index, order in enumerate(self.problem.orders):
            if order.item == item.code:
                received = max(self.from_day, order.due_on)
                here = max(self.from_day, order.due_on + item.release_days)
                last = self.life_end(item, received) if order.expires_on is None else order.expires_on
                rows.append(Supply(ORDER, order.quantity, here, last, received, order.order, (index,)))
        for index, batch in enumerate(self.problem.batches):
            formula = self.formulas[batch.formula, batch.version]
            quantity = output_of(formula, batch.charge)
            if formula.item == item.code and not batch.trial and quantity > 0:
                made = batch.planned_for + item.lead_time_days
                here = max(self.from_day, made + item.release_days)
                made = max(self.from_day, made)
                rows.append(Supply(FIRM, quantity, here, self.life_end(item, made), made, batch.batch, (index,)))
        for row in rows:
            row.left = row.quantity
        return rows

    def keep_reservations(self, code: str, supply: list[Supply], needs: list[Need]) -> None:
        """Reservations come off their portion first and cover what they were made for, where usable."""
        for index, lot in enumerate(self.problem.lots):
            if lot.item != code:
                continue
            reserved = sum(r.quantity for r in self.problem.reservations if r.lot == index)
            self.lots_left[index] -= reserved
            self.idle_reserved[index] = reserved
            for row in supply:
                if row.lot_index == index:
                    row.left -= reserved
        for row in sorted(supply, key=Supply.order):
            for reservation in self.problem.reservations:
                if reservation.lot != row.lot_index or row.lot_index is None:
                    continue
                rest = reservation.quantity
                for need in needs:  # in order, so a batch's lines come by position
                    mine = (
                        need.demand == reservation.demand
                        if reservation.demand is not None
                        else need.batch is not None and need.batch == reservation.batch
                    )
                    if mine and row.here <= need.day and row.last_day >= need.day + need.min_remaining:
                        quantity = min(rest, need.open)
                        if quantity > 0:
                            rest -= quantity
                            need.open -= quantity
                            need.taken.append((row, quantity))
                            self.idle_reserved[row.lot_index] -= quantity

    # ---- one item

    def plan_item(self, code: str) -> None:
        item = self.items[code]
        needs = sorted(self.needs[code], key=Need.order)
        for need in needs:
            self.gross[code, need.day] = self.gross.get((code, need.day), 0) + need.quantity
        if item.drawn:  # never short, never bought
            for need in needs:
                self.covered[code, need.day] = self.gross[code, need.day]
            return
        supply = self.supply_of(item)
        self.keep_reservations(code, supply, needs)
        day = self.from_day - 1
        while True:
            look_days = self.look_days(item, supply, needs)
            coming = [d for d in {need.day for need in needs} | look_days if d > day]
            if not coming:
                break
            day = min(coming)
            self.plan_day(item, day, supply, needs, look=day in look_days)
        for row in supply:
            if row.kind == LOT:
                self.lots_left[row.lot_index] = row.left

    def look_days(self, item: Item, supply: list[Supply], needs: list[Need]) -> set[int]:
        """Days on which the safety floor is looked at."""
        if item.safety_stock <= 0:
            return set()
        lead = item.lead_time_days
        offers = self.offers_of(item.code)
        if item.code not in self.chosen and offers:
            lead = min(offer.lead_time_days for offer in offers)
        first = self.from_day + lead + item.release_days
        days = {need.day for need in needs} | {row.last_day + 1 for row in supply}
        return {day for day in days | {first} if first <= day <= self.to_day}

    def plan_day(self, item: Item, day: int, supply: list[Supply], needs: list[Need], look: bool) -> None:
        key = (item.code, day)
        today = [need for need in needs if need.day == day]
        for need in today:
            here, later = serve(need, supply)
            need.taken += here + later
            need.late_surplus = sum(quantity for _, quantity in later)
            need.uncovered = need.open
            if not need.safety_only:
                self.add_unmet(item.code, day, need.late_surplus, "late")
                if need.uncovered:
                    self.runs_out.setdefault(item.code, day)
        if today:
            self.covered[key] = sum(need.quantity - need.uncovered for need in today)

        answered = []
        for need in today:
            if need.uncovered == 0:
                continue
            reason = self.why_not(item, day + need.min_remaining, day)
            if reason is None:
                answered.append(need)
            elif not need.safety_only:
                self.add_unmet(item.code, day, need.uncovered, reason)

        number = itertools.count(1)
        # A single-lot line gets a making (or a buying) of its own.
        for need in answered:
            if need.single_lot:
                self.propose(item, day, [(need, need.uncovered)], supply, needs, number)
        # The floor: what is left that is here and alive; surplus counts even when late.
        below = 0
        if look:
            left = sum(row.left for row in supply if row.last_day >= day and (row.here <= day or row.kind == SURPLUS))
            below = max(0, item.safety_stock - left)
            if below:
                self.safety_net[key] = below
        parts = [(need, need.uncovered) for need in answered if not need.single_lot]
        if below and self.why_not(item, day, day) is None:
            parts.append((None, below))
        if parts:
            self.propose(item, day, parts, supply, needs, number)

    def why_not(self, item: Item, must_live_to: int, day: int) -> str | None:
        """Why a need cannot be answered by a proposal; None: it can."""
        if item.code in self.chosen:
            begins = self.open_day(day - item.lead_time_days - item.release_days) + item.lead_time_days
        elif self.offers_of(item.code):
            begins = self.open_day(day - item.release_days)
        else:
            return "no_formula" if item.kind in ("product", "intermediate") else "no_offer"
        return None if self.life_end(item, begins) >= must_live_to else "life"

    def open_day(self, day: int) -> int:
        """The last open day not after this one."""
        while date.fromordinal(day).weekday() not in self.problem.open_weekdays:
            day -= 1
        return day

    def add_unmet(self, code: str, day: int, quantity: int, reason: str) -> None:
        if quantity > 0:
            self.unmet[code, day, reason] = self.unmet.get((code, day, reason), 0) + quantity

    def propose(self, item, day, parts, supply, needs, number) -> None:
        if item.code in self.chosen:
            self.propose_making(item, day, parts, supply, number)
        else:
            self.propose_buying(item, day, parts, supply, needs, number)

    def answered_by(self, item: Item, day: int, parts: list, late: bool) -> None:
        for need, quantity in parts:
            if need is not None:
                need.proposed += quantity
                if late and not need.safety_only:
                    self.add_unmet(item.code, day, quantity, "late")

    @staticmethod
    def only_safety(parts: list) -> bool:
        return all(need is None or need.safety_only for need, _ in parts)

    def coming(self, day: int, parts: list, supply: list[Supply]) -> list[Expected]:
        """Firm supply that comes after the need, so that the person may move it."""
        if all(need is None for need, _ in parts):
            return []
        rows = [row for row in supply if row.kind in (ORDER, FIRM) and row.here > day]
        rows.sort(key=lambda row: (row.here, row.source(), row.tie))
        return [Expected(row.source(), row.quantity, row.here) for row in rows]

    # ---- made

    def propose_making(self, item: Item, day: int, parts: list, supply: list[Supply], number) -> None:
        """Batches are cut one by one, all on the same start day."""
        formula = self.chosen[item.code]
        waiting = [[need, quantity] for need, quantity in parts]
        while waiting:
            rest = sum(quantity for _, quantity in waiting)
            charge = self.charge_for(formula, rest)
            output = output_of(formula, charge)
            filled = []
            room = output
            while waiting and room > 0:
                need, quantity = waiting[0]
                used = min(quantity, room)
                filled.append((need, used))
                room -= used
                waiting[0][1] -= used
                if waiting[0][1] == 0:
                    waiting.pop(0)
            self.cut(item, formula, day, charge, output, filled, supply, next(number))

    def cut(self, item, formula, day, charge, output, parts, supply, number) -> None:
        start_on = self.open_day(day - item.lead_time_days - item.release_days)
        safety_only = self.only_safety(parts)
        late = start_on < self.from_day and not safety_only
        starts = max(start_on, self.from_day)  # a late one starts on `from`
        made = starts + item.lead_time_days
        cut = Cut(
            id=f"{item.code}@{day}#{number}",
            item=item.code,
            formula=formula,
            number=number,
            charge=charge,
            output=output,
            start_on=start_on,
            due_on=day,
            late=late,
            safety_only=safety_only,
            starts=starts,
            coming=self.coming(day, parts, supply),
            parts=parts,
        )
        self.cuts.append(cut)
        self.answered_by(item, day, parts, late)
        self.keep_surplus(item, made, output, parts, supply)
        for line, quantity in zip(formula.lines, line_quantities(formula, charge), strict=True):
            self.add_need(
                Need(
                    item=line.item,
                    day=starts,
                    quantity=quantity,
                    rank=PROPOSAL,
                    code=(item.code, day, number),
                    position=line.position,
                    min_remaining=self.items[line.item].min_remaining_days,
                    single_lot=line.single_lot,
                    safety_only=safety_only,
                    peg=f"make:{cut.id}",
                )
            )

    def keep_surplus(self, item: Item, begins: int, quantity: int, parts: list, supply: list[Supply]) -> None:
        """What no need took is surplus for later days; what was proposed for safety is, too."""
        surplus = quantity - sum(part for need, part in parts if need is not None)
        if surplus > 0:
            supply.append(self.surplus_row(item, begins, surplus, len(supply)))

    def surplus_row(self, item: Item, begins: int, quantity: int, number: int) -> Supply:
        here = begins + item.release_days
        return Supply(SURPLUS, quantity, here, self.life_end(item, begins), begins, "", (number,), left=quantity)

    def charge_for(self, formula: Formula, rest: int) -> int:
        loss = formula.loss if formula.basis == "percent" else 0
        charge = math.ceil(Fraction((rest + loss) * WHOLE, formula.yield_percent))
        charge = max(charge, formula.min_batch)
        multiple = formula.batch_multiple
        charge = math.ceil(Fraction(charge, multiple)) * multiple
        if formula.max_batch is not None:
            charge = min(charge, formula.max_batch // multiple * multiple)
        return self.fitting_charge(formula, charge)

    def fitting_charge(self, formula: Formula, charge: int) -> int:
        """Cut so that one batch of the bulk fills each single-lot line; min_batch yields to this."""
        limits = self.single_lot_limits(formula)
        if not limits:
            return charge

        def fits(size: int) -> bool:
            quantities = line_quantities(formula, size)
            return output_of(formula, size) > 0 and all(quantities[i] <= most for i, most in limits.items())

        multiple = formula.batch_multiple
        for size in range(charge // multiple * multiple, 0, -multiple):
            if fits(size):
                return size
        for size in range(charge, 0, -1):
            if fits(size):
                return size
        # Nothing fits: the smallest size that leaves something.
        return next(size for size in range(1, charge + 1) if output_of(formula, size) > 0)

    def single_lot_limits(self, formula: Formula) -> dict[int, int]:
        """Index of a single-lot line with a made item -> the most one batch of that item gives."""
        limits = {}
        for i, line in enumerate(formula.lines):
            if line.single_lot and line.item in self.chosen:
                most = self.largest_output(line.item)
                if most is not None:
                    limits[i] = most
        return limits

    def largest_output(self, code: str) -> int | None:
        """The most that one batch of an item gives; None: no limit."""
        if code not in self.largest_outputs:
            formula = self.chosen[code]
            multiple = formula.batch_multiple
            bounds = []
            if formula.max_batch is not None:
                bounds.append(formula.max_batch // multiple * multiple)
            for i, most in self.single_lot_limits(formula).items():
                # A line's quantity is never a whole step below its share, so nothing above this fits.
                line = formula.lines[i]
                share = line.per_unit if formula.basis == "per_unit" else Fraction(line.percent, WHOLE)
                if share > 0:
                    bounds.append(math.ceil((most + 1) / share))
            if bounds:
                size = self.fitting_charge(formula, min(bounds))
                self.largest_outputs[code] = output_of(formula, size)
            else:
                self.largest_outputs[code] = None
        return self.largest_outputs[code]

    # ---- bought

    def propose_buying(self, item, day, parts, supply, needs, number) -> None:
        net = sum(quantity for _, quantity in parts)
        options = []
        by_supplier: dict[str, list[Offer]] = {}
        for offer in self.offers_of(item.code):
            by_supplier.setdefault(offer.supplier, []).append(offer)
        later_needs = [need for need in needs if need.day > day]
        drawn: dict[int, int] = {}  # arrival -> what later needs would draw, the same for many choices
        for supplier, offers in sorted(by_supplier.items()):
            in_time = [offer for offer in offers if day - offer.lead_time_days - item.release_days >= self.from_day]
            for counts in pack_counts(in_time or offers, net):
                used = [(offer, count) for offer, count in counts if count > 0]
                quantity = sum(offer.pack * count for offer, count in used)
                longest = max(offer.lead_time_days for offer, _ in used)
                arrival = self.open_day(day - item.release_days) if in_time else self.from_day + longest
                excess = quantity - net
                waste = 0
                if self.life_end(item, arrival) <= self.to_day:
                    if arrival not in drawn:
                        drawn[arrival] = self.later_draw(item, arrival, later_needs, supply)
                    waste = max(0, excess - drawn[arrival])
                prices = [None if o.price_e4 is None else o.price_e4 * count for o, count in used]
                cost = None if None in prices else sum(prices)
                sizes = sorted((-offer.pack for offer, count in used for _ in range(count)))
                key = (
                    not in_time,
                    waste,
                    cost is None,
                    0 if cost is None else cost,
                    excess,
                    len(sizes),
                    sizes,
                    supplier,
                )
                options.append((key, used, quantity, longest, arrival, waste, cost))
        key, used, quantity, longest, arrival, waste, cost = min(options, key=lambda option: option[0])
        order_by = day - longest - item.release_days
        late = order_by < self.from_day and not self.only_safety(parts)
        used = sorted(used, key=lambda pair: -pair[0].pack)
        self.purchases.append(
            Purchase(
                item=item.code,
                number=next(number),
                need_on=day,
                order_by=order_by,
                late=late,
                quantity=quantity,
                packs=[Pack(o.supplier, o.pack, count, o.pack_text) for o, count in used],
                cost=cost,
                waste=waste,
                coming=self.coming(day, parts, supply),
                parts=parts,
            )
        )
        self.answered_by(item, day, parts, late)
        self.keep_surplus(item, arrival, quantity, parts, supply)

    def later_draw(self, item: Item, arrival: int, later_needs: list[Need], supply: list[Supply]) -> int:
        """What known later needs would draw from an endless surplus, played through on copies."""
        rows = [replace(row) for row in supply]
        endless = self.surplus_row(item, arrival, ENDLESS, len(rows))
        rows.append(endless)
        for need in later_needs:
            serve(replace(need, taken=[], too_small=set()), rows)
        return ENDLESS - endless.left

    # ---- the answer

    def plan(self) -> Plan:
        in_order = self.levels()
        self.firm_needs()
        for code in in_order:
            self.plan_item(code)
        return Plan(
            from_day=self.from_day,
            to_day=self.to_day,
            requirements=self.requirement_rows(),
            batches=self.batch_rows(),
            make=self.make_rows(),
            buy=self.buy_rows(),
            expiring=self.expiring_rows(),
            unmet=[
                Unmet(code, day, quantity, reason)
                for (code, day, reason), quantity in sorted(
                    self.unmet.items(), key=lambda row: (row[0][1], row[0][0], row[0][2])
                )
                if day <= self.to_day
            ],
            lots_left=self.lots_left,
        )

    def requirement_rows(self) -> list[Requirement]:
        rows = []
        for code, day in sorted(set(self.gross) | set(self.safety_net), key=lambda key: (key[1], key[0])):
            if day <= self.to_day:
                gross = self.gross.get((code, day), 0)
                covered = self.covered.get((code, day), 0)
                short = gross - covered + self.safety_net.get((code, day), 0)
                rows.append(Requirement(code, day, gross, covered, short))
        return rows

    def make_rows(self) -> list[Make]:
        rows = []
        for cut in sorted(self.cuts, key=lambda cut: (cut.start_on, cut.item, cut.due_on, cut.number)):
            if cut.start_on <= self.to_day:
                pegged = sum(quantity for _, quantity in cut.parts)
                rows.append(
                    Make(
                        id=cut.id,
                        item=cut.item,
                        formula=cut.formula.formula,
                        version=cut.formula.version,
                        quantity=cut.output,
                        charge=cut.charge,
                        start_on=cut.start_on,
                        due_on=cut.due_on,
                        late=cut.late,
                        coming=cut.coming,
                        excess=cut.output - pegged,
                        pegged_to=pegs(cut.parts, cut.due_on),
                    )
                )
        return rows

    def buy_rows(self) -> list[Buy]:
        rows = []
        in_order = sorted(self.purchases, key=lambda buy: (buy.order_by, buy.item, buy.need_on, buy.number))
        for buy in in_order:
            if buy.order_by <= self.to_day:
                rows.append(
                    Buy(
                        id=f"{buy.item}@{buy.need_on}#{buy.number}",
                        item=buy.item,
                        quantity=buy.quantity,
                        packs=buy.packs,
                        cost_e4=buy.cost,
                        need_on=buy.need_on,
                        order_by=buy.order_by,
                        late=buy.late,
                        free=self.free(buy.item, self.from_day),
                        coming=buy.coming,
                        runs_out_on=self.runs_out.get(buy.item),
                        excess=buy.quantity - sum(quantity for _, quantity in buy.parts),
                        waste=buy.waste,
                        pegged_to=pegs(buy.parts, buy.need_on),
                    )
                )
        return rows

    def free(self, code: str, lives_to: int) -> int:
        """Released, here on `from`, usable on the day: what the whole plan leaves of it."""
        total = 0
        for index, lot in enumerate(self.problem.lots):
            here = self.lot_here(lot)
            if lot.item == code and lot.status == "released" and here == self.from_day and lot.last_day >= lives_to:
                total += self.lots_left[index]
        return total

    def expiring_rows(self) -> list[Expiring]:
        """Every lot on hand whose last day is up to `to`, with what no need uses before."""
        totals: dict[tuple[int, str, str], int] = {}
        for index, lot in enumerate(self.problem.lots):
            if lot.quantity > 0 and lot.last_day <= self.to_day and not self.items[lot.item].drawn:
                key = (lot.last_day, lot.item, lot.lot)
                totals[key] = totals.get(key, 0) + self.lots_left[index] + self.idle_reserved[index]
        return [Expiring(lot, item, quantity, day) for (day, item, lot), quantity in sorted(totals.items())]

    # ---- coverage of the firm batches

    def batch_rows(self) -> list[BatchCoverage]:
        rows = []
        for batch in sorted(self.problem.batches, key=lambda batch: (batch.planned_for, batch.batch)):
            if batch.planned_for > self.to_day:
                continue
            formula = self.formulas[batch.formula, batch.version]
            split = line_quantities(formula, batch.charge)
            lines = [
                self.batch_line(batch, line, batch_quantity(batch, line, quantity))
                for line, quantity in zip(formula.lines, split, strict=True)
            ]
            if any(line.short for line in lines):
                coverage = "short"
            elif any(line.expected for line in lines):
                coverage = "expected"
            else:
                coverage = "covered"
            rows.append(BatchCoverage(batch.batch, formula.item, batch.planned_for, coverage, lines))
        return rows

    def batch_line(self, batch: Batch, line: Line, required: int) -> BatchLine:
        row = BatchLine(line.position, line.phase, line.item, required, [], [], 0, 0, [], [])
        if self.items[line.item].drawn or required == 0:
            return row
        need = next(
            need for need in self.needs[line.item] if need.batch == batch.batch and need.position == line.position
        )
        lots: dict[str, int] = {}
        expected: dict[tuple[int, str], int] = {}
        from_surplus = 0
        for supply, quantity in need.taken:
            if supply.kind == SURPLUS:
                from_surplus += quantity
            elif supply.usable_now:
                lots[supply.code] = lots.get(supply.code, 0) + quantity
            else:
                key = (supply.here, supply.source())
                expected[key] = expected.get(key, 0) + quantity
        row.lots = list(lots.items())
        row.expected = [Expected(source, quantity, day) for (day, source), quantity in sorted(expected.items())]
        row.short = required - sum(lots.values()) - sum(expected.values())
        row.proposed = from_surplus + need.proposed
        if row.short > 0:
            for substitute in line.substitutes:
                lives_to = need.day + self.items[substitute.item].min_remaining_days
                free = self.free(substitute.item, lives_to)
                enough = free >= substitute.ratio * row.short
                row.substitutes.append(SubstituteFree(substitute.item, plain(substitute.ratio), free, enough))
        row.passed_over = self.passed_over(batch, need)
        return row

    def passed_over(self, batch: Batch, need: Need) -> list[tuple[str, str]]:
        """Each lot of the item that the line took nothing of, with the first reason that applies."""
        order = [
            "rejected",
            "held",
            "expired",
            "quarantine",
            "not_yet",
            "too_short",
            "reserved",
            "not_enough",
        ]
        took = {supply.code for supply, _ in need.taken if supply.kind == LOT}
        portions: dict[str, list[int]] = {}
        for index, lot in enumerate(self.problem.lots):
            if lot.item == need.item and lot.lot not in took:
                portions.setdefault(lot.lot, []).append(index)
        named = []
        for code, indexes in portions.items():
            reasons = [self.reason(batch, need, index) for index in indexes]
            if None not in reasons:
                last_day = min(self.problem.lots[index].last_day for index in indexes)
                named.append((last_day, code, min(reasons, key=order.index)))
        return [(code, reason) for _, code, reason in sorted(named)]

    def reason(self, batch: Batch, need: Need, index: int) -> str | None:
        lot = self.problem.lots[index]
        if lot.status == "rejected":
            return "rejected"
        if lot.status == "held" or lot.set_apart:
            return "held"
        if lot.last_day < self.from_day:
            return "expired"
        if lot.retest_on < self.from_day:
            return "quarantine"
        here = self.lot_here(lot)
        if lot.status == "quarantine" and (here is None or here > need.day):
            return "quarantine"
        if here > need.day:
            return "not_yet"
        if lot.last_day < need.day + need.min_remaining:
            return "too_short"
        others = sum(
            r.quantity
            for r in self.problem.reservations
            if r.lot == index and (r.demand is not None or r.batch != batch.batch)
        )
        if lot.quantity - others <= 0:
            return "reserved"
        if lot.lot in need.too_small:
            return "not_enough"
        return None


def pegs(parts: list, day: int) -> list[Peg]:
    return [Peg("safety" if need is None else need.peg, day, quantity) for need, quantity in parts]


def pack_counts(offers: list[Offer], net: int) -> list[list[tuple[Offer, int]]]:
    """Every choice of counts that reaches `net` and could be the best.

    A count is 0 or from `min_packs` on. More of a pack than reaches `net` is never better than one less
    of it (nothing gets cheaper, later or less wasteful by it), so once the packs before reach `net`, only
    none or the fewest of the others are tried (a slower pack may still mean a later arrival).
    """
    choices: list[list[tuple[Offer, int]]] = [[]]
    for n, offer in enumerate(offers):
        longer = []
        for choice in choices:
            missing = max(0, net - sum(before.pack * count for before, count in choice))
            enough = max(offer.min_packs, math.ceil(Fraction(missing, offer.pack)))
            fewest = enough if n == len(offers) - 1 else offer.min_packs
            longer += [[*choice, (offer, count)] for count in [0, *range(fewest, enough + 1)]]
        choices = longer
    return [choice for choice in choices if sum(offer.pack * count for offer, count in choice) >= net]
