"""Looking at the causes: what the sources want is compared with what stands, set by set.

A look opens, brings up to date and lets lapse; it tells nobody (``planner.notices.sweep`` does). The row of its source
is locked meanwhile, so that two looks at one kind never cross; who comes second leaves it to the first.
"""

from __future__ import annotations

import logging
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Q

from inventory import clock, workshop
from inventory.errors import DomainError
from inventory.ledger import among
from inventory.models.items import WHY_LENGTH
from planner.notices.days import Wall, days_of, next_instant
from planner.notices.kinds import Kind, kinds_now
from planner.notices.models import Notice, NoticeAct, SourceLook
from planner.notices.sources import SOURCES, WORSE
from planner.notices.wanted import KEEP, Look, Wanted, told

log = logging.getLogger(__name__)
CHUNK = 1_000
MORNING = "morning"  # names of looks that are no kind's
CLOCK = "clock"
LONGEST_LOOK = timedelta(minutes=5)
Row = dict[str, Any]

TEXTS = ("cause", "subject", "what", "why", "facts", "role", "person_id")
DAYS = ("due_on", "overdue_on", "escalates_on", "told_on_days")
TEXTS_AND_DAYS = [*(name.removesuffix("_id") for name in TEXTS), *DAYS]
MOVED = ("by_day", "state", "put_off_until", "opening", "stage_on", "next_at", "updated_at")
IDENTITY = ("pk", "key", "put_off_until")


@dataclass(frozen=True, slots=True)
class Changes:
    """What one look did."""

    opened: int = 0
    updated: int = 0
    lapsed: int = 0

    def __add__(self, other: Changes) -> Changes:
        return Changes(self.opened + other.opened, self.updated + other.updated, self.lapsed + other.lapsed)


def the_wall() -> Wall:
    """The workshop's clock. One query."""
    found = workshop.values_of(("time_zone", "morning"))
    return Wall(ZoneInfo(found["time_zone"]), workshop.read_morning(found["morning"]))


def begin(*, whole: bool = True, now: datetime | None = None) -> Look:
    """What a look needs to know of the workshop. Two queries."""
    found = workshop.values_of(("time_zone", "morning", "country", "open_days"))
    wall = Wall(ZoneInfo(found["time_zone"]), workshop.read_morning(found["morning"]))
    now = now or clock.now()
    return Look(
        now=now,
        today=wall.day_of(now),
        wall=wall,
        kinds=kinds_now(),
        country=found["country"],
        open_weekdays=workshop.read_open_days(found["open_days"]),
        whole=whole,
    )


def look_when_due() -> Changes:
    """Look at every source whose time has come: all of them in the morning, after the plan; some more often.

    A source that fails is logged and looked at again next time; the others are not kept waiting.
    """
    look = begin()
    _follow_the_clock(look)
    found = Changes()
    rows = {row.name: row for row in SourceLook.objects.all()}
    if look.now >= look.wall.morning_of(look.today) and not _looked_on(rows.get(MORNING), look.today):
        return look_at_the_morning(look) if _claim_the_morning(look) else found
    for name, kind in look.kinds.items():
        row = rows.get(name)
        if row is None or row.looked_at is None or look.now - row.looked_at >= timedelta(seconds=kind.every - 5):
            found += look_at(look, name)
    return found


def _looked_on(row: SourceLook | None, day: date) -> bool:
    return row is not None and row.looked_on is not None and row.looked_on >= day


def _claim_the_morning(look: Look) -> bool:
    """Whether the day's look is ours: a plan may take longer than until the bell rings again.

    ``looked_at`` is its beginning until it is done; who began and died is waited for so long.
    """
    SourceLook.objects.get_or_create(name=MORNING)
    free = Q(looked_at=None) | Q(looked_at__lt=look.now - LONGEST_LOOK) | Q(looked_on__isnull=False)
    mine = SourceLook.objects.filter(free, name=MORNING).exclude(looked_on__gte=look.today)
    return bool(mine.update(looked_at=look.now, looked_on=None))


def look_at_the_morning(look: Look) -> Changes:
    """The day's look: the plan, with its reorder alerts, then every source. Once a day; a second one does no harm.

    A plan that breaks keeps nothing else waiting: the sources are looked at, then its fault is raised. The day counts
    as looked at once its plan was made; until then the next bell tries again.
    """
    from planner import services  # late: services know of notices

    found, fault = Changes(), None
    try:
        services.review(day=look.today)
    except DomainError as refusal:  # formulas in a loop: everything else is told all the same
        log.warning("the plan could not be looked at: %s", refusal.message)
    except Exception as error:
        fault = error
    for name in look.kinds:
        found += look_at(look, name)
    if fault is not None:
        SourceLook.objects.filter(name=MORNING).update(looked_at=None)
        raise fault
    SourceLook.objects.update_or_create(name=MORNING, defaults={"looked_on": look.today, "looked_at": clock.now()})
    return found


def morning_is_looked_at(look: Look) -> datetime | None:
    """When this day's look was done; None where it was not yet. One query."""
    row = SourceLook.objects.filter(name=MORNING, looked_on__gte=look.today).first()
    return row.looked_at if row else None


def _follow_the_clock(look: Look) -> None:
    """Where zone or morning were changed, every open notice is reckoned anew."""
    row, _ = SourceLook.objects.get_or_create(name=CLOCK, defaults={"note": look.wall.told()})
    if row.note == look.wall.told():
        return
    last = 0
    while True:
        with transaction.atomic():
            part = list(
                Notice.objects.select_for_update(no_key=True)
                .filter(pk__gt=last, state__in=("open", "put_off"))
                .order_by("pk")[:CHUNK]
            )
            for notice in part:
                notice.next_at = next_of(notice, look)
            Notice.objects.bulk_update(part, ["next_at"])
        if not part:
            break
        last = part[-1].pk
    SourceLook.objects.filter(name=CLOCK).update(note=look.wall.told())


def next_of(notice: Notice, look: Look) -> datetime | None:
    """When a notice is to be looked at next, by its state and its days."""
    if notice.state == Notice.State.PUT_OFF:
        assert notice.put_off_until is not None
        return look.wall.morning_of(notice.put_off_until)
    if notice.state != Notice.State.OPEN:
        return None
    days = [date.fromisoformat(day) for day in notice.told_on_days]
    return next_instant(days, notice.stage_on, look.now, look.wall)


def by_day_of(notice: Notice) -> str:
    return f"{notice.due_on} {notice.uid}"


# --- one source --------------------------------------------------------------------------------------------


def look_at(look: Look, name: str, causes: Collection[int] | None = None, *, texts: bool = True) -> Changes:
    """Bring one kind's notices in line with their causes, all of them or those of some causes.

    Without ``texts`` only days and what is gone are looked at, not how it is worded: faster by half. Where somebody
    else looks at the kind, nothing is done: they do the work.

    1. The source's row is locked; where somebody else has it, they do the work.
    2. What is wanted is read, and what stands; compared by key.
    3. New keys are opened (one that stood before is opened again, and told anew), changed ones brought up to date,
       those wanted no more lapse. All in one transaction.
    """
    return _look_at(look, name, causes, texts) or Changes()


def _look_at(look: Look, name: str, causes: Collection[int] | None, texts: bool) -> Changes | None:
    """As ``look_at``; None where somebody else looks at the kind."""
    if causes is not None and not causes:
        return Changes()
    SourceLook.objects.get_or_create(name=name)
    try:
        with transaction.atomic():
            lock = SourceLook.objects.select_for_update(skip_locked=True, no_key=True).filter(name=name)
            row = lock.first()
            if row is None:
                return None
            found = _compare(look, look.kinds[name], causes, texts)
            if causes is None:
                row.looked_at, row.looked_on = look.now, look.today
                row.save(update_fields=["looked_at", "looked_on"])
            return found
    except Exception:  # better told of what may be mended by now than not told
        log.exception("the source %s could not be looked at", name)
        return Changes()


def _compare(look: Look, kind: Kind, causes: Collection[int] | None, texts: bool) -> Changes:
    standing = Notice.objects.filter(kind=kind.name, gone_at=None)
    if causes is not None:
        standing = standing.filter(cause__in=among(causes))
    days_of_wanted = _DaysOf(kind)
    columns = (*IDENTITY, *DAYS, *(TEXTS if texts else ()))
    rows = {row["key"]: row for row in standing.values(*columns).iterator()}
    new: list[Wanted] = []
    changed: list[tuple[Row, Wanted]] = []
    for wanted in SOURCES[kind.name](look, causes):
        row = rows.pop(wanted.key, None)
        if row is None:
            new.append(wanted)
        elif _differs(row, wanted, days_of_wanted, texts):
            changed.append((row, wanted))
    for part in _parts(changed):
        _update(look, kind, part)
    opened = sum(_open(look, kind, part) for part in _parts(new))
    gone = list(rows.values())
    for part in _parts(gone):
        _let_lapse(look, [row["pk"] for row in part])
    return Changes(opened, len(changed), len(gone))


def _parts(rows: Sequence[Any]) -> Iterable[Any]:
    for start in range(0, len(rows), CHUNK):
        yield rows[start : start + CHUNK]


def _days(wanted: Wanted, kind: Kind, due_on: date, and_on: date | None = None) -> Row:
    overdue_on = due_on + timedelta(days=wanted.overdue_after_days)
    escalates_on = None if kind.escalate_days is None else overdue_on + timedelta(days=kind.escalate_days)
    days = days_of(
        due_on=due_on,
        overdue_on=overdue_on,
        escalates_on=escalates_on,
        soon_days=kind.soon_days if wanted.soon_days is None else wanted.soon_days,
        and_on=and_on,
    )
    return {
        "due_on": due_on,
        "overdue_on": overdue_on,
        "escalates_on": escalates_on,
        "told_on_days": [day.isoformat() for day in days],
    }


class _DaysOf:
    """``_days`` for a kind, reckoned once for what many notices have in common: those of a morning share their days."""

    def __init__(self, kind: Kind) -> None:
        self.kind = kind
        self._known: dict[tuple[date, date | None, int, tuple[int, ...] | None], Row] = {}

    def __call__(self, wanted: Wanted, due_on: date, and_on: date | None) -> Row:
        key = (due_on, and_on, wanted.overdue_after_days, wanted.soon_days)
        if key not in self._known:
            self._known[key] = _days(wanted, self.kind, due_on, and_on)
        return self._known[key]


def _texts(wanted: Wanted, row: Row | None = None) -> Row:
    keeps = wanted.why == KEEP
    return {
        "cause": wanted.cause,
        "subject": wanted.subject,
        "what": wanted.what[:200],
        "why": (row["why"] if row else "") if keeps else wanted.why[:1_000],
        "facts": (row["facts"] if row else {}) if keeps else wanted.facts,
        "role": wanted.role,
        "person_id": wanted.person,
    }


def _differs(row: Row, wanted: Wanted, days_of_wanted: _DaysOf, texts: bool) -> bool:
    """Whether a standing notice is not as its cause is now. One without a day of its own keeps that of its opening."""
    fresh = days_of_wanted(wanted, wanted.due_on or row["due_on"], row["put_off_until"])
    if texts:
        fresh = fresh | _texts(wanted, row)
    return any(row[name] != value for name, value in fresh.items())


def _update(look: Look, kind: Kind, part: Sequence[tuple[Row, Wanted]]) -> None:
    notices = Notice.objects.select_for_update(no_key=True).in_bulk([row["pk"] for row, _ in part])
    found: list[Notice] = []
    opened_again: list[NoticeAct] = []
    for row, wanted in part:
        notice = notices.get(row["pk"])
        if notice is None or notice.gone_at is not None:
            continue
        sooner = wanted.due_on is not None and wanted.due_on < notice.due_on
        due_on = wanted.due_on or notice.due_on
        changed = _why_again(notice, wanted)
        if changed:
            # Who saw to it, or put it off, knew it otherwise: it stands open again, and its history says why.
            notice.state, notice.put_off_until = Notice.State.OPEN, None
            opened_again.append(
                NoticeAct(notice=notice, kind=NoticeAct.Kind.REOPENED, why=changed[:WHY_LENGTH], acted_at=look.now)
            )
        if sooner and notice.put_off_until is not None and notice.put_off_until > due_on:
            notice.put_off_until = None  # nobody said that it may wait beyond this day
        days = _days(wanted, kind, due_on, notice.put_off_until)
        for name, value in (days | _texts(wanted, {"why": notice.why, "facts": notice.facts})).items():
            setattr(notice, name, value)
        if (sooner or changed) and notice.stage_on is not None:  # what was told is not what is true: told anew
            notice.opening += 1
            notice.stage_on = None
        notice.by_day = by_day_of(notice)
        notice.next_at = next_of(notice, look)
        notice.updated_at = look.now
        found.append(notice)
    Notice.objects.bulk_update(found, [*TEXTS_AND_DAYS, *MOVED])
    NoticeAct.objects.bulk_create(opened_again)


def _why_again(notice: Notice, wanted: Wanted) -> str:
    """Why a notice that somebody did or put off stands open again, in a sentence; "" where it does not.

    It is due sooner than they knew, or it stands worse. One that was put off to a day that still is before its new one
    stays so, unless it stands worse.
    """
    if notice.state not in (Notice.State.DONE, Notice.State.PUT_OFF):
        return ""
    due_on = wanted.due_on
    if due_on is not None and due_on < notice.due_on:
        until = notice.put_off_until
        if notice.state == Notice.State.DONE or (until is not None and until > due_on):
            return f"It is due on {told(due_on)} now, not on {told(notice.due_on)}."
    worse = WORSE.get(notice.kind)
    return worse(notice.facts, wanted.facts) if worse is not None and wanted.why != KEEP else ""


def _open(look: Look, kind: Kind, part: Sequence[Wanted]) -> int:
    """Open notices; one that stood before with the same key is opened again and told anew."""
    by_key = {wanted.key: wanted for wanted in part}
    before = list(
        Notice.objects.select_for_update(no_key=True).filter(key__in=list(by_key), gone_at__isnull=False).order_by("pk")
    )
    for notice in before:
        wanted = by_key.pop(notice.key)
        notice.state, notice.gone_at, notice.put_off_until = Notice.State.OPEN, None, None
        notice.opening += 1
        notice.stage_on = None
        notice.opened_at = notice.updated_at = look.now
        for name, value in (_texts(wanted) | _days(wanted, kind, wanted.due_on or look.today)).items():
            setattr(notice, name, value)
        notice.by_day = by_day_of(notice)
        notice.next_at = next_of(notice, look)
    again = ["by_day", "state", "gone_at", "put_off_until", "opening", "stage_on", "opened_at", "updated_at", "next_at"]
    Notice.objects.bulk_update(before, [*TEXTS_AND_DAYS, *again])
    fresh = []
    for wanted in by_key.values():
        days = _days(wanted, kind, wanted.due_on or look.today)
        notice = Notice(
            key=wanted.key, kind=kind.name, opened_at=look.now, updated_at=look.now, **_texts(wanted), **days
        )
        notice.by_day = by_day_of(notice)
        notice.next_at = next_of(notice, look)
        fresh.append(notice)
    Notice.objects.bulk_create(fresh, ignore_conflicts=True)
    return len(fresh) + len(before)


def _let_lapse(look: Look, pks: Sequence[int]) -> None:
    """What a person did stays done; what nobody did lapses. Both are told anew if the cause comes back."""
    standing = Notice.objects.filter(pk__in=among(pks), gone_at=None)
    gone = {"gone_at": look.now, "updated_at": look.now, "next_at": None}
    standing.filter(state=Notice.State.DONE).update(**gone)
    standing.exclude(state=Notice.State.DONE).update(state=Notice.State.LAPSED, **gone)


@dataclass(frozen=True, slots=True)
class LookedAgain:
    """What a second look found: whether any notice changed, and the kinds that somebody else was looking at."""

    changed: bool
    left: frozenset[str]


def look_again(look: Look, notices: Iterable[tuple[str, int]], *, texts: bool = True) -> LookedAgain:
    """Look again at the causes of some notices, given as kind and cause, before somebody is told of them."""
    causes: dict[str, set[int]] = {}
    for kind, cause in notices:
        if kind in look.kinds:
            causes.setdefault(kind, set()).add(cause)
    found = {kind: _look_at(look, kind, of_kind, texts) for kind, of_kind in causes.items()}
    return LookedAgain(
        changed=any(changes not in (None, Changes()) for changes in found.values()),
        left=frozenset(kind for kind, changes in found.items() if changes is None),
    )
