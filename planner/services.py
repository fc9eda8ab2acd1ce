"""Planning's writes: accepting proposals, reserving with a look at the others, reorder alerts, recall holds.

A plan never changes stock; accepting a proposal makes a planned batch or a purchase order.
"""

from __future__ import annotations

import functools
import uuid
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from django.db.models import QuerySet, Sum

from inventory import clock, tracing
from inventory.errors import Conflict, Fault, NotAllowed, NotFound
from inventory.ledger import among
from inventory.models import Alert, Item, Lot, LotDecision, Offer, Party, Portion, PurchaseOrderLine
from inventory.quantities import limit_of, show_quantity
from inventory.services import buying, ledger, lots, reserving
from inventory.transactions import lock_found, write
from inventory.workshop import open_weekdays
from planner import rendering
from planner.engine.plan import Netted, net
from planner.engine.problem import Problem
from planner.engine.result import Buy, Make, Plan, PlanError, RequirementColumns
from planner.models import AcceptedProposal, Review
from planner.operations.metrics import timed_plan
from planner.packed import Reading
from planner.progress import Progress, unwatched
from planner.snapshot import FIRM, take_snapshot
from production.models import Batch, FormulaVersion
from production.services import batches as bench

if TYPE_CHECKING:
    from django.contrib.auth.models import User

DEFAULT_WEEKS = 4
MOST_WEEKS = 260
REVIEW_WEEKS = 8
MOST_COMING = 3  # deliveries and batches that a sentence names
TRIES = 3  # of an act that somebody else's may get in the way of


class PlanRun:
    """One problem and what was netted of it."""

    def __init__(self, problem: Problem, netted: Netted, reading: Reading) -> None:
        """``reading`` is what the problem was read by."""
        self.problem, self.netted, self.reading = problem, netted, reading

    @functools.cached_property
    def plan(self) -> Plan:
        """All of it row by row, the lines of every batch: where only a part is looked at, ``netted`` answers sooner."""
        return self.netted.plan()

    def document(self) -> dict[str, Any]:
        """What ``plan --json`` prints."""
        return rendering.plan_document(self.plan, self.problem)

    def json(self) -> Iterator[str]:
        """The same document as JSON text, in pieces."""
        return rendering.plan_json(self.plan, self.problem)


def run_plan(*, from_day: date, weeks: int, before: PlanRun | None = None, progress: Progress = unwatched) -> PlanRun:
    """The plan of this day: reads, changes nothing. ``progress`` counts what is read and the items netted.

    The answer is the same after an earlier one, ``before``, and comes sooner: only what changed since is made anew.
    Raises Conflict where formulas form a loop, or where a proposal is larger than any quantity may be.
    """
    return _net(from_day, weeks, before=before, progress=progress)


@dataclass(frozen=True, slots=True)
class RequirementsRun:
    """What is needed of each item on each day, how much of it is covered and short: the aggregated plan."""

    problem: Problem
    columns: RequirementColumns

    def json(self) -> Iterator[str]:
        """An object with ``from``, ``to`` and the ``requirements`` of ``plan --json``, as JSON text in pieces."""
        return rendering.requirements_document(self.columns, self.problem)


def run_requirements(*, from_day: date, weeks: int) -> RequirementsRun:
    """The requirements of this day's plan, without batches, proposals and pegs. Raises as ``run_plan``."""
    run = _net(from_day, weeks)
    return RequirementsRun(run.problem, run.netted.requirements)


@timed_plan
def _net(from_day: date, weeks: int, *, before: PlanRun | None = None, progress: Progress = unwatched) -> PlanRun:
    progress("reading", 0, 1)
    reading = Reading(before.reading if before is not None else None)
    problem = take_snapshot(from_day=from_day, weeks=weeks, reading=reading)
    progress("reading", 1, 1)
    try:
        netted = net(
            problem,
            before=before.netted if before is not None else None,
            progress=functools.partial(progress, "netting"),
        )
    except PlanError as error:
        raise Conflict(str(error), code=f"plan_{error.code}", path=list(error.path)) from error
    _check_sizes(problem, netted)
    return PlanRun(problem, netted, reading)


def _check_sizes(problem: Problem, netted: Netted) -> None:
    measures = {item.code: item.measure for item in problem.items}
    for code, quantity in netted.proposed():
        largest = limit_of(measures[code])
        if quantity > largest:
            raise Conflict(
                f"the plan would need more than {show_quantity(largest, measures[code])} of {code} at once: "
                "look at the demands, and at the yields and lines of the formulas",
                code="plan_too_large",
                item=code,
            )


@dataclass(frozen=True, slots=True)
class Accepted:
    """What became of a proposal. ``again`` is true when it had been accepted before."""

    proposal: str
    kind: str
    result: str  # batch number or purchase order
    again: bool


KINDS = ("make", "buy")


def accept(
    *,
    proposals: Sequence[str],
    from_day: date,
    weeks: int,
    kinds: Collection[str] = KINDS,
    together: bool = False,
    who: User | None = None,
) -> list[Accepted]:
    """Make proposals of the plan firm, each once: accepted twice, the second answer is the first one's.

    1. What was accepted before and is still firm is answered from the record.
    2. The plan is made anew. What it proposes is made firm, also where an earlier result came to nothing; what was
       accepted and is not proposed any more is answered from the record; else Conflict ``proposal_gone``.
    3. All are written in one transaction: planned batches, and purchase orders: one for each proposal or, ``together``,
       one for each supplier.

    Raises NotAllowed, and writes nothing, where a proposal to be made firm is of a kind that is not among ``kinds``.
    Somebody who accepts at the same moment may write first: then their results are looked at, and are ours.
    """
    for _ in range(TRIES - 1):
        try:
            return _accept(proposals=proposals, from_day=from_day, weeks=weeks, kinds=kinds, together=together, who=who)
        except Conflict as taken:
            if taken.code != "changed":
                raise
    return _accept(proposals=proposals, from_day=from_day, weeks=weeks, kinds=kinds, together=together, who=who)


@write
def _accept(
    *,
    proposals: Sequence[str],
    from_day: date,
    weeks: int,
    kinds: Collection[str],
    together: bool,
    who: User | None,
) -> list[Accepted]:
    wanted = list(dict.fromkeys(proposals))
    before = {row.proposal: row for row in AcceptedProposal.objects.filter(proposal__in=wanted)}
    answers = {name: _told_again(row) for name, row in before.items() if _is_firm(row)}
    fresh = [name for name in wanted if name not in answers]
    if fresh:
        run = run_plan(from_day=from_day, weeks=weeks)
        offered: dict[str, Make | Buy] = {row.id: row for row in run.netted.makes}
        offered |= {row.id: row for row in run.netted.buys}
        done = [name for name in fresh if name in before and name not in offered and _came_to_something(before[name])]
        answers |= {name: _told_again(before[name]) for name in done}
        fresh = [name for name in fresh if name not in answers]
        gone = [name for name in fresh if name not in offered]
        if gone:
            raise Conflict(
                "the plan has changed and does not propose this any more; look at it again",
                code="proposal_gone",
                faults=[Fault("proposals", name, "the id of a proposal of the plan as it is now") for name in gone],
                proposals=gone,
            )
        kind_of = {name: "make" if isinstance(offered[name], Make) else "buy" for name in fresh}
        refused = [name for name in fresh if kind_of[name] not in kinds]
        if refused:
            raise NotAllowed(
                "your roles do not cover every proposal: what is to be made is the maker's, what to buy the buyer's",
                faults=[Fault("proposals", name, f"a proposal to {' or '.join(kinds)}") for name in refused],
            )
        ordered = _place_orders([offered[name] for name in fresh], run.problem.from_day, together, who)
        for name in fresh:
            row, line = offered[name], ordered.get(name)
            result = line.order.code if line is not None else _plan_batch(row, run.problem.from_day, who)
            if name in before:  # what it had become is not firm any more, and the plan wants it again
                before[name].delete()
            AcceptedProposal.objects.create(proposal=name, kind=kind_of[name], result=result, order_line=line, who=who)
            answers[name] = Accepted(name, kind_of[name], result, False)
    return [answers[name] for name in wanted]


def _told_again(row: AcceptedProposal) -> Accepted:
    return Accepted(row.proposal, row.kind, row.result, True)


def _is_firm(row: AcceptedProposal) -> bool:
    """Whether what a proposal became is still to come: a batch that has not ended, an order with an open line."""
    if row.kind == "make":
        return Batch.objects.filter(transformation__code=row.result, status__in=FIRM).exists()
    return _lines_of(row).filter(closed_at=None).exists()


def _came_to_something(row: AcceptedProposal) -> bool:
    """Whether an ended result brought something: a finished batch, an order of which something came."""
    if row.kind == "make":
        return Batch.objects.filter(transformation__code=row.result, status="finished").exists()
    return _lines_of(row).filter(received__gt=0).exists()


def _lines_of(row: AcceptedProposal) -> QuerySet[PurchaseOrderLine]:
    """The order line that a proposal became: others of the same order are none of its concern."""
    if row.order_line_id is not None:
        return PurchaseOrderLine.objects.filter(pk=row.order_line_id)
    return PurchaseOrderLine.objects.filter(order__code=row.result)


def _plan_batch(row: Make | Buy, from_day: int, who: User | None) -> str:
    assert isinstance(row, Make)
    version = FormulaVersion.objects.get(formula__code=row.formula, version=row.version)
    day = date.fromordinal(max(row.start_on, from_day))
    return bench.plan(version=version, charge=row.charge, planned_for=day, who=who).transformation.code


def _place_orders(
    rows: Sequence[Make | Buy], from_day: int, together: bool, who: User | None
) -> dict[str, PurchaseOrderLine]:
    """The order line that each proposal to buy becomes, by its id: one order each or, together, one for a supplier.

    Of one item for one day an order has one line: two proposals may become the same.
    """
    orders: dict[str, list[tuple[Buy, buying.OrderLine]]] = {}
    for row in rows:
        if isinstance(row, Buy):
            orders.setdefault(row.packs[0].supplier if together else row.id, []).append(
                (row, _order_line(row, from_day))
            )
    found: dict[str, PurchaseOrderLine] = {}
    for wanted in orders.values():
        quantities: dict[tuple[int, date], buying.OrderLine] = {}
        for _, line in wanted:
            key = (line.item.pk, line.due_on)
            before = quantities.get(key)
            quantities[key] = line if before is None else replace(line, quantity=before.quantity + line.quantity)
        supplier = Party.objects.get(code=wanted[0][0].packs[0].supplier)
        order = buying.place_order(supplier=supplier, lines=list(quantities.values()), who=who)
        written = {(line.item_id, line.due_on): line for line in order.lines.select_related("order")}
        found |= {row.id: written[line.item.pk, line.due_on] for row, line in wanted}
    return found


def _order_line(row: Buy, from_day: int) -> buying.OrderLine:
    """What arrives when the plan counts on it: in time, else as soon as the slowest pack can come."""
    item = Item.objects.get(code=row.item)
    lead = max(
        Offer.objects.filter(
            supplier__code=row.packs[0].supplier, item=item, pack__in=[pack.pack for pack in row.packs]
        ).values_list("lead_time_days", flat=True)
    )
    if row.order_by < from_day:
        due_on = date.fromordinal(from_day + lead)
    else:
        due_on = last_open_day(date.fromordinal(row.need_on - item.release_days))
    return buying.OrderLine(item=item, quantity=row.quantity, due_on=due_on, expires_on=None)


def last_open_day(day: date) -> date:
    """The last day not after this one on which the workshop is open."""
    weekdays = open_weekdays()
    while day.weekday() not in weekdays:
        day -= timedelta(days=1)
    return day


@dataclass(frozen=True, slots=True)
class ReservedBatch:
    """What was set aside, and the other planned batches that this leaves short."""

    taken: list[reserving.Taken]
    became_short: list[str]


def reserve_batch(
    *, batch: Batch, substitutes: Mapping[int, Item] | None = None, who: User | None = None
) -> ReservedBatch:
    """Reserve all lines of one batch or none; the answer names other planned batches that become short by it.

    Raises Shortage with the lines that are not covered.
    """
    day = clock.today()
    code = batch.transformation.code
    before = short_batches(day)
    taken = bench.reserve(batch=batch, substitutes=substitutes, who=who)
    return ReservedBatch(taken, sorted(short_batches(day) - before - {code}))


def short_batches(day: date) -> set[str]:
    """Firm batches that existing supply does not cover, however far ahead they are planned."""
    last = Batch.objects.filter(status__in=FIRM).order_by("-transformation__planned_for")
    furthest = last.values_list("transformation__planned_for", flat=True).first() or day
    weeks = max(1, (furthest - day).days // 7 + 1)
    return run_plan(from_day=day, weeks=weeks).netted.short_batches()


@dataclass(frozen=True, slots=True)
class AlertChanges:
    opened: int
    closed: int


@write
def refresh_reorder_alerts(*, run: PlanRun) -> AlertChanges:
    """Open or bring up to date one alert for each item that the plan wants bought; close those it wants no more."""
    measures = {item.code: item.measure for item in run.problem.items}
    first_by_item: dict[str, dict[str, Any]] = {}
    for buy in run.netted.buys:
        if buy.item not in first_by_item:
            first_by_item[buy.item] = rendering.buy_row(buy, measures[buy.item])
    standing = set(Alert.objects.filter(kind="reorder", closed_at=None).values_list("subject", flat=True))
    for item, row in first_by_item.items():
        ledger.open_alert(kind="reorder", subject=item, message=reorder_sentence(row), facts=row)
    closed = ledger.close_alerts(kinds=["reorder"], subjects=standing - set(first_by_item))
    return AlertChanges(opened=len(set(first_by_item) - standing), closed=closed)


def reorder_sentence(row: dict[str, Any]) -> str:
    """One line for a person, from a row of ``buy``: what, from whom, by when."""
    packs = ", ".join(f"{pack['count']} x {pack['pack']} from {pack['supplier']}" for pack in row["packs"])
    late = " (late)" if row["late"] else ""
    told = f"{row['item']}: order {packs} by {row['order_by']}{late}; needed on {row['need_on']}"
    coming = ", ".join(
        f"{one['quantity']} of {one['source'].replace(':', ' ')} on {one['day']}" for one in row["coming"][:MOST_COMING]
    )
    return f"{told}; comes too late for it: {coming}" if coming else told


def look_again(*, day: date) -> AlertChanges:
    """Plan from this day, and let the reorder alerts follow."""
    return refresh_reorder_alerts(run=run_plan(from_day=day, weeks=REVIEW_WEEKS))


def review(*, day: date) -> AlertChanges | None:
    """The daily look at the plan. Done once a day however often it is called; None when it was done before."""
    claim, mine = Review.objects.get_or_create(reviewed_on=day)
    if not mine and claim.finished_at is not None:
        return None
    changes = look_again(day=day)
    Review.objects.filter(pk=claim.pk).update(finished_at=clock.now())
    return changes


@write
def decide_affected(*, origins: Sequence[Lot], status: str, why: str, who: User | None = None) -> list[LotDecision]:
    """Hold or release the given lots and everything that contains them, in one action.

    1. Lock the items of all that is affected, and look again: what was made of it meanwhile is affected too. Then all
       of them are locked anew, in one order: two that hold at once never wait for each other.
    2. Holding leaves rejected lots as they are; releasing touches only lots that are held.
    3. A release frees the lots named. What contains them goes back to what it was before it was held: a lot that
       nobody had released, or that may not be released any more, waits in quarantine for its own decision.
    """
    if not origins:
        raise NotFound("no lot was named")
    reached = [lot for lot in _lock_affected(origins) if _would_change(lot, status)]
    action_uid = uuid.uuid4()
    waiting = _go_back_to_quarantine(reached, origins) if status == Lot.Status.RELEASED else set()
    decided = [lot for lot in reached if lot.pk not in waiting]
    back = [lot for lot in reached if lot.pk in waiting]
    decisions = lots.decide(lots=decided, status=status, why=why, who=who, action_uid=action_uid)
    return decisions + lots.decide(lots=back, status=Lot.Status.QUARANTINE, why=why, who=who, action_uid=action_uid)


@dataclass(frozen=True, slots=True)
class AffectedLot:
    """A lot that contains one of some others, or is one; and whether a hold of all affected would hold it."""

    lot: Lot  # with its item
    on_hand: int
    would_hold: bool


def affected_lots(*, origins: Sequence[Lot]) -> list[AffectedLot]:
    """What ``decide_affected`` would look at, to see before it is done: nearest first. Changes nothing."""
    reached = tracing.affected(lots=origins)
    here = Portion.objects.filter(lot__in=among(lot.pk for lot in reached), on_hand__gt=0)
    on_hand = dict(here.values_list("lot").annotate(Sum("on_hand")))
    return [AffectedLot(lot, on_hand.get(lot.pk, 0), _would_change(lot, Lot.Status.HELD)) for lot in reached]


def _lock_affected(origins: Sequence[Lot]) -> list[Lot]:
    """What is affected, with its items locked: a making that ends locks what it was made of, so nothing slips by."""
    return lock_found(lambda: tracing.affected(lots=origins), lambda lots: {lot.item_id for lot in lots})


def _go_back_to_quarantine(held: Sequence[Lot], origins: Sequence[Lot]) -> set[int]:
    """Of held lots that contain the origins, those not released before they were held or past their last day."""
    named = {lot.pk for lot in origins}
    before: dict[int, str] = {}
    holds = LotDecision.objects.filter(lot__in=[lot.pk for lot in held], to_status=Lot.Status.HELD)
    for lot_id, from_status in (
        holds.exclude(from_status=Lot.Status.HELD).order_by("pk").values_list("lot", "from_status")
    ):
        before[lot_id] = from_status
    return {
        lot.pk
        for lot in held
        if lot.pk not in named and (before.get(lot.pk) != Lot.Status.RELEASED or not lots.may_be_released(lot))
    }


def _would_change(lot: Lot, status: str) -> bool:
    if status == Lot.Status.RELEASED:
        return lot.status == Lot.Status.HELD
    return lot.status not in (status, Lot.Status.REJECTED)
