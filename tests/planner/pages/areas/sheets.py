"""The batch sheets in the demo's workshop: one that is started, and one that is planned."""

from __future__ import annotations

from inventory import clock
from inventory.models import Reservation
from planner.services import run_plan
from production.models import Batch, BatchLine, Weighing
from production.services.batches import start
from production.services.weighing import weigh


def a_started() -> dict[str, str]:
    found = Batch.objects.select_related("transformation").filter(status="started").order_by("pk").first()
    if found is None:
        plan = run_plan(from_day=clock.today(), weeks=4).plan
        covered = [row.batch for row in plan.batches if row.coverage == "covered"]
        rows = Batch.objects.select_related("transformation").filter(transformation__code__in=covered)
        found = start(batch=rows.filter(version__basis="percent").order_by("pk")[0])
    return {"batch": found.transformation.code}


def an_ended() -> dict[str, str]:
    return {"batch": Batch.objects.filter(status="finished").order_by("pk")[0].transformation.code}


def a_reading() -> dict[str, object]:
    code = a_started()["batch"]
    found = Weighing.objects.filter(line__batch__transformation__code=code).order_by("pk").first()
    if found is None:
        line = BatchLine.objects.filter(batch__transformation__code=code).order_by("position")[0]
        held = Reservation.objects.filter(transformation__code=code, portion__lot__item=line.item).order_by("pk")[0]
        found = weigh(line=line, portion=held.portion, quantity=1000)
    return {"batch": code, "event": found.event.uid}


WHERE = {
    "batch": a_started,
    "batch-start": lambda: {"batch": Batch.objects.filter(status="planned").order_by("pk")[0].transformation.code},
    "batch-add": a_started,
    "batch-sign-step": a_started,
    "batch-record-check": a_started,
    "batch-finish": a_started,
    "batch-abandon": a_started,
    "batch-paper": a_started,
    "batch-correct-weighing": a_reading,
    "batch-reopen": an_ended,
}
