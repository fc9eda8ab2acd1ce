"""The bench beside the storeroom, as plainly: batches, what was weighed into them, how they end, and the trace."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta
from fractions import Fraction

from tests.machine.model import (
    HELD,
    QUARANTINE,
    REJECTED,
    RELEASED,
    Event,
    Holder,
    ItemRules,
    Lot,
    LotKey,
    Refused,
    Spot,
    Storeroom,
)

PLANNED, RESERVED, STARTED = "planned", "reserved", "started"
FINISHED, CANCELLED, ABANDONED = "finished", "cancelled", "abandoned"

WHOLE_PERCENT = 100
TOLERANCE_PERCENT = 10  # of every line weighed; pieces have none


@dataclass(frozen=True)
class FormulaLine:
    """``amount``: whole percent of the charge, or base steps for one unit begun."""

    item: str
    amount: int
    single_lot: bool = False
    substitute: str = ""
    ratio: int = 1  # of the substitute for one


@dataclass(frozen=True)
class FormulaRules:
    name: str
    makes: str
    percent: bool
    lines: tuple[FormulaLine, ...]
    yield_percent: int = 100
    loss: int = 0
    draft: bool = False
    checks: tuple[str, ...] = ()

    def output_of(self, charge: int) -> int:
        return charge * self.yield_percent // WHOLE_PERCENT - self.loss

    def needs(self, charge: int) -> list[int]:
        """What each line takes; a percent charge is split by largest remainder, ties to the earlier line."""
        if not self.percent:
            return [charge * line.amount for line in self.lines]
        parts = [charge * line.amount // WHOLE_PERCENT for line in self.lines]
        remainders = [charge * line.amount % WHOLE_PERCENT for line in self.lines]
        order = sorted(range(len(parts)), key=lambda at: (-remainders[at], at))
        for at in order[: charge - sum(parts)]:
            parts[at] += 1
        return parts


@dataclass
class Line:
    """One line of a weighing sheet; an addition outside the formula requires nothing."""

    position: int
    item: str
    required: int
    tolerance: int = 0
    single_lot: bool = False
    addition: bool = False
    substitute: str = ""
    ratio: int = 1
    done: bool = False


@dataclass
class Weighing:
    position: int
    event: int
    spot: Spot
    quantity: int
    why: str
    found: int | None = None  # the count that was posted so that this reading could be
    corrected: bool = False


@dataclass
class Batch:
    code: str
    formula: FormulaRules
    charge: int
    planned_for: date
    trial: bool = False
    state: str = PLANNED
    lines: dict[int, Line] = field(default_factory=dict)
    weighings: list[Weighing] = field(default_factory=list)
    checks: dict[str, bool] = field(default_factory=dict)
    made_on: date | None = None
    residue: int = 0
    evaporated: int = 0
    left_in_vessel: int = 0

    @property
    def holder(self) -> Holder:
        return Holder("batch", self.code)

    @property
    def readings(self) -> list[Weighing]:
        return [one for one in self.weighings if not one.corrected]


@dataclass
class Workshop(Storeroom):
    formulas: dict[str, FormulaRules] = field(default_factory=dict)
    batches: dict[str, Batch] = field(default_factory=dict)

    def day_of_holder(self, holder: Holder) -> date:
        return self.batches[holder.name].planned_for if holder.kind == "batch" else super().day_of_holder(holder)

    def _expect(self, batch: Batch, *states: str) -> list[str]:
        return [] if batch.state in states else ["WrongState:wrong_state"]

    # -- before the bench ------------------------------------------------------------------------

    def plan(self, code: str, formula: str, charge: int, planned_for: date, trial: bool) -> None:
        rules = self.formulas[formula]
        reasons = ["Conflict:number_taken"] if code in self.batches else []
        if rules.draft and not trial:
            reasons.append("WrongState:version_not_approved")
        reasons += self._against_charge(rules, charge)
        if reasons:
            raise Refused(*reasons)
        self.batches[code] = Batch(code, rules, charge, planned_for, trial)

    def _against_charge(self, rules: FormulaRules, charge: int) -> list[str]:
        if charge < 1:
            return ["BadInput:bad_input"]
        return ["BadInput:no_output"] if rules.output_of(charge) < 1 else []

    def change_plan(self, code: str, charge: int, planned_for: date) -> None:
        """Another size or day frees what was set aside."""
        batch = self.batches[code]
        reasons = self._expect(batch, PLANNED, RESERVED) + self._against_charge(batch.formula, charge)
        if reasons:
            raise Refused(*reasons)
        if (charge, planned_for) != (batch.charge, batch.planned_for):
            self.let_go(batch.holder)
            batch.charge, batch.planned_for, batch.state = charge, planned_for, PLANNED

    def reserve_batch(self, code: str, instead: dict[int, str] | None = None) -> None:
        """``instead``: by line position, the item that stands in for the whole line."""
        batch = self.batches[code]
        reasons = self._expect(batch, PLANNED, RESERVED)
        for position, item in (instead or {}).items():
            if batch.formula.lines[position - 1].substitute != item:
                reasons.append("BadInput:no_substitute")
        if reasons:
            raise Refused(*reasons)
        self._set_all_aside(batch, batch.planned_for, instead or {})

    def _wants(self, batch: Batch, instead: dict[int, str]) -> list[tuple[str, int, bool]]:
        quantities = batch.formula.needs(batch.charge)
        wants = []
        for position, (line, quantity) in enumerate(zip(batch.formula.lines, quantities, strict=True), start=1):
            if position in instead:
                wants.append((line.substitute, quantity * line.ratio, line.single_lot))
            elif quantity and not self.items[line.item].drawn:
                wants.append((line.item, quantity, line.single_lot))
        return wants

    def _set_all_aside(self, batch: Batch, on: date, instead: dict[int, str]) -> None:
        """All lines anew or none: what the batch had before stays where it had something and gets no more."""
        with self.all_or_nothing():
            self.let_go(batch.holder)
            for spot, quantity in self.choose(self._wants(batch, instead), on, None):
                self.set_aside(spot, batch.holder, quantity)
        batch.state = RESERVED

    def unreserve(self, code: str) -> None:
        batch = self.batches[code]
        if batch.state != RESERVED:
            raise Refused("WrongState:wrong_state")
        self.let_go(batch.holder)
        batch.state = PLANNED

    def start(self, code: str) -> None:
        """All is set aside and usable now; where it is not, it is set aside anew."""
        batch = self.batches[code]
        reasons = self._expect(batch, PLANNED, RESERVED)
        if reasons:
            raise Refused(*reasons)
        if not self._holds_all(batch):
            self._set_all_aside(batch, self.today, {})
        for position, (line, quantity) in enumerate(
            zip(batch.formula.lines, batch.formula.needs(batch.charge), strict=True), start=1
        ):
            tolerance = 0 if self.items[line.item].counted else quantity * TOLERANCE_PERCENT // WHOLE_PERCENT
            batch.lines[position] = Line(
                position,
                line.item,
                quantity,
                tolerance,
                line.single_lot,
                substitute=line.substitute,
                ratio=line.ratio,
                done=quantity == 0,
            )
        batch.state = STARTED

    def _holds_all(self, batch: Batch) -> bool:
        held = self.held_by(batch.holder)
        if any(self.unusable(one.spot, self.today, self.now) for one in held):
            return False
        here: dict[str, int] = {}
        for one in held:
            here[one.spot.item] = here.get(one.spot.item, 0) + one.quantity
        for line, quantity in zip(batch.formula.lines, batch.formula.needs(batch.charge), strict=True):
            instead = here.get(line.substitute, 0) // line.ratio
            if not self.items[line.item].drawn and here.get(line.item, 0) + instead < quantity:
                return False
        return True

    # -- on the bench ----------------------------------------------------------------------------

    def weighed_into(self, batch: Batch, line: Line) -> Fraction:
        """The line's total in its own item; a substitute counts by its ratio."""
        return sum(
            (
                Fraction(one.quantity, 1 if one.spot.item == line.item else line.ratio)
                for one in batch.readings
                if one.position == line.position
            ),
            Fraction(0),
        )

    def weigh(
        self, code: str, position: int, spot: Spot, quantity: int, *, why: str, found: bool, done: bool | None
    ) -> None:
        batch = self.batches[code]
        line = batch.lines[position]
        reasons = self._expect(batch, STARTED) + self._against_use(spot, quantity, found)
        ratio = {line.item: 1, line.substitute: line.ratio}.get(spot.item)
        if ratio is None:
            raise Refused("BadInput:wrong_item", *reasons)
        finished, odd = self._judge(batch, line, Fraction(quantity, ratio), done)
        if not why and (odd or self._odd_lot(batch, line, spot)):
            reasons.append("BadInput:reason_needed")
        if reasons:
            raise Refused(*reasons)
        self._record(batch, line, self._use(batch, spot, quantity), spot, quantity, why, finished)

    def _against_use(self, spot: Spot, quantity: int, found: bool) -> list[str]:
        if quantity < 1:
            return ["BadInput:bad_input"]
        unusable = self.unusable(spot, self.today, self.now)
        reasons = [f"Unusable:{unusable}"] if unusable else []
        if quantity > self.portions[spot].on_hand and not found:
            reasons.append("Shortage:not_on_hand")
        return reasons

    def _judge(self, batch: Batch, line: Line, added: Fraction, done: bool | None) -> tuple[bool, bool]:
        """Whether the line is done with this reading, and whether its total is out of the ordinary."""
        total = int(self.weighed_into(batch, line) + added + Fraction(1, 2))
        too_little = total < line.required - line.tolerance
        finished = not too_little if done is None else done
        return finished, total > line.required + line.tolerance or (finished and too_little)

    def _odd_lot(self, batch: Batch, line: Line, spot: Spot) -> bool:
        """A substitute, a lot that is not the one set aside, or a second one where one lot was to do."""
        weighed = {one.spot.lot for one in batch.readings if one.position == line.position}
        held = {one.spot.lot for one in self.held_by(batch.holder) if one.spot.item == line.item}
        return (
            spot.item != line.item
            or bool(held and spot.lot not in held | weighed)
            or bool(line.single_lot and weighed - {spot.lot})
        )

    def _use(self, batch: Batch, spot: Spot, quantity: int) -> int:
        """Own reservation first, then free stock, then what others had set aside. Answers the event's number."""
        over = quantity - self.portions[spot].on_hand
        if over > 0:
            self.post("counted", {spot: over}, found=True)
        for one in self.held_by(batch.holder):
            if one.spot == spot:
                self._lower(one, min(one.quantity, quantity))
        self.post("used", {spot: -quantity}, batch=batch.code)
        return len(self.events) - 1

    def _record(
        self, batch: Batch, line: Line, event: int, spot: Spot, quantity: int, why: str, finished: bool
    ) -> None:
        before = self.events[event - 1]
        found = event - 1 if before.found and spot in before.moves else None
        batch.weighings.append(Weighing(line.position, event, spot, quantity, why, found))
        line.done = finished

    def draw_water(self, code: str, position: int, quantity: int, *, why: str, done: bool | None) -> None:
        batch = self.batches[code]
        line = batch.lines[position]
        reasons = self._expect(batch, STARTED) + self._against_drawing(line.item, quantity)
        finished, odd = self._judge(batch, line, Fraction(quantity), done)
        if odd and not why:
            reasons.append("BadInput:reason_needed")
        if reasons:
            raise Refused(*reasons)
        spot, event = self._draw(batch, line.item, quantity)
        self._record(batch, line, event, spot, quantity, why, finished)

    def _water_of_today(self, item: str) -> Spot:
        return Spot(item, f"{self.today:%Y%m%d}")

    def _against_drawing(self, item: str, quantity: int) -> list[str]:
        if not self.items[item].drawn:
            return ["BadInput:not_drawn", "BadInput:bad_input"]
        reasons = ["BadInput:bad_input"] if quantity < 1 else []
        spot = self._water_of_today(item)
        if spot.lot in self.lots:
            reasons += self._standing(spot, None)
            unusable = self.unusable(spot, self.today, self.now)
            if unusable:
                reasons.append(f"Unusable:{unusable}")
        return reasons

    def _draw(self, batch: Batch, item: str, quantity: int) -> tuple[Spot, int]:
        """One lot of water a day, opened or continued."""
        spot = self._water_of_today(item)
        if spot.lot not in self.lots:
            self.lots[spot.lot] = Lot(spot.lot, "drawn", RELEASED, self.today, released_by="by_decision")
        self._stand(spot)
        self.post("received", {spot: quantity}, batch=batch.code)
        self.post("used", {spot: -quantity}, batch=batch.code)
        return spot, len(self.events) - 1

    def add(self, code: str, item: str, spot: Spot | None, quantity: int, *, why: str, found: bool) -> None:
        """Something outside the formula: a line of its own, with a reason."""
        batch = self.batches[code]
        reasons = self._expect(batch, STARTED)
        if not why:
            reasons.append("BadInput:reason_needed")
        if batch.formula.percent and self.items[item].counted:
            reasons.append("BadInput:wrong_item")
        if spot is None:
            reasons += self._against_drawing(item, quantity)
        else:
            reasons += ["BadInput:bad_input"] if spot.item != item else []
            reasons += self._against_use(spot, quantity, found)
        if reasons:
            raise Refused(*reasons)
        position = max(batch.lines) + 1
        line = batch.lines[position] = Line(position, item, 0, addition=True)
        if spot is None:
            spot, event = self._draw(batch, item, quantity)
        else:
            event = self._use(batch, spot, quantity)
        self._record(batch, line, event, spot, quantity, why, True)

    def correct_weighing(self, code: str, which: int, why: str) -> None:
        """A wrong reading is taken back, with what was drawn or found only for it; its line is open again."""
        batch = self.batches[code]
        weighing = batch.weighings[which]
        event = self.events[weighing.event]
        reasons = self._expect(batch, STARTED)
        if not why:
            reasons.append("BadInput:reason_needed")
        if weighing.corrected:
            reasons.append("WrongState:corrected_before")
        if reasons:
            raise Refused(*reasons)
        drawing = self._drawing_for(weighing)
        found = None if weighing.found is None else self.events[weighing.found]
        self._undo(event)
        if drawing is not None:
            self._undo(drawing)
        if found is not None and not found.corrected:
            self._undo(found)
        weighing.corrected = True
        line = batch.lines[weighing.position]
        if not line.addition:
            line.done = self.weighed_into(batch, line) >= line.required - line.tolerance
            self._set_aside_again(batch, line, weighing)

    def _drawing_for(self, weighing: Weighing) -> Event | None:
        if self.lots[weighing.spot.lot].origin != "drawn":
            return None
        batch = self.events[weighing.event].batch
        for event in reversed(self.events[: weighing.event]):
            same = event.kind == "received" and event.batch == batch and not event.corrected
            if same and event.moves == {weighing.spot: weighing.quantity}:
                return event
        return None

    def _set_aside_again(self, batch: Batch, line: Line, weighing: Weighing) -> None:
        """What came from the lot set aside is set aside again: as far as it is free and still needed."""
        held = sum(one.quantity for one in self.held_by(batch.holder) if one.spot.item == line.item)
        still = line.required - int(self.weighed_into(batch, line) + Fraction(1, 2)) - held
        quantity = min(still, weighing.quantity, self.free_of(weighing.spot))
        if quantity > 0 and not weighing.why and not self.items[line.item].drawn:
            self.set_aside(weighing.spot, batch.holder, quantity)

    def record_check(self, code: str, check: str, passed: bool) -> None:
        batch = self.batches[code]
        reasons = self._expect(batch, STARTED, FINISHED)
        if reasons:
            raise Refused(*reasons)
        batch.checks[check] = passed

    # -- the end of a batch ----------------------------------------------------------------------

    def cancel(self, code: str, why: str) -> None:
        batch = self.batches[code]
        reasons = self._expect(batch, PLANNED, RESERVED, STARTED)
        if not why:
            reasons.append("BadInput:reason_needed")
        if batch.readings:
            reasons.append("WrongState:already_weighed")
        if reasons:
            raise Refused(*reasons)
        self.let_go(batch.holder)
        batch.state = CANCELLED

    def finish(self, code: str, made: int, residue: int, left_in_vessel: int, why: str, place: str) -> None:
        batch = self.batches[code]
        reasons = self._expect(batch, STARTED) + self._against_end(batch, made, residue, left_in_vessel)
        if made < 1:
            reasons.append("BadInput:bad_input")
        if not why and not all(line.done for line in batch.lines.values()):
            reasons.append("WrongState:lines_open")
        last_day = self.last_day_of_making(batch)
        if last_day is not None and last_day < self.today:
            reasons.append("WrongState:past_its_life")
        if reasons:
            raise Refused(*reasons)
        status, available_on = self._status_of_made(batch, last_day)
        self._make(batch, made, status, available_on, last_day, place)
        self._end(batch, FINISHED, made, residue, left_in_vessel)

    def abandon(self, code: str, why: str, rejected: int, waste: int, place: str) -> None:
        """What was weighed stays used; the mix is a rejected lot, or waste with a weight."""
        batch = self.batches[code]
        reasons = self._expect(batch, STARTED) + self._against_end(batch, rejected, waste, 0)
        if not why:
            reasons.append("BadInput:reason_needed")
        if rejected < 1 and waste < 1:
            reasons.append("BadInput:bad_input")
        if reasons:
            raise Refused(*reasons)
        if rejected:
            last_day = self.last_day_of_making(batch)
            self._make(batch, rejected, REJECTED, None, last_day and max(last_day, self.today), place)
        self._end(batch, ABANDONED, rejected, waste, 0)

    def _against_end(self, batch: Batch, out: int, residue: int, left_in_vessel: int) -> list[str]:
        reasons = [] if batch.readings else ["WrongState:nothing_weighed"]
        if min(residue, left_in_vessel, out) < 0:
            reasons.append("BadInput:bad_input")
        if self._number_for(batch) in self.lots and out:
            reasons.append("Conflict:number_taken")
        if batch.formula.percent:
            weighed = sum(one.quantity for one in batch.readings)
            if out + residue + left_in_vessel > weighed:
                reasons.append("Conflict:more_out_than_in")
            return reasons
        for position, line in enumerate(batch.formula.lines, start=1):
            of_line = [one.quantity for one in batch.readings if one.position == position]
            if self.items[line.item].counted and of_line and out * line.amount > sum(of_line):
                reasons.append("Conflict:more_out_than_in")
        return reasons

    def last_day_of_making(self, batch: Batch) -> date | None:
        """Making day (a packed unit: its bulk's) plus the item's own life, cut by the inputs that cap it."""
        rules = self.items[batch.formula.makes]
        if rules.whole_days is None:
            return None
        lots = [one.spot.lot for one in batch.readings]
        bulk_days = [self.lots[key].received_on for key in lots if self._is_bulk(self.items[key.item])]
        first = self.today if batch.formula.percent else min([self.today, *(day for day in bulk_days if day)])
        last_day = first + timedelta(days=rules.whole_days)
        return last_day if rules.life_basis else min([last_day, *self._caps(lots)])

    def _is_bulk(self, rules: ItemRules) -> bool:
        return rules.kind == "intermediate" and not rules.counted

    def _caps(self, lots: Iterable[LotKey]) -> list[date]:
        """First expiries of raw inputs, through what was made here of them unless a study stands behind it."""
        found: list[date] = []
        for key in lots:
            lot, rules = self.lots[key], self.items[key.item]
            last_day = self.lot_last_day(lot)
            if rules.caps_life and last_day is not None:
                found.append(last_day)
            if not rules.caps_life and not rules.life_basis and lot.batch is not None:
                found += self._caps(self.used_in(lot.batch))
        return found

    def _status_of_made(self, batch: Batch, last_day: date | None) -> tuple[str, date | None]:
        rules = self.items[batch.formula.makes]
        of_inputs = {self.lots[one.spot.lot].status for one in batch.readings}
        if of_inputs & {HELD, REJECTED}:
            return HELD, None
        if batch.trial or last_day is None or of_inputs != {RELEASED}:
            return QUARANTINE, None
        if not all(batch.checks.values()):
            return QUARANTINE, None
        all_passed = bool(batch.formula.checks) and set(batch.formula.checks) == set(batch.checks)
        if rules.released_by_checks and all_passed:
            return RELEASED, self.today
        return QUARANTINE, self.today + timedelta(days=rules.release_days)

    def _number_for(self, batch: Batch) -> LotKey:
        """The batch's own number, or -2 and so on where what it became was taken back."""
        before = sum(lot.batch == batch.code for lot in self.lots.values())
        return LotKey(batch.formula.makes, f"{batch.code}-{before + 1}" if before else batch.code)

    def _make(
        self, batch: Batch, quantity: int, status: str, available_on: date | None, last_day: date | None, place: str
    ) -> None:
        key = self._number_for(batch)
        self.lots[key] = Lot(
            key,
            "made",
            status,
            received_on=self.today,
            made_at=self.now,
            available_on=available_on,
            expires_on=last_day,
            trial=batch.trial,
            batch=batch.code,
            released_by="by_checks" if status == RELEASED else "",
        )
        spot = Spot(*key, place)
        self._stand(spot)
        self.post("made", {spot: quantity}, batch=batch.code)

    def _end(self, batch: Batch, state: str, out: int, residue: int, left_in_vessel: int) -> None:
        self.let_go(batch.holder)
        batch.state, batch.made_on = state, self.today
        batch.residue, batch.left_in_vessel = residue, left_in_vessel
        if batch.formula.percent:
            batch.evaporated = sum(one.quantity for one in batch.readings) - out - residue - left_in_vessel

    def reopen(self, code: str, why: str) -> None:
        """The end was a mistake: what it became is taken back and rejected, its readings can be corrected."""
        batch = self.batches[code]
        became = [event for event in self.events if event.kind == "made" and event.batch == code]
        reasons = self._expect(batch, FINISHED, ABANDONED)
        if not why:
            reasons.append("BadInput:reason_needed")
        for event in became:
            if not event.corrected:
                reasons += self.against_correction(event)
        if reasons:
            raise Refused(*reasons)
        for event in became:
            if not event.corrected:
                self._undo(event)
        for lot in self.lots.values():
            if lot.batch == code:
                lot.status, lot.released_by = REJECTED, ""
        batch.state, batch.made_on = STARTED, None
        batch.residue = batch.evaporated = batch.left_in_vessel = 0

    # -- the trace -------------------------------------------------------------------------------

    def made_of(self, batch: str) -> LotKey | None:
        """What a batch became, if it was not taken back."""
        return next((key for key in self.lots if self.made_by(key) == batch), None)

    def made_by(self, lot: LotKey) -> str | None:
        """The batch that a lot is of, unless it was taken back: then it is of nothing."""
        return next(
            (
                event.batch
                for event in self.events
                if event.kind == "made" and not event.corrected and next(iter(event.moves)).lot == lot
            ),
            None,
        )

    def forward(self, origin: LotKey) -> dict[LotKey, int]:
        """The lot and every lot that contains it, with the number of makings between."""
        depth, level = {origin: 0}, [origin]
        while level:
            makings = [code for code in self.batches if set(self.used_in(code)) & set(level)]
            made = [key for key in map(self.made_of, makings) if key is not None and key not in depth]
            depth.update(dict.fromkeys(made, max(depth.values()) + 1))
            level = made
        return depth

    def backward(self, origin: LotKey) -> dict[LotKey, int]:
        """The lot and every lot it was made from."""
        depth, level = {origin: 0}, [origin]
        while level:
            makings = [batch for key in level if (batch := self.made_by(key)) is not None]
            used = [key for code in makings for key in self.used_in(code) if key not in depth]
            depth.update(dict.fromkeys(used, max(depth.values()) + 1))
            level = list(dict.fromkeys(used))
        return depth

    def links(self, batches: Iterable[str]) -> set[tuple[LotKey, str, LotKey | None, int]]:
        return {
            (key, code, self.made_of(code), quantity)
            for code in batches
            for key, quantity in self.used_in(code).items()
        }

    def brought(self, lot: LotKey) -> int:
        """What the lot began with: what was opened with, came or was made, and not corrected away."""
        return sum(
            sum(moved for spot, moved in event.moves.items() if spot.lot == lot)
            for event in self.events
            if event.kind in ("opening", "received", "made") and not event.corrected
        )

    def carried(self, origin: LotKey, lot: LotKey) -> Fraction | None:
        """How much of a lot is from the origin, were every making mixed perfectly; None unless all is mass."""
        share = self._share(origin, lot)
        return None if share is None or self.items[lot.item].counted else share * self.brought(lot)

    def _share(self, origin: LotKey, lot: LotKey) -> Fraction | None:
        if lot == origin:
            return Fraction(1)
        batch = self.made_by(lot)
        inputs = {} if batch is None else self.used_in(batch)
        if not inputs:
            return Fraction(0)
        if any(self.items[key.item].counted for key in (lot, *inputs)):
            return None
        shares = [(self._share(origin, key), quantity) for key, quantity in inputs.items()]
        if any(share is None for share, _ in shares):
            return None
        return sum((share * quantity for share, quantity in shares if share), Fraction(0)) / sum(inputs.values())

    def went_into(self, origin: LotKey) -> dict[LotKey, Fraction]:
        """Backward: how much of each lot went into the origin, by the part of each making that did."""
        needed = {origin: Fraction(self.brought(origin))}
        for event in reversed(self.events):  # of two makings the later one cannot be in the earlier
            made = next(iter(event.moves)).lot if event.kind == "made" and not event.corrected else None
            if made not in needed or made is None or event.batch is None:
                continue
            part = min(Fraction(1), needed[made] / self.brought(made))
            for key, quantity in self.used_in(event.batch).items():
                needed[key] = needed.get(key, Fraction(0)) + part * quantity
        return needed
