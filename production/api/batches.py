"""Batches: planned, started, ended. What happens on the bench between is in ``bench``."""

from __future__ import annotations

from typing import Any

from django.urls import path
from rest_framework.request import Request

from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, Lines, View, lists, named, quantity_of, reads, refused, writes
from inventory.api.pages import Listing
from inventory.models.items import CODE_LENGTH, WHY_LENGTH
from inventory.quantities import MASS
from inventory.selectors import find_item
from production import selectors
from production.api.bench import (
    BATCHES,
    MOMENT,
    STATUSES,
    BatchAnswer,
    BatchWithLots,
    SheetAnswer,
    batch_row,
    read_batch,
    read_batch_with_lots,
    read_sheet,
)
from production.api.formulas import POSITIONS, WAX_CAUTION, measure_of
from production.api.places import steps_of, told_at
from production.models import Batch, FormulaVersion
from production.services import batches, finishing
from production.services.finishing import Filling

# --- forms -------------------------------------------------------------------------------------------------


class NewBatch(Form):
    """``batch`` is proposed by the workshop's pattern, ``version`` is the approved one, where they are left out.

    ``size`` is the charge: a mass for percent, units begun for per_unit.
    """

    batch = fields.Code(required=False)
    formula = fields.Code(refers_to="formulas")
    version = fields.Whole(*POSITIONS, required=False)
    size = fields.Quantity()
    planned_for = fields.Day()
    priority = fields.Whole(*POSITIONS, required=False, allow_null=True)
    trial = fields.Flag(required=False)


class BatchChanges(Form):
    """A ``priority`` that is null is the last."""

    size = fields.Quantity(required=False)
    planned_for = fields.Day(required=False)
    priority = fields.Whole(*POSITIONS, required=False, allow_null=True)


class BatchFilters(Form):
    """``item`` is what the batches make; the days are the first and the last that they are planned for."""

    status = fields.Choice(*STATUSES, required=False)
    item = fields.Code(required=False)
    planned_from = fields.Day(required=False)
    planned_to = fields.Day(required=False)


class BatchStart(Form):
    """``happened_at`` is now where it is left out."""

    happened_at = fields.Instant(required=False, allow_null=True)


class BatchWhy(Form):
    why = fields.Text(WHY_LENGTH)


class Spot(Form):
    """Where the lot is put."""

    place = fields.Text(CODE_LENGTH, required=False, blank=True)
    container = fields.Text(CODE_LENGTH, required=False, blank=True)


class BulkMade(Form):
    """``residue`` was strained off or scraped away. ``why`` is needed where a line is not done."""

    made = fields.Quantity()
    residue = fields.Quantity(0, required=False)
    left_in_vessel = fields.Quantity(0, required=False)
    made_at = fields.Instant(required=False, allow_null=True)
    why = fields.Text(WHY_LENGTH, required=False, blank=True)


class BatchFinish(BulkMade, Spot):
    """The lot bears the batch's number where ``lot`` is left out."""

    lot = fields.Code(required=False)


class FillingCheck(Form):
    check = fields.Text()
    value = fields.Text()


class FillingForm(Spot):
    """``size`` is the units begun, ``made`` those that came out whole (else all), ``bulk_used`` what they took of the
    bulk (else as the formula says)."""

    batch = fields.Code(required=False)
    formula = fields.Code(refers_to="formulas")
    version = fields.Whole(*POSITIONS, required=False)
    size = fields.Quantity()
    made = fields.Quantity(required=False)
    bulk_used = fields.Quantity(required=False)
    why = fields.Text(WHY_LENGTH, required=False, blank=True)
    checks = Lines(child=FillingCheck(), most=100, allow_empty=True, required=False)


class MakeAndFill(BulkMade):
    filling = FillingForm()


class BatchAbandon(Spot):
    """``rejected`` becomes a rejected lot, ``waste`` is thrown away; one of them is needed."""

    why = fields.Text(WHY_LENGTH)
    rejected = fields.Quantity(0, required=False)
    waste = fields.Quantity(0, required=False)
    left_in_vessel = fields.Quantity(0, required=False)
    lot = fields.Code(required=False)
    happened_at = fields.Instant(required=False, allow_null=True)


class MadeAndFilled(Answer):
    bulk = BatchWithLots()
    packed = BatchWithLots()


# --- what a body names -------------------------------------------------------------------------------------


def named_version(asked: Json, at: str = "") -> FormulaVersion:
    """The version that a body names, taken out of it; the approved one where it gives no number."""
    formula = named(selectors.find_formula, asked.pop("formula"), f"{at}formula")
    number = asked.pop("version", None)
    if number is None:
        return named(selectors.find_version, formula.code, f"{at}formula")
    return named(lambda text: selectors.find_version(formula.code, int(text)), str(number), f"{at}version")


def _mass(asked: Json, name: str) -> int:
    """A mass that a body may give, taken out of it."""
    return steps_of(MASS, asked.pop(name), name, minimum=0) if name in asked else 0


def _bulk_of(asked: Json, batch: Batch) -> Json:
    """How a batch ended, as ``finish`` takes it; taken out of the body."""
    return {
        "made": quantity_of(batch.version.formula.item, asked.pop("made"), "made").steps,
        "residue_mg": _mass(asked, "residue"),
        "left_in_vessel_mg": _mass(asked, "left_in_vessel"),
        "made_at": asked.pop("made_at", None),
        "why": asked.pop("why", ""),
    }


def _filling_of(asked: Json, batch: Batch) -> Filling:
    version = named_version(asked, "filling.")
    size = steps_of(measure_of(version.basis), asked.pop("size"), "filling.size")
    made, used = asked.pop("made", None), asked.pop("bulk_used", None)
    bulk, packed = batch.version.formula.item, version.formula.item
    checks = asked.pop("checks", [])
    names = [one["check"] for one in checks]
    for at, name in enumerate(names):
        if name in names[:at]:
            raise refused(f"filling.checks[{at}].check", name, "each check once")
    return Filling(
        version=version,
        units=size,
        made=None if made is None else quantity_of(packed, made, "filling.made").steps,
        bulk_used=None if used is None else quantity_of(bulk, used, "filling.bulk_used").steps,
        code=asked.pop("batch", None),
        check_values={one["check"]: one["value"] for one in checks},
        **asked,
    )


# --- examples ----------------------------------------------------------------------------------------------

B_1: Json = {
    "batch": "B-1", "item": "RUB", "formula": "RUB", "version": 1, "size": "1000 g", "planned_for": "2027-03-03",
    "priority": None, "status": "planned", "trial": False, "started_at": None, "finished_at": None, "made_on": None,
    "residue": "0 g", "evaporated": "0 g", "left_in_vessel": "0 g", "ended_why": "",
}  # fmt: skip
B_2: Json = B_1 | {"batch": "B-2", "planned_for": "2027-03-05"}
SHEET: Json = B_1 | {
    "lots": [],
    "name": "Rub, bulk",
    "basis": "percent",
    "expected_output": "1000 g",
    "cautions": [WAX_CAUTION],
    "lines": [
        {
            "position": 1, "phase": "", "item": "OIL", "name": "Sunny oil", "required": "800 g", "low": "792 g",
            "high": "808 g", "scale": "0.1 g to 5 kg", "flag": "", "single_lot": False, "drawn": False,
            "addition": False, "done": False, "weighed": "0 g", "take": [], "readings": [],
        },
        {
            "position": 2, "phase": "", "item": "WAX", "name": "Pale wax", "required": "200 g", "low": "198 g",
            "high": "202 g", "scale": "0.01 g to 500 g", "flag": "", "single_lot": False, "drawn": False,
            "addition": False, "done": False, "weighed": "0 g", "take": [], "readings": [],
        },
    ],
    "steps": [],
    "checks": [],
}  # fmt: skip
O1_TO_TAKE: Json = {
    "item": "OIL", "lot": "O1", "place": "", "container": "", "quantity": "800 g", "last_day": "2028-01-31",
}  # fmt: skip
W1_TO_TAKE: Json = O1_TO_TAKE | {"item": "WAX", "lot": "W1", "quantity": "200 g", "last_day": "2028-06-30"}
STARTED: Json = SHEET | {
    "status": "started",
    "started_at": "2027-03-01T08:30:00+00:00",
    "lines": [
        SHEET["lines"][0] | {"take": [O1_TO_TAKE]},
        SHEET["lines"][1] | {"take": [W1_TO_TAKE]},
    ],
}
ENDED: Json = B_1 | {"started_at": MOMENT, "finished_at": MOMENT, "made_on": "2027-03-01"}
RUB_MADE: Json = {
    "item": "RUB", "lot": "B-1", "kind": "intermediate", "origin": "made", "status": "quarantine", "released_by": "",
    "trial": False, "supplier": None, "supplier_lot": "", "maker_lot": "", "batch": "B-1",
    "received_on": "2027-03-01", "made_at": MOMENT, "available_on": "2027-03-01", "expires_on": "2027-08-28",
    "last_day": "2027-08-28", "retest_on": None, "retest_day": None, "unit_cost": None, "note": "",
    "on_hand": "970 g", "reserved": "0 g", "free": "970 g",
}  # fmt: skip


# --- views -------------------------------------------------------------------------------------------------


class Batches(View):
    @lists(
        BatchAnswer,
        filters=BatchFilters,
        summary="List batches",
        query={"planned_to": "2027-03-04", "status": "planned"},
        gives=[B_1],
    )
    def get(self, request: Request, asked: Json) -> Listing:
        """Every batch, in the order in which they were planned."""
        chosen: dict[str, Any] = {
            column: asked[name]
            for name, column in (
                ("status", "status"),
                ("planned_from", "transformation__planned_for__gte"),
                ("planned_to", "transformation__planned_for__lte"),
            )
            if name in asked
        }
        if "item" in asked:
            chosen["transformation__item"] = named(find_item, asked["item"], "item")
        return Listing(BATCHES.filter(**chosen), "pk", batch_row)

    @writes(
        NewBatch,
        BatchAnswer,
        status=201,
        summary="Plan a batch",
        asks={"formula": "RUB", "size": "2.5 kg", "planned_for": "2027-03-08", "priority": 2},
        gives=B_1 | {"batch": "B20270308-1", "size": "2500 g", "planned_for": "2027-03-08", "priority": 2},
    )
    def post(self, request: Request, asked: Json) -> Json:
        """A batch of an approved version, or a trial of a draft."""
        version = named_version(asked)
        charge = steps_of(measure_of(version.basis), asked.pop("size"), "size")
        with told_at({"code": "batch"}):
            batch = batches.plan(
                version=version, charge=charge, code=asked.pop("batch", None), who=request.user, **asked
            )
        return read_batch(batch)


class OneBatch(View):
    @reads(SheetAnswer, summary="Read a batch sheet", path={"batch": "B-1"}, gives=SHEET)
    def get(self, request: Request, asked: Json, batch: str) -> Json:
        """The batch and what stands on the bench: what to weigh, from which lots and on which scale, what was
        weighed, steps, checks, and cautions. Before the start it is the sheet as it would be written."""
        return read_sheet(selectors.find_batch(batch))

    @writes(
        BatchChanges,
        BatchAnswer,
        summary="Change a planned batch",
        path={"batch": "B-1"},
        asks={"size": "0.8 kg", "planned_for": "2027-03-04"},
        gives=B_1 | {"size": "800 g", "planned_for": "2027-03-04"},
    )
    def patch(self, request: Request, asked: Json, batch: str) -> Json:
        """Change size, day or priority before the start. Another size or day frees what was set aside."""
        found = selectors.find_batch(batch)
        if "size" in asked:
            asked["charge"] = steps_of(measure_of(found.version.basis), asked.pop("size"), "size")
        return read_batch(batches.change_plan(batch=found, who=request.user, **asked))


class Unreserve(View):
    @writes(None, BatchAnswer, summary="Free what is set aside", path={"batch": "B-1"}, gives=B_1)
    def post(self, request: Request, asked: Json, batch: str) -> Json:
        """What was set aside for a reserved batch is free again; the batch is planned."""
        return read_batch(batches.unreserve(batch=selectors.find_batch(batch), who=request.user))


class Start(View):
    @writes(
        BatchStart,
        SheetAnswer,
        summary="Start a batch",
        path={"batch": "B-1"},
        asks={"happened_at": "2027-03-01T08:30:00+00:00"},
        gives=STARTED,
    )
    def post(self, request: Request, asked: Json, batch: str) -> Json:
        """Check that all is here and released, set aside what is not yet, and write the sheet, which is answered."""
        return read_sheet(batches.start(batch=selectors.find_batch(batch), who=request.user, **asked))


class Cancel(View):
    @writes(
        BatchWhy,
        BatchAnswer,
        summary="Cancel a batch",
        path={"batch": "B-1"},
        asks={"why": "the market was called off"},
        gives=B_1 | {"status": "cancelled", "finished_at": MOMENT, "ended_why": "the market was called off"},
    )
    def post(self, request: Request, asked: Json, batch: str) -> Json:
        """Before the first weighing. What was set aside is free again."""
        return read_batch(batches.cancel(batch=selectors.find_batch(batch), who=request.user, **asked))


class Finish(View):
    @writes(
        BatchFinish,
        BatchWithLots,
        summary="Finish a batch",
        path={"batch": "B-1"},
        asks={"made": "970 g", "left_in_vessel": "10 g", "place": "shelf 1"},
        gives=ENDED | {
            "status": "finished", "evaporated": "20 g", "left_in_vessel": "10 g", "lots": [RUB_MADE],
        },
    )  # fmt: skip
    def post(self, request: Request, asked: Json, batch: str) -> Json:
        """What came out becomes a lot, and what did not is accounted for: what is left of the sum evaporated."""
        found = selectors.find_batch(batch)
        bulk = _bulk_of(asked, found)
        with told_at({"happened_at": "made_at"}):
            finishing.finish(batch=found, number=asked.pop("lot", None), who=request.user, **bulk, **asked)
        return read_batch_with_lots(found)


class MakeAndFillBatch(View):
    @writes(
        MakeAndFill,
        MadeAndFilled,
        summary="Finish a bulk and fill it",
        path={"batch": "B-3"},
        asks={
            "made": "490 g",
            "filling": {
                "batch": "B-4", "formula": "GEL-FILL", "size": "9 pc", "bulk_used": "455 g", "place": "shelf 2",
                "why": "filled a little full", "checks": [{"check": "lid tight", "value": "yes"}],
            },
        },
    )  # fmt: skip
    def post(self, request: Request, asked: Json, batch: str) -> Json:
        """From the same pot in one act, all or nothing. The bulk must be released by its checks."""
        found = selectors.find_batch(batch)
        given = asked["filling"].get("checks", [])
        filling = _filling_of(asked["filling"], found)
        bulk = _bulk_of(asked, found)
        places = {"happened_at": "made_at", "code": "filling.batch", "size": "filling.size"}
        places |= {one["check"]: f"filling.checks[{at}].value" for at, one in enumerate(given)}
        with told_at(places):
            _, packed = finishing.make_and_fill(batch=found, filling=filling, who=request.user, **bulk)
        filled = Batch.objects.get(pk=packed.transformation_id)
        return {"bulk": read_batch_with_lots(found), "packed": read_batch_with_lots(filled)}


class Abandon(View):
    @writes(
        BatchAbandon,
        BatchWithLots,
        summary="Abandon a batch",
        path={"batch": "B-1"},
        asks={"why": "burnt", "rejected": "960 g", "waste": "40 g"},
        gives=ENDED | {
            "status": "abandoned", "residue": "40 g", "ended_why": "burnt",
            "lots": [RUB_MADE | {"status": "rejected", "on_hand": "960 g", "free": "960 g", "available_on": None}],
        },
    )  # fmt: skip
    def post(self, request: Request, asked: Json, batch: str) -> Json:
        """Give up a batch that was weighed into: what was weighed stays used, and the mix is kept or thrown away."""
        found = selectors.find_batch(batch)
        if "rejected" in asked:
            item = found.version.formula.item
            asked["rejected"] = quantity_of(item, asked["rejected"], "rejected", minimum=0).steps
        masses: Json = {"waste_mg": _mass(asked, "waste"), "left_in_vessel_mg": _mass(asked, "left_in_vessel")}
        with told_at({"made_at": "happened_at"}):
            finishing.abandon(batch=found, number=asked.pop("lot", None), who=request.user, **masses, **asked)
        return read_batch_with_lots(found)


class Reopen(View):
    @writes(
        BatchWhy,
        BatchWithLots,
        summary="Open an ended batch again",
        path={"batch": "B-1"},
        asks={"why": "the tare was left out"},
        gives=B_1 | {
            "status": "started", "started_at": MOMENT,
            "lots": [RUB_MADE | {"status": "rejected", "on_hand": "0 g", "free": "0 g"}],
        },
    )  # fmt: skip
    def post(self, request: Request, asked: Json, batch: str) -> Json:
        """Take the end of a batch back, so that its readings can be corrected and it is ended anew. The lot it
        became is taken back and rejected."""
        found = finishing.reopen(batch=selectors.find_batch(batch), who=request.user, **asked)
        return read_batch_with_lots(found)


ROUTES = [
    path("batches", Batches.as_view(), name="batches"),
    path("batches/<code:batch>", OneBatch.as_view(), name="batch"),
    path("batches/<code:batch>/unreserve", Unreserve.as_view(), name="batch-unreserve"),
    path("batches/<code:batch>/start", Start.as_view(), name="batch-start"),
    path("batches/<code:batch>/cancel", Cancel.as_view(), name="batch-cancel"),
    path("batches/<code:batch>/finish", Finish.as_view(), name="batch-finish"),
    path("batches/<code:batch>/make-and-fill", MakeAndFillBatch.as_view(), name="batch-make-and-fill"),
    path("batches/<code:batch>/abandon", Abandon.as_view(), name="batch-abandon"),
    path("batches/<code:batch>/reopen", Reopen.as_view(), name="batch-reopen"),
]
