"""The demo: what it lays down, what it tells, and that it leaves other people's databases alone."""

from __future__ import annotations

import datetime
import json
import re
from collections.abc import Iterator
from io import StringIO
from pathlib import Path
from typing import Any

import orjson
import pytest
import time_machine
from django.core import serializers
from django.core.management import call_command
from django.db import transaction
from django.db.models import Q
from rich.console import Console

from inventory import ledger
from inventory.errors import Conflict
from inventory.models import (
    Alert,
    Demand,
    Dispatch,
    DispatchLine,
    Item,
    Lot,
    LotDecision,
    Movement,
    Party,
    Portion,
    PurchaseOrder,
    PurchaseOrderLine,
    Reservation,
    RetainedSample,
    Setting,
    StockEvent,
    Transformation,
)
from planner import services
from planner.demo import build, materials, methods, past, present, story
from planner.demo.days import Days
from planner.demo.tables import tables, write_folder
from planner.exchange import export_tables, load_tables
from production.models import Batch, BatchLine, CheckResult, FormulaVersion, Protocol, Pull, Reading, Study, Weighing
from production.stability_selectors import pulls_due

WEDNESDAY = datetime.datetime(2027, 3, 10, 9, tzinfo=datetime.UTC)
SEVEN_DAYS = [WEDNESDAY + datetime.timedelta(days=days) for days in range(7)]

EVERY_TABLE = (
    Alert, Batch, BatchLine, CheckResult, Demand, Dispatch, DispatchLine, FormulaVersion, Item, Lot, LotDecision,
    Movement, Party, Portion, Protocol, Pull, PurchaseOrder, PurchaseOrderLine, Reading, Reservation, RetainedSample,
    Setting, StockEvent, Study, Transformation, Weighing,
)  # fmt: skip


def dump() -> str:
    """Everything in the database that matters to a workshop, as text."""
    return "\n".join(serializers.serialize("json", model.objects.order_by("pk")) for model in EVERY_TABLE)


@pytest.mark.django_db
@time_machine.travel(WEDNESDAY, tick=False)
def test_its_export_loaded_into_an_empty_database_gives_the_same_plan_to_the_byte(tmp_path: Path) -> None:
    """So the demo holds nothing that the tables cannot say: no started batch, nothing set apart."""

    def planned() -> bytes:
        return orjson.dumps(services.run_plan(from_day=WEDNESDAY.date(), weeks=8).document())

    with transaction.atomic():
        build.lay_down()
        report = export_tables(tmp_path / "out")
        before = planned()
        transaction.set_rollback(True)
    assert report.left_out == []
    assert not Item.objects.exists()
    load_tables(tmp_path / "out")
    assert planned() == before


@pytest.fixture(scope="module")
def wednesday(django_db_setup: None, django_db_blocker: Any) -> Iterator[dict[str, Any]]:
    """The demo laid down once, on a Wednesday, for all tests of this module that only look at it.

    They carry no django_db mark: pytest-django runs them after those that need an empty database.
    """
    with django_db_blocker.unblock(), time_machine.travel(WEDNESDAY, tick=False), transaction.atomic():
        yield story.tell(build.lay_down())
        transaction.set_rollback(True)


@pytest.fixture
def told(wednesday: dict[str, Any], django_db_blocker: Any) -> Iterator[dict[str, Any]]:
    """The story's document, with the database open for reading."""
    with django_db_blocker.unblock():
        yield wednesday


def in_terminal(document: dict[str, Any], width: int = 120) -> str:
    console = Console(file=StringIO(), width=width)
    story.show(console, document)
    return console.file.getvalue()  # type: ignore[attr-defined]


def unwrapped(text: str) -> str:
    return re.sub(r"\s+", " ", text)


# What was laid down.


def test_the_workshop_makes_several_unlike_things_over_four_levels(told: dict[str, Any]) -> None:
    counts = told["counts"]
    assert counts["items"] >= 45
    assert counts["formulas"] >= 8
    assert counts["suppliers"] >= 4
    assert 75 <= counts["lots on hand"] <= 105
    assert counts["finished batches"] >= 20
    assert counts["dispatches"] >= 12
    assert deepest("BALM-TIN-30") == 4


def deepest(item: str) -> int:
    """How many makings stand between an item and what is bought for it."""
    lines = methods.LINES.get(item, ())
    return 1 + max(deepest(needed) for _, needed, _ in lines) if lines else 0


def test_the_strained_water_keeps_a_day_and_the_infused_oil_stands_four_weeks(told: dict[str, Any]) -> None:
    water, oil = Item.objects.get(code="NETTLE-WATER"), Item.objects.get(code="CALENDULA-OIL")
    assert (water.shelf_life_hours, oil.lead_time_days) == (24, 28)
    for row in told["plan"]["make"]:
        days = datetime.date.fromisoformat(row["due_on"]) - datetime.date.fromisoformat(row["start_on"])
        if row["item"] == "NETTLE-WATER":
            assert days.days == 0
        if row["item"] == "CALENDULA-OIL":
            assert days.days >= 28
    assert {"NETTLE-WATER", "CALENDULA-OIL"} <= {row["item"] for row in told["plan"]["make"]}


def test_lots_stand_in_every_condition(told: dict[str, Any]) -> None:
    today = WEDNESDAY.date()
    here = Lot.objects.filter(portions__on_hand__gt=0)
    for status in ("released", "quarantine", "held", "rejected"):
        assert here.filter(status=status).exists(), status
    assert here.filter(expires_on__lt=today).exists()
    assert here.filter(expires_on__range=(today, today + datetime.timedelta(days=14))).exists()
    assert Portion.objects.filter(on_hand__gt=0, opened_on__isnull=False).exists()
    assert Portion.objects.filter(on_hand__gt=0, place=past.STALL).exists()
    kinds = set(StockEvent.objects.values_list("kind", flat=True))
    assert kinds == set(StockEvent.Kind.values)


def test_everything_happened_in_its_order_and_the_books_agree(told: dict[str, Any]) -> None:
    assert ledger.verify() == []
    assert not StockEvent.objects.filter(happened_at__gt=WEDNESDAY).exists()
    held: dict[int, int] = {}
    opening = Q(event__kind="opening")  # counted in on the day of the load, and used by nobody before
    for portion, quantity in (
        Movement.objects.exclude(opening)
        .order_by("event__happened_at", "event_id", "pk")
        .values_list("portion_id", "quantity")
    ):
        held[portion] = held.get(portion, 0) + quantity
        assert held[portion] >= 0, Portion.objects.get(pk=portion)


def test_a_study_has_pulls_done_late_missed_due_and_to_come(told: dict[str, Any]) -> None:
    today = WEDNESDAY.date()
    study = Study.objects.select_related("event").get()
    assert study.status == "under_way"
    assert study.event is not None
    pulls = list(study.pulls.order_by("number"))
    assert sum(-row.quantity for row in study.event.movements.all()) == len(pulls)
    assert [pull.number for pull in pulls if pull.done_on] == [1, 2, 3]
    assert pulls[2].done_on is not None
    assert pulls[2].done_on > pulls[2].window_to
    assert [(pull.number, pull.missed_why) for pull in pulls if pull.missed_on] == [
        (4, "the warm cupboard stood cold for a week")
    ]
    due = pulls_due(to_day=today)
    assert [one.number for one in due] == [5, 6]
    assert not any(one.is_overdue(today) for one in due)
    assert [one.number for one in pulls_due(from_day=today + datetime.timedelta(days=1), to_day=datetime.date.max)] == [
        7,
        8,
    ]
    assert {reading.passed for reading in Reading.objects.all()} == {True}
    assert "melting point" in {test.name for test in study.tests.all()}  # the check of the bulk in the tins


def test_two_of_each_packed_lot_are_kept_a_year_beyond_its_life(told: dict[str, Any]) -> None:
    packed = Lot.objects.filter(item__kind="product", origin="made")
    kept = RetainedSample.objects.filter(left=2, place=past.CUPBOARD)
    assert {sample.lot_id for sample in kept} == {lot.pk for lot in packed}
    for sample in kept.select_related("lot"):
        assert sample.lot.expires_on is not None
        assert sample.keep_until == sample.lot.expires_on + datetime.timedelta(days=365)


def test_cautions_stand_on_the_items_they_belong_to(told: dict[str, Any]) -> None:
    caution = dict(Item.objects.values_list("code", "caution"))
    for code, words in {
        "LYE-10": "lye into water",
        "LACTIC-ACID": "diluted",
        "BEESWAX": "never left alone",
        "ALCOHOL": "Flammable",
        "KAOLIN": "dust mask",
        "ORANGE-EO": "gloves when neat",
        "CALENDULA-DRY": "allergic",
        "PRESERVATIVE": "pH 5",
        "NETTLE-WATER": "Unpreserved",
        "SUNFLOWER-OIL": "heat themselves",
        "HAND-CREAM": "preservation tested",
    }.items():
        assert words in caution[code], code
    assert {row["caution"] for row in told["cautions"]} >= {caution["KAOLIN"], caution["BEESWAX"]}


def test_percent_formulas_are_whole() -> None:
    for code, lines in methods.LINES.items():
        amounts = [amount for _, _, amount in lines]
        if "qs" in amounts or code in methods.FILLS:
            continue
        assert sum(float(amount) for amount in amounts) == pytest.approx(100), code


# What it tells.


def standing(batch: dict[str, Any]) -> str:
    short = [line for line in batch["lines"] if not line["short"].startswith("0 ")]
    if any(one["enough"] for line in short for one in line["substitutes"]):
        return "short with a substitute"
    return str(batch["coverage"])


def test_next_week_stands_as_it_is_meant(told: dict[str, Any]) -> None:
    assert_next_week_stands(told)


def assert_next_week_stands(document: dict[str, Any]) -> None:
    batches = document["next_week"]["batches"]
    assert [(row["item"], standing(row)) for row in sorted(batches, key=lambda row: row["batch"])] == [
        (planned.formula, planned.meant) for planned in present.NEXT_WEEK
    ]
    rinse = next(row for row in batches if row["item"] == "RINSE")
    assert any(one["source"].startswith("order:") for line in rinse["lines"] for one in line["expected"])
    mask = next(row for row in batches if row["item"] == "CLAY-MASK")
    kaolin = next(line for line in mask["lines"] if line["item"] == "KAOLIN")
    assert {(one["lot"], one["reason"]) for one in kaolin["passed_over"]} == {
        ("OS-01", "expired"),
        ("OS-02", "quarantine"),
        ("WC-2", "held"),
    }
    assert document["plan"]["make"][0]["item"] == "CALENDULA-OIL"
    assert not [row for row in document["plan"]["make"] if row["late"]]


@pytest.mark.slow
@pytest.mark.django_db
@pytest.mark.parametrize("moment", SEVEN_DAYS, ids=lambda moment: f"{moment:%A}")
def test_next_week_stands_so_on_whatever_weekday_it_is_told(moment: datetime.datetime) -> None:
    with time_machine.travel(moment, tick=False):
        document = story.tell(build.lay_down())
        assert_next_week_stands(document)
        assert document["trace"]["dispatches"]
        assert ledger.verify() == []


def test_one_recall_reaches_shops_the_market_and_the_shelf_and_every_gram_is_accounted_for(
    told: dict[str, Any],
) -> None:
    trace = told["trace"]
    assert {row["accounted_percent"] for row in trace["lots"]} == {"100.00"}
    packed = [row for row in trace["lots"] if row["kind"] == "product"]
    assert len(packed) >= 3
    assert {row["kind"] for row in trace["lots"]} == {"raw", "intermediate", "product"}
    assert len({row["customer"] for row in trace["dispatches"] if row["customer"]}) >= 2
    assert any(row["public_place"] for row in trace["dispatches"])
    assert {past.STALL, past.SHELF} <= {row["place"] for row in trace["here"]}
    assert any(row["returned"] != "0 pc" for row in trace["dispatches"])


@pytest.mark.parametrize("width", [100, 120])
def test_the_terminal_tells_every_part(told: dict[str, Any], width: int) -> None:
    text = in_terminal(told, width)
    for words in (
        "Next week, Monday 15 March 2027 to Friday 19 March 2027",
        "short (substitute CANDELILLA",
        "order:P",
        "What to make first",
        "What to buy, and by when",
        "What will spoil",
        "Forward trace of MF-2",
        "Who received it",
        "Still here, and where",
        "Where to go next",
        "Released is the maker's word",
    ):
        assert words in unwrapped(text), words
    assert max(len(line) for line in text.splitlines() if "manage.py" not in line) <= width


# Where it may stand.


def test_telling_it_again_writes_nothing(told: dict[str, Any]) -> None:
    before = dump()
    assert not build.lay_down().now
    again = story.tell(build.lay_down())
    assert dump() == before
    assert again["plan"] == told["plan"]
    assert "nothing was written" in in_terminal(again)


@pytest.mark.parametrize("days", [3, 60])
def test_later_it_says_on_which_day_it_was_laid_down(told: dict[str, Any], days: int) -> None:
    with time_machine.travel(WEDNESDAY + datetime.timedelta(days=days), tick=False):
        text = unwrapped(in_terminal(story.tell(build.lay_down())))
    assert "laid down on Wednesday 10 March 2027" in text
    assert "begin afresh" in text


@pytest.mark.django_db
def test_another_workshop_is_left_alone(capsys: pytest.CaptureFixture[str]) -> None:
    Item.objects.create(code="OIL", name="Oil", kind="raw", caps_life=True)
    before = dump()
    with pytest.raises(SystemExit) as stopped:
        call_command("demo", "--json")
    assert stopped.value.code == 1
    printed = capsys.readouterr()
    assert json.loads(printed.out)["code"] == "other_workshop"
    assert "DATABASE_URL" in printed.err
    assert dump() == before


@pytest.mark.django_db
def test_a_run_that_is_cut_off_leaves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    def cut_off(days: Days) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(build.history, "act_out", cut_off)
    before = dump()
    with pytest.raises(KeyboardInterrupt):
        build.lay_down()
    assert dump() == before


@pytest.mark.django_db
def test_somebody_elses_items_beside_the_demo_s_are_no_demo() -> None:
    for row in materials.ITEMS[:5]:
        Item.objects.create(code=row["item"], name=row["name"], kind=row["kind"], caps_life=True)
    with pytest.raises(Conflict, match="of its own"):
        build.lay_down()


@pytest.mark.django_db
def test_the_demo_s_tables_without_its_past_are_no_demo(tmp_path: Path) -> None:
    write_folder(tmp_path, tables(Days.now()))
    load_tables(tmp_path)
    with pytest.raises(Conflict, match="of its own"):
        build.lay_down()


def test_the_commands_to_go_on_with_work(told: dict[str, Any]) -> None:
    day = WEDNESDAY.date()
    for row in told["next"]:
        assert "manage.py" in row["run"]
    assert services.run_plan(from_day=day, weeks=story.WEEKS).document() == told["plan"]


# Days.


@pytest.mark.parametrize("moment", SEVEN_DAYS, ids=lambda moment: f"{moment:%A}")
def test_days_of_the_past_are_workdays_in_their_order(moment: datetime.datetime) -> None:
    days = Days(moment.date(), datetime.UTC)  # type: ignore[arg-type]
    moments = [days.at(ago, hour) for ago in range(200, 0, -1) for hour in (7, 9, 13, 18)]
    assert moments == sorted(set(moments))
    assert all(one.weekday() < 5 for one in moments)
    assert days.monday.weekday() == 0
    assert 1 <= (days.monday - days.today).days <= 7
