"""The Week sheet: what it shows is the plan's, a look changes nothing, what is accepted becomes firm once."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from django.core.management import call_command
from django.db import connection
from django.template import Context, Template
from django.test import Client
from django.urls import reverse

from inventory.models import Item, Lot, Movement, PurchaseOrder, Reservation
from inventory.services import lots
from inventory.services.workshop import change_settings
from planner import services
from planner.outlook import outlook_in, outlook_of
from planner.week import WEEKS_AHEAD
from production.models import Batch, Formula
from production.services import batches
from tests.planner.pages.house import read

Shop = dict[str, Client]
TODAY = date(2027, 3, 10)


def planned() -> Batch:
    return Batch.objects.select_related("transformation").filter(status="planned").order_by("pk")[0]


def the_plan() -> services.PlanRun:
    return services.run_plan(from_day=TODAY, weeks=WEEKS_AHEAD)


def books() -> list[object]:
    """Everything that a look must not change."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT b.transformation_id, b.status, b.charge, t.planned_for"
            " FROM production_batch b JOIN inventory_transformation t ON t.id = b.transformation_id ORDER BY 1"
        )
        rows = cursor.fetchall()
    held = list(Reservation.objects.order_by("pk").values_list("pk", "portion", "quantity"))
    return [rows, held, Movement.objects.count()]


def test_the_week_shows_each_day_s_batches_as_the_plan_covers_them(workshop: Shop) -> None:
    found = the_plan().plan
    on = date.fromordinal(found.batches[0].planned_for)
    week = {on - timedelta(days=on.weekday()) + timedelta(days=at) for at in range(7)}
    page = workshop["viewer"].get(reverse("week-sheet"), {"on": on.isoformat()})
    words = read(page).words
    shown = {entry.batch: entry.coverage for day in page.context["sheet"].days for entry in day.entries}
    expected = {row.batch: row.coverage for row in found.batches if date.fromordinal(row.planned_for) in week}
    assert expected
    assert shown == expected
    assert all(batch in words for batch in expected)


def test_a_look_tells_what_becomes_short_and_changes_nothing(workshop: Shop) -> None:
    batch = planned()
    code, before = batch.transformation.code, books()
    address = reverse("week-batch", kwargs={"batch": code})
    answer = workshop["maker"].post(
        address, {"side": "look", "size": str(batch.charge * 20 // 1000) + " g", "planned_for": "2027-03-12"}
    )
    assert answer.status_code == 200
    words = read(answer).words
    assert "If that is saved" in words
    assert answer.context["what_if"].own.coverage == "short"
    assert books() == before
    assert connection.in_atomic_block  # the test's own: what was looked at was undone to where it began


def test_a_wrong_size_is_told_beside_its_field(workshop: Shop) -> None:
    address = reverse("week-batch", kwargs={"batch": planned().transformation.code})
    before = books()
    for side in ({"side": "look"}, {}):
        answer = workshop["maker"].post(address, {"size": "a bucket", "planned_for": "2027-03-12"} | side)
        assert answer.status_code == 400
        assert answer.context["form"].faults["size"]
    assert books() == before


def test_beyond_the_plan_s_days_nothing_is_said_of_coverage(workshop: Shop) -> None:
    batch = Batch.objects.select_related("transformation").filter(status="planned").order_by("pk")[0]
    address = reverse("week-batch", kwargs={"batch": batch.transformation.code})
    far = (TODAY + timedelta(weeks=WEEKS_AHEAD)).isoformat()
    page = workshop["maker"].post(address, {"side": "look", "size": "", "planned_for": far})
    assert page.context["what_if"].own.cover is None
    assert "would be beyond the days that the plan looks at" in read(page).words
    workshop["maker"].post(address, {"planned_for": far})
    assert "It lies beyond the days that the plan looks at." in read(workshop["maker"].get(address)).words


def test_what_was_looked_at_is_what_is_saved(workshop: Shop) -> None:
    batch = planned()
    address = reverse("week-batch", kwargs={"batch": batch.transformation.code})
    asked = {"planned_for": "2027-03-19"}
    looked = workshop["maker"].post(address, asked | {"side": "look"}).context["what_if"]
    answer = workshop["maker"].post(address, asked, follow=True)
    entry = answer.context["shown"].entry
    assert entry.planned_for == date(2027, 3, 19)
    assert (entry.coverage, entry.in_words) == (looked.own.coverage, looked.own.in_words)


def test_proposals_are_accepted_alone_or_together_and_by_whom_it_concerns(workshop: Shop) -> None:
    found = the_plan().plan
    assert len(found.buy) > 1
    assert found.make
    alone, rest = found.buy[0].id, [row.id for row in found.buy[1:3]]
    orders = PurchaseOrder.objects.count()
    address = reverse("week-sheet")
    assert workshop["viewer"].post(address, {"one": alone}).status_code == 403
    refused = workshop["maker"].post(address, {"one": alone})
    assert refused.status_code == 403
    assert PurchaseOrder.objects.count() == orders
    assert workshop["buyer"].post(address, {"one": alone}).status_code == 303
    assert PurchaseOrder.objects.count() == orders + 1
    again = workshop["buyer"].post(address, {"proposal": [alone, *rest]})
    assert again.status_code == 303
    assert PurchaseOrder.objects.count() == orders + 1 + len(rest)
    batches = Batch.objects.count()
    assert workshop["maker"].post(address, {"one": found.make[0].id}).status_code == 303
    assert Batch.objects.count() == batches + 1


def test_what_was_ordered_too_late_and_is_offered_again_says_that_it_is_on_its_way(workshop: Shop) -> None:
    buyer = workshop["buyer"]
    late = next(row for row in buyer.get(reverse("week-sheet")).context["sheet"].buys if row.late and not row.coming)
    form = buyer.get(reverse("week-sheet")).context["form"]
    assert buyer.post(reverse("week-sheet"), {"one": late.id, "retry-key": form.key}).status_code == 303
    page = buyer.get(reverse("week-sheet"))
    again = [row for row in page.context["sheet"].buys if row.item == late.item]
    assert again, "the demo has nothing that comes too late: this shows nothing"
    assert "On its way, but later" in read(page).words


def test_a_batch_is_reserved_freed_and_cancelled(workshop: Shop) -> None:
    found = the_plan().plan
    code = next(row.batch for row in found.batches if row.coverage == "covered" and _is(row.batch, "planned"))
    where = {"batch": code}
    maker = workshop["maker"]
    assert maker.post(reverse("week-batch-reserve", kwargs=where)).status_code == 303
    assert Reservation.objects.filter(transformation__code=code).exists()
    assert maker.post(reverse("week-batch-free", kwargs=where)).status_code == 303
    assert not Reservation.objects.filter(transformation__code=code).exists()
    assert maker.post(reverse("week-batch-cancel", kwargs=where), {"why": ""}).status_code == 400
    assert maker.post(reverse("week-batch-cancel", kwargs=where), {"why": "no jars"}).status_code == 303
    assert Batch.objects.get(transformation__code=code).status == "cancelled"


def test_a_shortage_is_told_line_by_line(workshop: Shop) -> None:
    found = the_plan().plan
    code = next(row.batch for row in found.batches if row.coverage == "short" and _is(row.batch, "planned"))
    answer = workshop["maker"].post(reverse("week-batch-reserve", kwargs={"batch": code}))
    assert answer.status_code == 409
    assert "short of" in read(answer).words


def _is(code: str, status: str) -> bool:
    return Batch.objects.filter(transformation__code=code, status=status).exists()


def test_a_new_batch_is_planned_for_a_day(workshop: Shop) -> None:
    formula = planned().version.formula
    page = workshop["maker"].get(reverse("week-plan") + "?on=2027-03-18")
    assert 'value="2027-03-18"' in page.content.decode()
    answer = workshop["maker"].post(
        reverse("week-plan"), {"formula": formula.code, "size": "2000", "planned_for": "2027-03-18"}
    )
    assert answer.status_code == 303
    assert Batch.objects.filter(transformation__planned_for=date(2027, 3, 18)).exists()


@pytest.mark.parametrize("kind", ["raw", "packaging", "intermediate"])
def test_an_item_s_days_add_up(workshop: Shop, kind: str) -> None:
    """Left today is what was left before, and what comes, less what is used and spoils; proposals end what is short."""
    run = the_plan()
    codes = {row.item for row in run.plan.requirements} & {
        row.code for row in run.problem.items if row.kind == kind and not row.drawn
    }
    for code in sorted(codes):
        outlook = outlook_of(code)
        left, proposed = outlook.start, outlook.start
        for day in outlook.days:
            left += day.comes - day.used - day.spoils
            proposed += day.comes + day.proposed - day.used - day.spoils
            assert (day.left, day.left_with_proposals) == (left, proposed)
        picture = workshop["viewer"].get(reverse("item-days-picture", kwargs={"item": code}))
        assert picture["Content-Type"] == "image/svg+xml"
    assert codes


def test_what_is_not_short_never_falls_below_nothing(workshop: Shop) -> None:
    """Not even where lots are held: what never counted does not spoil besides."""
    looked_at = 0
    for held in (Lot.objects.none(), Lot.objects.filter(status="released", portions__on_hand__gt=0).distinct()):
        for lot in held[::3]:
            lots.decide(lots=[lot], status="held", why="grey specks")
        run = the_plan()
        for item in Item.objects.filter(drawn=False):
            outlook = outlook_in(run, item)
            if outlook.short_on is None:
                assert min(day.left for day in outlook.days) >= 0, item.code
                looked_at += any(day.spoils for day in outlook.days)
    assert looked_at > 3


def test_a_held_lot_is_neither_usable_nor_spoils(workshop: Shop) -> None:
    expiring = next(
        row for row in the_plan().netted.expiring
        if row.quantity and row.expires_on >= TODAY.toordinal() and Lot.objects.get(
            item__code=row.item, number=row.lot).status == "released"
    )  # fmt: skip
    before = outlook_of(expiring.item)
    assert any(day.spoils for day in before.days)
    lot = Lot.objects.get(item__code=expiring.item, number=expiring.lot)
    on_hand = sum(lot.portions.values_list("on_hand", flat=True))
    lots.decide(lots=[lot], status="held", why="grey specks")
    after = outlook_in(services.run_plan(from_day=TODAY, weeks=WEEKS_AHEAD), lot.item)
    assert after.start == before.start - on_hand
    spoils_on = date.fromordinal(expiring.expires_on + 1)
    was, now = (sum(day.spoils for day in one.days if day.day == spoils_on) for one in (before, after))
    assert now == was - expiring.quantity


def test_what_a_planned_batch_makes_spoils_where_nothing_uses_it(workshop: Shop) -> None:
    """A water that keeps two days: what is left of the batch is gone on the third."""
    formula = Formula.objects.select_related("item").get(code="NETTLE-WATER")
    formula.item.shelf_life_days, formula.item.shelf_life_hours = 2, None
    formula.item.save()
    day = TODAY + timedelta(days=3)
    batch = batches.plan(version=formula.versions.get(status="approved"), charge=20_000_000, planned_for=day)
    outlook = outlook_in(services.run_plan(from_day=TODAY, weeks=WEEKS_AHEAD), formula.item)
    by_day = {one.day: one for one in outlook.days}
    here = day + timedelta(days=formula.item.lead_time_days)
    comes = by_day[here + timedelta(days=formula.item.release_days)].comes
    assert comes > 15_000_000
    gone = by_day[here + timedelta(days=3)]
    assert gone.spoils > comes / 2
    assert gone.left < comes / 10
    assert batch.status == "planned"


def test_what_is_drawn_has_no_days(workshop: Shop) -> None:
    water = Item.objects.filter(drawn=True)[0]
    page = workshop["viewer"].get(reverse("item-days", kwargs={"item": water.code}))
    assert page.status_code == 404
    assert "drawn as it is needed" in read(page).words


def test_the_sheet_says_what_the_command_says(workshop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    page = workshop["viewer"].get(reverse("week-sheet"))
    call_command("plan", "--from", TODAY.isoformat(), "--weeks", str(WEEKS_AHEAD), "--json")
    said = capsys.readouterr().out
    for row in [*page.context["sheet"].makes, *page.context["sheet"].buys]:
        assert row.id in said


def buys_of(client: Client, language: str = "en-gb") -> str:
    """The part of the Week sheet about what to buy, as text with its marks."""
    text = client.get(reverse("week-sheet"), headers={"accept-language": language}).text
    return text[text.index("<h2>To buy</h2>") : text.index("<h2>Running scarce</h2>")]


def test_a_row_that_was_kept_is_shown_as_its_next_reader_would_have_it(workshop: Shop) -> None:
    """By their signs and units and by what they may do, with the item's name as it is now."""
    buy = the_plan().netted.buys[0]
    seen = buys_of(workshop["owner"])
    cost = f"{buy.cost_e4 / 10_000:.2f}"  # type: ignore[operator]
    assert f">{cost}<" in seen
    assert f'value="{buy.id}"' in seen
    german = buys_of(workshop["owner"], "de")
    assert f">{cost.replace('.', ',')}<" in german
    assert f">{cost}<" not in german
    assert "<input" not in buys_of(workshop["viewer"])
    assert buys_of(workshop["owner"]) == seen
    Item.objects.filter(code=buy.item).update(name="<b>as it is called now</b>")
    assert "&lt;b&gt;as it is called now&lt;/b&gt;" in buys_of(workshop["owner"])
    change_settings(values={"units": "oz"})
    assert "oz</td>" in buys_of(workshop["owner"])
    assert "oz</td>" not in seen


def test_a_batch_is_shown_with_what_became_of_it(workshop: Shop) -> None:
    """Its row on the sheet is kept for as long as it says the same."""
    batch = planned()
    code, on = batch.transformation.code, batch.transformation.planned_for

    def shown() -> str:
        text = workshop["maker"].get(reverse("week-sheet"), {"on": on.isoformat()}).text
        return text[text.index(reverse("week-batch", kwargs={"batch": code})) :].split("</a>")[0]

    assert "3\N{NO-BREAK SPACE}kg" not in shown()
    batches.change_plan(batch=batch, charge=3_000_000)
    assert "3\N{NO-BREAK SPACE}kg" in shown()


def test_a_row_that_nothing_tells_from_others_is_not_kept_with_them() -> None:
    page = Template('{% load sheet %}{% piece "planner/pieces/scarce.html" row of=row.id %}')
    with pytest.raises(ValueError, match="of= is not known"):
        page.render(Context({"row": {"item": "OIL"}}))
