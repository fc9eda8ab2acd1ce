"""At the bench: the batch sheet, what is weighed and added, steps signed and checks looked at."""

from __future__ import annotations

from typing import Any

from django.urls import path
from rest_framework.request import Request

from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, View, named, quantity_of, refused, shown, writes
from inventory.api.lots import LOT_COLUMNS, LotRow, lot_rows
from inventory.errors import Fault, NotFound
from inventory.models import Item, Lot, Portion
from inventory.models.items import CODE_LENGTH, WHY_LENGTH
from inventory.quantities import MASS, show_quantity
from inventory.selectors import find_item, find_portion, get_lot
from production import selectors
from production.api.formulas import BASES, POSITIONS, STAGES, CautionAnswer, measure_of
from production.api.places import told_at
from production.models import Batch, BatchLine
from production.selectors import SheetCheck, SheetRow, SheetStep
from production.services import weighing

STATUSES = tuple(Batch.Status.values)
BATCH_COLUMNS = (
    "pk", "transformation__code", "transformation__item__code", "version__formula__code", "version__version",
    "version__basis", "charge", "transformation__planned_for", "priority", "status", "trial", "started_at",
    "finished_at", "transformation__made_on", "transformation__residue_mg", "transformation__evaporated_mg",
    "transformation__left_in_vessel_mg", "ended_why",
)  # fmt: skip
BATCHES = Batch.objects.values(*BATCH_COLUMNS)


# --- forms -------------------------------------------------------------------------------------------------


class Bench(Form):
    """``happened_at`` is now where it is left out."""

    why = fields.Text(WHY_LENGTH, required=False, blank=True)
    happened_at = fields.Instant(required=False, allow_null=True)


class Weighed(Bench):
    """``item`` is the line's where it is left out; a substitute is named. ``found``: more is there than in the books.

    ``done`` says whether the line needs nothing more; left out, it does not once its total is within tolerance.
    """

    position = fields.Whole(*POSITIONS)
    item = fields.Code(required=False, refers_to="items")
    lot = fields.Code()
    place = fields.Text(CODE_LENGTH, required=False, blank=True)
    container = fields.Text(CODE_LENGTH, required=False, blank=True)
    quantity = fields.Quantity()
    found = fields.Flag(required=False)
    done = fields.Flag(required=False)


class WaterDrawn(Bench):
    position = fields.Whole(*POSITIONS)
    quantity = fields.Quantity()
    done = fields.Flag(required=False)


class Added(Bench):
    """A drawn item has no ``lot``; any other needs one."""

    item = fields.Code(refers_to="items")
    lot = fields.Code(required=False)
    place = fields.Text(CODE_LENGTH, required=False, blank=True)
    container = fields.Text(CODE_LENGTH, required=False, blank=True)
    quantity = fields.Quantity()
    phase = fields.Text(CODE_LENGTH, required=False, blank=True)
    found = fields.Flag(required=False)
    why = fields.Text(WHY_LENGTH)


class StepSigned(Form):
    position = fields.Whole(*POSITIONS)
    signed_at = fields.Instant(required=False, allow_null=True)


class CheckLookedAt(Form):
    """``stage`` is needed where two stages have a check of this name."""

    check = fields.Text()
    stage = fields.Choice("in_process", "release", required=False)
    value = fields.Showed()
    looked_at = fields.Instant(required=False, allow_null=True)


# --- answers -----------------------------------------------------------------------------------------------


class BatchAnswer(Answer):
    """``size`` is the charge: a mass for percent, units begun for per_unit. Losses count once the batch has ended."""

    batch = fields.Code()
    item = fields.Code()
    formula = fields.Code()
    version = fields.Whole(*POSITIONS)
    size = fields.Quantity()
    planned_for = fields.Day()
    priority = fields.Whole(0, 2**31 - 1, allow_null=True)
    status = fields.Choice(*STATUSES)
    trial = fields.Flag()
    started_at = fields.Instant(allow_null=True)
    finished_at = fields.Instant(allow_null=True)
    made_on = fields.Day(allow_null=True)
    residue = fields.Quantity(0)
    evaporated = fields.Quantity(0)
    left_in_vessel = fields.Quantity(0)
    ended_why = fields.Text(WHY_LENGTH, blank=True)


class BatchWithLots(BatchAnswer):
    """With the lots that came of it, those taken back too."""

    lots = LotRow(many=True)


class ToTakeAnswer(Answer):
    """What is set aside for a line, first expiry first."""

    item = fields.Code()
    lot = fields.Code()
    place = fields.Text(CODE_LENGTH, blank=True)
    container = fields.Text(CODE_LENGTH, blank=True)
    quantity = fields.Quantity()
    last_day = fields.Day(allow_null=True)


class ReadingAnswer(Answer):
    """``event`` is the uid of the stock event, which names the reading. ``who`` is null where nobody was signed in."""

    event = fields.Uid()
    item = fields.Code()
    lot = fields.Code()
    quantity = fields.Quantity()
    happened_at = fields.Instant()
    who = fields.Text(150, allow_null=True)
    why = fields.Text(WHY_LENGTH, blank=True)
    corrected = fields.Flag()


class SheetLineAnswer(Answer):
    """``low`` and ``high`` are the limits of ``weighed``, which counts a substitute by its ratio.

    ``scale`` is the step and reach of the scale to weigh on; ``flag`` says what it cannot do.
    """

    position = fields.Whole(*POSITIONS)
    phase = fields.Text(CODE_LENGTH, blank=True)
    item = fields.Code()
    name = fields.Text()
    required = fields.Quantity(0)
    low = fields.Quantity(0)
    high = fields.Quantity(0)
    scale = fields.Text(CODE_LENGTH, blank=True)
    flag = fields.Text(blank=True)
    single_lot = fields.Flag()
    drawn = fields.Flag()
    addition = fields.Flag()
    done = fields.Flag()
    weighed = fields.Quantity(0)
    take = ToTakeAnswer(many=True)
    readings = ReadingAnswer(many=True)


class SheetStepAnswer(Answer):
    position = fields.Whole(*POSITIONS)
    phase = fields.Text(CODE_LENGTH, blank=True)
    text = fields.LongText()
    temperature_c = fields.Number("-100", "1000", 1, allow_null=True)
    minutes = fields.Whole(0, 1_000_000, allow_null=True)
    hands_on = fields.Flag()
    signed_at = fields.Instant(allow_null=True)
    signed_by = fields.Text(150, allow_null=True)


class SheetCheckAnswer(Answer):
    """``value`` and ``passed`` are of the last look; "" and null: not looked at."""

    check = fields.Text()
    stage = fields.Choice(*STAGES)
    unit = fields.Text(40, blank=True)
    low = fields.Number("-1000000000", "1000000000", 4, allow_null=True)
    high = fields.Number("-1000000000", "1000000000", 4, allow_null=True)
    expected = fields.Text(blank=True)
    value = fields.Text(blank=True)
    passed = fields.Flag(allow_null=True)


class SheetAnswer(BatchWithLots):
    """What stands on the bench: no percentages. ``cautions`` are of everything that goes in or may be taken."""

    name = fields.Text()
    basis = fields.Choice(*BASES)
    expected_output = fields.Quantity(0)
    cautions = CautionAnswer(many=True)
    lines = SheetLineAnswer(many=True)
    steps = SheetStepAnswer(many=True)
    checks = SheetCheckAnswer(many=True)


class WeighedAnswer(Answer):
    """The reading's stock event, what to mind with what went in, and the line as it stands now."""

    event = fields.Uid()
    caution = fields.LongText(blank=True)
    line = SheetLineAnswer()


# --- rows --------------------------------------------------------------------------------------------------


def batch_row(row: dict[str, Any]) -> Json:
    """The answer's form of one row of BATCH_COLUMNS. Pure."""
    return {
        "batch": row["transformation__code"],
        "item": row["transformation__item__code"],
        "formula": row["version__formula__code"],
        "version": row["version__version"],
        "size": show_quantity(row["charge"], measure_of(row["version__basis"])),
        "planned_for": row["transformation__planned_for"],
        "priority": row["priority"],
        "status": row["status"],
        "trial": row["trial"],
        "started_at": row["started_at"],
        "finished_at": row["finished_at"],
        "made_on": row["transformation__made_on"],
        "residue": show_quantity(row["transformation__residue_mg"], MASS),
        "evaporated": show_quantity(row["transformation__evaporated_mg"], MASS),
        "left_in_vessel": show_quantity(row["transformation__left_in_vessel_mg"], MASS),
        "ended_why": row["ended_why"],
    }


def read_batch(batch: Batch) -> Json:
    return batch_row(dict(BATCHES.get(pk=batch.pk)))


def read_batch_with_lots(batch: Batch) -> Json:
    lots = Lot.objects.filter(transformation=batch.pk).order_by("pk").values(*LOT_COLUMNS)
    return read_batch(batch) | {"lots": lot_rows([dict(row) for row in lots])}


def sheet_line_row(row: SheetRow) -> Json:
    def shown(steps: int) -> str:
        return show_quantity(steps, row.measure)

    return {
        "position": row.position,
        "phase": row.phase,
        "item": row.item,
        "name": row.name,
        "required": shown(row.required),
        "low": shown(row.low),
        "high": shown(row.high),
        "scale": row.scale,
        "flag": row.flag,
        "single_lot": row.single_lot,
        "drawn": row.drawn,
        "addition": row.is_addition,
        "done": row.done,
        "weighed": shown(row.weighed),
        "take": [
            {
                "item": one.item,
                "lot": one.lot,
                "place": one.place,
                "container": one.container,
                "quantity": shown(one.quantity),
                "last_day": one.last_day,
            }
            for one in row.take
        ],
        "readings": [
            {
                "event": one.event,
                "item": one.item,
                "lot": one.lot,
                "quantity": shown(one.quantity),
                "happened_at": one.happened_at,
                "who": one.who or None,
                "why": one.why,
                "corrected": one.corrected,
            }
            for one in row.readings
        ],
    }


def sheet_step_row(row: SheetStep) -> Json:
    return {
        "position": row.position,
        "phase": row.phase,
        "text": row.text,
        "temperature_c": fields.show_decimal(row.temperature_c),
        "minutes": row.minutes,
        "hands_on": row.hands_on,
        "signed_at": row.signed_at,
        "signed_by": row.signed_by or None,
    }


def sheet_check_row(row: SheetCheck) -> Json:
    return {
        "check": row.name,
        "stage": row.stage,
        "unit": row.unit,
        "low": fields.show_decimal(row.low),
        "high": fields.show_decimal(row.high),
        "expected": row.expected,
        "value": row.value,
        "passed": row.passed,
    }


def read_sheet(batch: Batch) -> Json:
    """The whole sheet, in a fixed number of queries."""
    sheet = selectors.batch_sheet(batch)
    item: Item = batch.transformation.item
    return read_batch_with_lots(batch) | {
        "name": sheet.name,
        "basis": sheet.basis,
        "expected_output": show_quantity(sheet.expected_output, item.measure),
        "cautions": [{"item": code, "caution": caution} for code, caution in sheet.cautions],
        "lines": [sheet_line_row(row) for row in sheet.lines],
        "steps": [sheet_step_row(row) for row in sheet.steps],
        "checks": [sheet_check_row(row) for row in sheet.checks],
    }


def read_sheet_line(batch: Batch, position: int) -> Json:
    return next(sheet_line_row(row) for row in selectors.batch_sheet(batch).lines if row.position == position)


# --- what a body names -------------------------------------------------------------------------------------


def named_line(batch: Batch, position: int) -> BatchLine:
    return named(lambda text: selectors.find_line(batch, int(text)), str(position), "position")


def _portion(asked: Json, item: Item) -> Portion:
    """The portion that the body names, taken out of it. Raises NotFound naming the lot, or place and container."""
    lot = named(lambda number: get_lot(item.code, number), asked.pop("lot"), "lot")
    spot = {name: asked.pop(name, "") for name in ("place", "container")}
    try:
        return find_portion(lot, **spot)
    except NotFound as error:
        faults = [Fault(name, shown(text), f"a {name} where lot {lot.number} is") for name, text in spot.items()]
        raise NotFound(error.message, faults=faults) from None


def _answer(batch: Batch, weighed: Any, caution: str) -> Json:
    return {
        "event": weighed.event.uid,
        "caution": caution,
        "line": read_sheet_line(batch, weighed.line.position),
    }


# --- examples ----------------------------------------------------------------------------------------------

MOMENT = "2027-03-01T09:00:00+00:00"


# --- views -------------------------------------------------------------------------------------------------


class Weigh(View):
    @writes(
        Weighed,
        WeighedAnswer,
        summary="Weigh into a line",
        path={"batch": "B-1"},
        asks={"position": 1, "lot": "O1", "quantity": "0.5 kg"},
    )
    def post(self, request: Request, asked: Json, batch: str) -> Json:
        """One reading: so much of a lot went in; a line may take several. A reason is needed for another lot than
        is set aside, a substitute, and a total outside tolerance. More than the books hold is refused once, with
        what they hold; ``found`` counts it in."""
        found = selectors.find_batch(batch)
        line = named_line(found, asked.pop("position"))
        item = named(find_item, asked.pop("item"), "item") if "item" in asked else line.item
        portion = _portion(asked, item)
        quantity = quantity_of(item, asked.pop("quantity")).steps
        reading = weighing.weigh(line=line, portion=portion, quantity=quantity, who=request.user, **asked)
        return _answer(found, reading, item.caution)


class DrawWater(View):
    @writes(
        WaterDrawn,
        WeighedAnswer,
        summary="Draw water into a line",
        path={"batch": "B-3"},
        asks={"position": 1, "quantity": "400 g"},
    )
    def post(self, request: Request, asked: Json, batch: str) -> Json:
        """One reading of a line of a drawn item: it opens or continues the day's lot."""
        found = selectors.find_batch(batch)
        line = named_line(found, asked.pop("position"))
        quantity = quantity_of(line.item, asked.pop("quantity")).steps
        reading = weighing.draw_water(line=line, quantity=quantity, who=request.user, **asked)
        return _answer(found, reading, line.item.caution)


class Add(View):
    @writes(
        Added,
        WeighedAnswer,
        summary="Add outside the formula",
        path={"batch": "B-1"},
        asks={"item": "OIL", "lot": "O1", "quantity": "5 g", "why": "too stiff"},
    )
    def post(self, request: Request, asked: Json, batch: str) -> Json:
        """Acid or base for the pH, water made up to weight: a line of its own, always with a reason."""
        found = selectors.find_batch(batch)
        item = named(find_item, asked.pop("item"), "item")
        quantity = quantity_of(item, asked.pop("quantity")).steps
        portion = _portion(asked, item) if "lot" in asked else None
        for name in asked.keys() & {"place", "container"}:
            raise refused(name, asked[name], "only with a lot")
        addition = weighing.add(batch=found, item=item, portion=portion, quantity=quantity, who=request.user, **asked)
        return _answer(found, addition.weighing, addition.caution)


class SignStep(View):
    @writes(
        StepSigned,
        SheetStepAnswer,
        summary="Sign a step",
        path={"batch": "B-3"},
        asks={"position": 1},
        gives={
            "position": 1, "phase": "", "text": "Warm the water. Hot vessel: gloves.", "temperature_c": "70",
            "minutes": 10, "hands_on": True, "signed_at": MOMENT, "signed_by": "owner",
        },
    )  # fmt: skip
    def post(self, request: Request, asked: Json, batch: str) -> Json:
        """Sign that a step of the method was done, once."""
        found = selectors.find_batch(batch)
        position = asked.pop("position")
        step = named(lambda text: selectors.find_step(found, int(text)), str(position), "position")
        with told_at({"happened_at": "signed_at"}):
            weighing.sign_step(batch=found, step=step, who=request.user, **asked)
        return next(sheet_step_row(row) for row in selectors.batch_sheet(found).steps if row.position == step.position)


class RecordCheck(View):
    @writes(
        CheckLookedAt,
        SheetCheckAnswer,
        summary="Record a check",
        path={"batch": "B-3"},
        asks={"check": "pH", "value": "5.1"},
        gives={
            "check": "pH", "stage": "release", "unit": "", "low": "4.5", "high": "5.5", "expected": "",
            "value": "5.1", "passed": True,
        },
    )  # fmt: skip
    def post(self, request: Request, asked: Json, batch: str) -> Json:
        """What a check of a started or finished batch showed. Looking again is a new result; the last one counts."""
        found = selectors.find_batch(batch)
        stage = asked.pop("stage", "")
        check = named(lambda name: selectors.find_check(found, name, stage), asked.pop("check"), "check")
        with told_at({"happened_at": "looked_at", check.name: "value"}):
            weighing.record_check(batch=found, check=check, who=request.user, **asked)
        named_by = (check.name, check.stage)
        rows = selectors.batch_sheet(found).checks
        return next(sheet_check_row(row) for row in rows if (row.name, row.stage) == named_by)


ROUTES = [
    path("batches/<code:batch>/weigh", Weigh.as_view(), name="batch-weigh"),
    path("batches/<code:batch>/draw-water", DrawWater.as_view(), name="batch-draw-water"),
    path("batches/<code:batch>/add", Add.as_view(), name="batch-add"),
    path("batches/<code:batch>/sign-step", SignStep.as_view(), name="batch-sign-step"),
    path("batches/<code:batch>/record-check", RecordCheck.as_view(), name="batch-record-check"),
]
