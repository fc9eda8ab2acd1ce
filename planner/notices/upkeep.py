"""Upkeep: dated jobs that come again, such as calibrating a scale. What was done moves a job on.

The usual intervals are the workshop's own affair, and its scales' and agents' makers': nothing is proposed here.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING, Any

from django.contrib.auth.models import User

from inventory import clock
from inventory.errors import BadInput, Conflict, Fault, NotFound, WrongState
from inventory.services.ledger import check_why
from inventory.transactions import write
from planner.notices import acts
from planner.notices.days import next_turn, turn_on
from planner.notices.looking import begin, look_at
from planner.notices.models import Upkeep, UpkeepDone

if TYPE_CHECKING:
    from collections.abc import Iterable

FIELDS = ("name", "note", "every", "unit", "first_on", "soon_days", "role", "person", "retired")


def find_job(code: str) -> Upkeep:
    job = Upkeep.objects.filter(code=code).first()
    if job is None:
        raise NotFound(f"no upkeep {code!r}")
    return job


@write
def make_job(*, code: str, values: Mapping[str, Any]) -> Upkeep:
    """A job from its first day on. Raises Conflict for a code that is taken, BadInput."""
    if Upkeep.objects.filter(code=code).exists():
        raise Conflict(f"there is upkeep {code} already", code="taken", faults=[Fault("upkeep", code, "a new code")])
    job = Upkeep(code=code)
    _take(job, values)
    job.next_on = turn_on(job.first_on, job.every, job.unit, 0)
    job.save()
    _look([job])
    return job


@write
def change_job(*, job: Upkeep, values: Mapping[str, Any]) -> Upkeep:
    """Change what is given. Other days are reckoned from the first one, after what was done last."""
    job = Upkeep.objects.select_for_update(no_key=True).get(pk=job.pk)
    before = (job.first_on, job.every, job.unit)
    _take(job, values)
    if before != (job.first_on, job.every, job.unit):
        last = job.done.order_by("-due_on").first()
        job.turn = 0
        if last is not None and job.first_on <= max(last.due_on, last.done_on):
            job.turn = next_turn(job.first_on, job.every, job.unit, 0, max(last.due_on, last.done_on))
        job.next_on = turn_on(job.first_on, job.every, job.unit, job.turn)
    job.save()
    _look([job])
    return job


def _take(job: Upkeep, values: Mapping[str, Any]) -> None:
    for name in FIELDS:
        if name in values:
            setattr(job, name, values[name])
    if job.role and job.person_id:
        raise BadInput(
            "a job is for a role or for a person",
            faults=[Fault("person", job.person.username if job.person else "", "nobody, where a role is named")],
        )


@write
def record_done(*, job: Upkeep, done_on: date, why: str = "", who: User | None = None) -> UpkeepDone:
    """The job was done on a day, today or before; the next is the first of its days after that.

    Raises WrongState for a job that is retired or has nothing more to come, BadInput for a day to come.
    """
    check_why(why)
    job = Upkeep.objects.select_for_update(no_key=True).get(pk=job.pk)
    if job.retired or job.next_on is None:
        raise WrongState(f"{job.code} is {'retired' if job.retired else 'done for good'}")
    if done_on > clock.today():
        fault = Fault("done_on", done_on.isoformat(), "today or a day before")
        raise BadInput("what is still to come cannot be done", faults=[fault])
    due_on = job.next_on
    done = UpkeepDone.objects.create(upkeep=job, due_on=due_on, done_on=done_on, who=who, why=why)
    job.turn = next_turn(job.first_on, job.every, job.unit, job.turn, done_on)
    job.next_on = turn_on(job.first_on, job.every, job.unit, job.turn)
    job.save(update_fields=["turn", "next_on"])
    acts.end_for_upkeep(job=job, due_on=due_on, why=why, who=who)
    _look([job])
    return done


def _look(jobs: Iterable[Upkeep]) -> None:
    """Its notices follow at once, and not with the next look."""
    look_at(begin(), "upkeep", [job.pk for job in jobs])
