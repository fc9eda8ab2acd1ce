"""Batch sheets: the weighing sheet as on paper, what is weighed, added, signed and looked at, and how a batch ends."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from decimal import Decimal, InvalidOperation
from typing import Any, ClassVar

from django.http import HttpRequest
from django.urls import path, reverse

from inventory import clock
from inventory.api import fields
from inventory.api.frame import Form, Lines, named, quantity_of
from inventory.api.pages import Listing
from inventory.errors import BadInput, Fault, NotFound, WrongState
from inventory.gs1 import looks_scanned, read_scan
from inventory.ledger import balances
from inventory.models import Item, Lot, Portion
from inventory.models.items import CODE_LENGTH, WHY_LENGTH
from inventory.numbers import fold
from inventory.pages.conventions import current, plain_number, show_quantity, show_sentence
from inventory.pages.frame import Done, Facts, FormPage, Page, chosen, cut, person_of
from inventory.quantities import MASS
from inventory.selectors import find_item, find_lots, find_portion
from inventory.shelf import item_scanned
from production import selectors
from production.api.batches import STATUSES, BatchAbandon, BatchFinish, BatchStart, BatchWhy
from production.api.bench import CheckLookedAt, StepSigned
from production.api.formulas import POSITIONS, measure_of
from production.costs import KILOGRAM_MG
from production.models import Batch, BatchLine
from production.selectors import SheetRow
from production.services import batches, finishing, sheets, weighing

SHOWN = [
    ("open", "what is under way or planned"),
    ("finished", "finished"),
    ("abandoned", "abandoned"),
    ("cancelled", "cancelled"),
]
OPEN = ("started", "reserved", "planned")


def sheet_address(batch: str) -> str:
    return reverse("batch", kwargs={"batch": batch})


# --- the list ----------------------------------------------------------------------------------------------


class SheetsShown(Form):
    state = fields.Choice("open", *(status for status in STATUSES if status not in OPEN), required=False)


class BatchSheets(Page):
    template_name = "production/batch_sheets.html"
    section = "batch-sheets"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, form = chosen(SheetsShown, request)
        state = asked.get("state", "open")
        rows = Batch.objects.filter(status__in=OPEN if state == "open" else [state]).values(
            "pk", "transformation__code", "transformation__planned_for", "transformation__made_on", "status", "trial",
            "version__formula__item__name", "version__basis", "charge",
        )  # fmt: skip
        listing = Listing(rows, "pk" if state == "open" else "-pk", _listed)
        return {"form": form, "cut": cut(listing, request), "shown": SHOWN, "state": state}


def _listed(row: dict[str, Any]) -> dict[str, Any]:
    return {
        "batch": row["transformation__code"],
        "name": row["version__formula__item__name"],
        "planned_for": row["transformation__planned_for"],
        "made_on": row["transformation__made_on"],
        "status": row["status"],
        "trial": row["trial"],
        "charge": row["charge"],
        "measure": measure_of(row["version__basis"]),
    }


# --- the sheet ---------------------------------------------------------------------------------------------


class Reading(Form):
    """One reading of one line. ``lot`` is typed or scanned; drawn water has none. ``seen``: readings known of."""

    position = fields.Whole(*POSITIONS)
    seen = fields.Whole(0, 1_000_000, required=False)
    item = fields.Code(required=False)
    lot = fields.Text(200, required=False)
    place = fields.Text(CODE_LENGTH, required=False, blank=True)
    container = fields.Text(CODE_LENGTH, required=False, blank=True)
    quantity = fields.Quantity()
    why = fields.Text(WHY_LENGTH, required=False, blank=True)
    found = fields.Flag(required=False)
    done = fields.Flag(required=False)


class AtTheLine(Form):
    line = fields.Whole(*POSITIONS, required=False)


class Sheet(FormPage):
    """The whole sheet with the current line enlarged. Its form weighs into that line."""

    form = Reading
    template_name = "production/batch_sheet.html"
    section = "batch-sheets"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        found = selectors.find_batch(where["batch"])
        sheet = selectors.batch_sheet(found)
        asked, _ = chosen(AtTheLine, request)
        wanted = request.POST.get("position") or asked.get("line")
        current = _current(sheet.lines, str(wanted) if wanted else "")
        return {
            "sheet": sheet,
            "batch": found,
            "item": found.version.formula.item,
            "current": current if sheet.state == "started" else None,
            "measure": measure_of(sheet.basis),
            "came": _what_came(found),
            "weighed_in": sum(line.weighed for line in sheet.lines if line.measure == MASS),
            "now": clock.now(),
        }

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        current: SheetRow | None = facts["current"]
        if current is None:
            return {}
        given: dict[str, Any] = {"position": current.position, "seen": len(current.readings)}
        if current.take:
            first = current.take[0]
            given |= {"lot": first.lot, "place": first.place, "container": first.container}
            if first.item != current.item:
                given["item"] = first.item
        return given

    def measure_of(self, name: str, texts: Mapping[str, str], facts: Facts) -> str:
        line = _line(self.kwargs["batch"], texts.get("position", ""))
        return line.item.measure if line else MASS

    def _act_once(self, request: HttpRequest, texts: dict[str, str], key: str, where: dict[str, Any]) -> Done:
        line = _line(where["batch"], texts.get("position", ""))
        if line is not None:
            _ask_for_the_unit(texts.get("quantity", "").strip(), line)
        return super()._act_once(request, texts, key, where)

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        found = selectors.find_batch(where["batch"])
        position = asked.pop("position")
        line = named(lambda text: selectors.find_line(found, int(text)), str(position), "position")
        item = named(find_item, asked.pop("item"), "item") if "item" in asked else line.item
        portion = None if line.item.drawn and "lot" not in asked else portion_meant(item, asked)
        quantity = quantity_of(item, asked.pop("quantity")).steps
        for name in ("place", "container", "lot"):
            asked.pop(name, None)
        if not asked.get("done"):
            asked.pop("done", None)  # unticked: as the tolerance says
        sheets.weigh_seen(line=line, portion=portion, quantity=quantity, who=person_of(request), **asked)
        amount = show_quantity(quantity, item)
        told = (
            f"Line {line.position}: {amount} of {item.code}{f' lot {portion.lot.number}' if portion else ''} went in."
        )
        if item.caution:
            told += f" Mind: {item.caution}"
        return Done(sheet_address(where["batch"]) + "#now", told)


def _what_came(batch: Batch) -> list[tuple[Lot, int]]:
    """The lots that came of a batch, and how much of each."""
    lots = list(batch.transformation.made_lots.order_by("pk"))
    made = balances(lot.pk for lot in lots) if lots else {}
    return [(lot, made[lot.pk].made) for lot in lots]


def _ask_for_the_unit(text: str, line: BatchLine) -> None:
    """A sheet that writes "3.22 kg" may be answered with "3.22", which is read as grams: raise BadInput where a number
    alone could be either. What is on the books by mistake stays there for good."""
    by_kilograms = current().units == "g kg" and line.item.measure == MASS and line.required >= KILOGRAM_MG
    with suppress(InvalidOperation):
        if by_kilograms and Decimal(plain_number(text, "quantity")) * KILOGRAM_MG <= 2 * line.required:
            fault = Fault("quantity", text[:80], f'"{text} kg" or "{text} g", whichever the scale shows')
            raise BadInput(fault.sentence(), faults=[fault])


def _current(lines: tuple[SheetRow, ...], wanted: str) -> SheetRow | None:
    """The line that was asked for, else the first that is not done."""
    chosen_line = next((line for line in lines if str(line.position) == wanted and not line.is_addition), None)
    return chosen_line or next((line for line in lines if not line.done and not line.is_addition), None)


def _line(batch: str, position: str) -> BatchLine | None:
    if not position.isascii() or not position.isdigit():
        return None
    rows = BatchLine.objects.select_related("item")
    return rows.filter(batch__transformation__code=batch, position=int(position)).first()


def portion_meant(item: Item, asked: dict[str, Any], at: str = "") -> Portion:
    """The portion of the lot whose number was typed or scanned: at the place named, else where alone it stands.

    Raises BadInput without a lot, NotFound naming it, BadInput where it stands in several places and none was named.
    """
    text = asked.get("lot", "")
    if not text:
        raise BadInput(
            "say which lot it was", faults=[Fault(f"{at}lot", "", "the number of the lot, typed or scanned")]
        )
    number = _scanned(text, item, f"{at}lot") if looks_scanned(text) else text
    lots = [lot for lot in find_lots(number, item) if fold(lot.number) == fold(number)] or find_lots(number, item)
    if len(lots) != 1:
        accepted = f"the number of a lot of {item.code}" + (", ours: several bear this one" if lots else "")
        raise NotFound(f"no one lot {number!r} of {item.code}", faults=[Fault(f"{at}lot", number[:80], accepted)])
    place, container = asked.get("place", ""), asked.get("container", "")
    try:
        return find_portion(lots[0], place, container)
    except NotFound:
        here = list(lots[0].portions.select_related("lot__item").filter(on_hand__gt=0, set_apart=False))
        if not (place or container) and len(here) == 1:
            return here[0]
        spots = ", ".join(f"{one.place or 'no place'} {one.container}".strip() for one in here) or "nowhere"
        fault = Fault(f"{at}place", place, f"where lot {lots[0].number} stands: {spots}")
        raise BadInput(fault.sentence(), faults=[fault]) from None


def _scanned(text: str, item: Item, field: str) -> str:
    """The lot number on a label that was scanned. Raises BadInput for the label of another item."""
    scanned = read_scan(text, field)
    other = item_scanned(scanned)
    if other is not None and other.pk != item.pk:
        fault = Fault(field, scanned.lot, f"a label of {item.code}: this one is of {other.code} {other.name}")
        raise BadInput("that is another item", faults=[fault], code="wrong_item")
    return scanned.lot


# --- acts on a batch, each a page of its own ----------------------------------------------------------------


class SheetAct(FormPage):
    template_name = "production/batch_act.html"
    section = "batch-sheets"
    heading: ClassVar[str]
    act_told: ClassVar[str]
    explained: ClassVar[str] = ""
    caution: ClassVar[str] = ""
    grave: ClassVar[bool] = False
    inputs: ClassVar[tuple[tuple[str, str], ...]] = ()

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        found = selectors.find_batch(where["batch"])
        return {
            "batch": found,
            "code": where["batch"],
            "item": found.version.formula.item,
            "heading": self.heading,
            "act_told": self.act_told,
            "explained": self.explained,
            "caution": self.caution,
            "grave": self.grave,
            "inputs": self.inputs,
            "back": sheet_address(where["batch"]),
        }

    def measure_of(self, name: str, texts: Mapping[str, str], facts: Facts) -> str:
        found = selectors.find_batch(self.kwargs["batch"])
        return found.version.formula.item.measure if name in ("made", "rejected") else MASS


class Start(SheetAct):
    form = BatchStart
    heading, act_told = "Start a batch", "Start"
    explained = (
        "Everything must be here and released. What is not set aside yet is set aside now, and the sheet is written: "
        "from then on it stays as it is. Where it was begun on paper, say when: nothing is written down from before."
    )
    inputs = (("happened_at", "Started at (now where it is left blank)"),)
    caution = (
        "Before you begin: clean bench and vessels, the right gloves and glasses, and the safety data sheets at hand."
    )

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        batches.start(batch=selectors.find_batch(where["batch"]), who=person_of(request), **asked)
        return Done(sheet_address(where["batch"]), f"Batch {where['batch']} is started.")


class Addition(Form):
    item = fields.Code(refers_to="items")
    lot = fields.Text(200, required=False)
    place = fields.Text(CODE_LENGTH, required=False, blank=True)
    container = fields.Text(CODE_LENGTH, required=False, blank=True)
    quantity = fields.Quantity()
    why = fields.Text(WHY_LENGTH)
    found = fields.Flag(required=False)


class Add(SheetAct):
    """Acid or base for the pH, water made up to weight: a line of its own, from a lot, with a reason."""

    form = Addition
    template_name = "production/batch_add.html"
    heading, act_told = "Add outside the formula", "It went in"
    caution = (
        "Acid or base: goggles and gloves; diluted, slowly, stirred, with a reading between additions. Lye into water, "
        "never the reverse. Acid straight into benzoate or sorbate can throw the free acid out. What the safety data "
        "sheet says goes before what stands here."
    )

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        facts = super().facts(request, **where)
        sheet = selectors.batch_sheet(facts["batch"])
        weighed = sum(line.weighed for line in sheet.lines if line.measure == MASS)
        by_mass = measure_of(sheet.basis) == MASS
        return facts | {"weighed": weighed, "missing": sheet.charge - weighed if by_mass else 0, "sheet": sheet}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        found = selectors.find_batch(where["batch"])
        item = named(find_item, asked.pop("item"), "item")
        portion = portion_meant(item, asked) if not item.drawn else None
        quantity = quantity_of(item, asked.pop("quantity")).steps
        kept = {name: asked[name] for name in ("why", "found") if name in asked}
        added = weighing.add(batch=found, item=item, portion=portion, quantity=quantity, who=person_of(request), **kept)
        told = f"{show_quantity(quantity, item)} of {item.code} went in besides the formula."
        return Done(sheet_address(where["batch"]), f"{told} {show_sentence(added.caution)}".strip())


class Finish(SheetAct):
    form = BatchFinish
    template_name = "production/batch_finish.html"
    heading, act_told = "Finish a batch", "Finish"
    explained = (
        "What came out becomes a lot. What is not made, residue or left in the vessel is taken to have evaporated."
    )
    caution = (
        "“Released” is the maker's word, not a safety assessment. A product with water needs a tested preservation and "
        "a count before anybody uses it."
    )

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        facts = super().facts(request, **where)
        return facts | {"sheet": selectors.batch_sheet(facts["batch"])}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        found = selectors.find_batch(where["batch"])
        item = found.version.formula.item
        given: dict[str, Any] = {"made": quantity_of(item, asked.pop("made"), "made").steps}
        for name in ("residue", "left_in_vessel"):
            if name in asked:
                given[f"{name}_mg"] = _mass(asked.pop(name), name)
        finishing.finish(batch=found, number=asked.pop("lot", None), who=person_of(request), **given, **asked)
        return Done(sheet_address(where["batch"]), f"Batch {where['batch']} is finished.")


def _mass(text: str, name: str) -> int:
    from production.api.places import steps_of

    return steps_of(MASS, text, name, minimum=0)


class Abandon(SheetAct):
    form = BatchAbandon
    heading, act_told, grave = "Abandon a batch", "Abandon it", True
    explained = "What was weighed stays used. Say what becomes of the mix: a rejected lot, or waste with its weight."
    caution = "Waste goes where local rules say. Oily rags can heat themselves."
    inputs = (
        ("why", "Why"),
        ("rejected", "Kept as a rejected lot"),
        ("waste", "Thrown away"),
        ("left_in_vessel", "Left in the vessel"),
        ("place", "Where the rejected lot stands"),
    )

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        found = selectors.find_batch(where["batch"])
        item = found.version.formula.item
        given: dict[str, Any] = {}
        if "rejected" in asked:
            given["rejected"] = quantity_of(item, asked.pop("rejected"), "rejected", minimum=0).steps
        for name in ("waste", "left_in_vessel"):
            if name in asked:
                given[f"{name}_mg"] = _mass(asked.pop(name), name)
        finishing.abandon(batch=found, number=asked.pop("lot", None), who=person_of(request), **given, **asked)
        return Done(sheet_address(where["batch"]), f"Batch {where['batch']} is abandoned.")


class Reopen(SheetAct):
    form = BatchWhy
    heading, act_told, grave = "Open an ended batch again", "Open it again", True
    explained = (
        "So that its readings can be corrected and it is ended anew. The lot it became is taken back and rejected."
    )
    inputs = (("why", "Why"),)

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        finishing.reopen(batch=selectors.find_batch(where["batch"]), who=person_of(request), **asked)
        return Done(sheet_address(where["batch"]), f"Batch {where['batch']} is open again.")


class SignStep(SheetAct):
    form = StepSigned
    heading, act_told = "Sign a step", "It is done"
    inputs = (("position", "Step"), ("signed_at", "When"))

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        found = selectors.find_batch(where["batch"])
        position = asked.pop("position")
        step = named(lambda text: selectors.find_step(found, int(text)), str(position), "position")
        weighing.sign_step(batch=found, step=step, who=person_of(request), **asked)
        return Done(sheet_address(where["batch"]) + "#steps", f"Step {position} is signed.")


class RecordCheck(SheetAct):
    form = CheckLookedAt
    heading, act_told = "Record a check", "Record it"
    inputs = (("check", "Check"), ("stage", "Stage"), ("value", "What it showed"), ("looked_at", "When"))

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        found = selectors.find_batch(where["batch"])
        stage = asked.pop("stage", "")
        check = named(lambda name: selectors.find_check(found, name, stage), asked.pop("check"), "check")
        result = weighing.record_check(batch=found, check=check, who=person_of(request), **asked)
        told = "passed" if result.passed else "outside its limits: quality decides"
        return Done(sheet_address(where["batch"]) + "#checks", f"{check.name}: {result.value}, {told}.")


# --- filled by pen -----------------------------------------------------------------------------------------


class PaperLine(Form):
    position = fields.Whole(*POSITIONS)
    lot = fields.Text(200, required=False)
    place = fields.Text(CODE_LENGTH, required=False, blank=True)
    container = fields.Text(CODE_LENGTH, required=False, blank=True)
    quantity = fields.Quantity(required=False)
    happened_at = fields.Instant(required=False)
    why = fields.Text(WHY_LENGTH, required=False, blank=True)


class PaperStep(Form):
    position = fields.Whole(*POSITIONS)
    signed_at = fields.Instant(required=False)


class PaperCheck(Form):
    check = fields.Text()
    stage = fields.Text(20, required=False)
    value = fields.Showed(required=False)
    looked_at = fields.Instant(required=False)


class Paper(Form):
    """A sheet that was filled by pen; what was left blank there is left blank here."""

    readings = Lines(child=PaperLine(), most=400, allow_empty=True, required=False)
    steps = Lines(child=PaperStep(), most=400, allow_empty=True, required=False)
    checks = Lines(child=PaperCheck(), most=200, allow_empty=True, required=False)


class FromPaper(SheetAct):
    form = Paper
    template_name = "production/batch_paper.html"
    heading, act_told = "Type a sheet in", "Take it in"
    explained = (
        "What was written by pen, with its real times: all of it or nothing. Lines that were left blank are passed "
        "over; a line that took two lots has two rows."
    )

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        facts = super().facts(request, **where)
        sheet = selectors.batch_sheet(facts["batch"])
        return facts | {"sheet": sheet, "rows": {str(line.position): line for line in sheet.lines}}

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        given: dict[str, Any] = {}
        open_lines = [line for line in facts["sheet"].lines if not line.done and not line.is_addition]
        # A row for each lot to take, and one more for a lot that was taken besides.
        rows = [(line, one) for line in open_lines for one in (*line.take, None)]
        for at, (line, one) in enumerate(rows):
            given[f"readings[{at}].position"] = line.position
            if one is not None:
                spot = {"lot": one.lot, "place": one.place, "container": one.container}
                given |= {f"readings[{at}].{name}": value for name, value in spot.items()}
        for at, step in enumerate(one for one in facts["sheet"].steps if one.signed_at is None):
            given[f"steps[{at}].position"] = step.position
        for at, check in enumerate(facts["sheet"].checks):
            given |= {f"checks[{at}].check": check.name, f"checks[{at}].stage": check.stage}
        return given

    lines = {"readings": 0, "steps": 0, "checks": 0}

    def measure_of(self, name: str, texts: Mapping[str, str], facts: Facts) -> str:
        line = _line(self.kwargs["batch"], texts.get(name.replace(".quantity", ".position"), ""))
        return line.item.measure if line else MASS

    def _begun(self, name: str, line: Mapping[str, str]) -> bool:
        """A row counts once its own box is filled: the lot and the name stand there from the start."""
        return bool(line.get({"readings": "quantity", "steps": "signed_at", "checks": "value"}[name], "").strip())

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        found = selectors.find_batch(where["batch"])
        if found.started_at is None:
            raise WrongState("it is not started: start it first, with the time at which it was begun on paper")
        count = sheets.take_in_paper(
            batch=found,
            readings=[self._reading(found, one, at) for at, one in enumerate(asked.get("readings", []))],
            signatures=[
                sheets.PaperSignature(selectors.find_step(found, one["position"]), one.get("signed_at"), f"steps[{at}]")
                for at, one in enumerate(asked.get("steps", []))
            ],
            looks=[
                sheets.PaperLook(
                    selectors.find_check(found, one["check"], one.get("stage", "")),
                    one["value"],
                    one.get("looked_at"),
                    f"checks[{at}]",
                )
                for at, one in enumerate(asked.get("checks", []))
            ],
            who=person_of(request),
        )
        told = "1 entry of the paper sheet is" if count == 1 else f"{count} entries of the paper sheet are"
        return Done(sheet_address(where["batch"]), f"{told} taken in.")

    def _reading(self, batch: Batch, one: dict[str, Any], at: int) -> sheets.PaperReading:
        place = f"readings[{at}]."
        line = named(lambda text: selectors.find_line(batch, int(text)), str(one["position"]), f"{place}position")
        portion = None if line.item.drawn else portion_meant(line.item, one, place)
        quantity = quantity_of(line.item, one["quantity"], f"{place}quantity").steps
        return sheets.PaperReading(
            line, portion, quantity, one.get("happened_at"), one.get("why", ""), f"readings[{at}]"
        )


ROUTES = [
    path("batch-sheets", BatchSheets.as_view(), name="batch-sheets"),
    path("batch-sheets/<code:batch>", Sheet.as_view(), name="batch"),
    path("batch-sheets/<code:batch>/start", Start.as_view(), name="batch-start"),
    path("batch-sheets/<code:batch>/add", Add.as_view(), name="batch-add"),
    path("batch-sheets/<code:batch>/step", SignStep.as_view(), name="batch-sign-step"),
    path("batch-sheets/<code:batch>/check", RecordCheck.as_view(), name="batch-record-check"),
    path("batch-sheets/<code:batch>/finish", Finish.as_view(), name="batch-finish"),
    path("batch-sheets/<code:batch>/abandon", Abandon.as_view(), name="batch-abandon"),
    path("batch-sheets/<code:batch>/open-again", Reopen.as_view(), name="batch-reopen"),
    path("batch-sheets/<code:batch>/paper", FromPaper.as_view(), name="batch-paper"),
]
