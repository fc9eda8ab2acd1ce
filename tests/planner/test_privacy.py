"""The change log, and blanking a private customer: who it was goes, what was sent to it stays."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth import get_user_model
from django.core.management import call_command
from django.db import IntegrityError, InternalError, connection, transaction
from django.utils import timezone
from rest_framework.test import APIClient

from inventory import clock
from inventory.errors import WrongState
from inventory.ledger import verify
from inventory.models import Alert, ChangeRecord, Demand, Dispatch, Item, Party, RetryKey
from inventory.services import dispatching
from inventory.services.items import change_item, make_item
from inventory.services.parties import change_party, make_party
from inventory.transactions import retry_safe
from planner.models import Notice
from planner.notices.models import NoticeAct, Upkeep, UpkeepDone
from planner.people import change_person, make_person
from planner.privacy import blank
from planner.selectors import trace_document
from tests.inventory.builders import make_item as an_item
from tests.inventory.builders import make_stock
from tests.tables import load

pytestmark = pytest.mark.django_db

SECRETS = ("MIRA-OAKES", "Mira Oakes", "mira@post.example", "555 0199", "Mill Lane 4", "for Mira", "wedding")


@pytest.fixture
def mira() -> Party:
    """A private customer, who got five of ten jars."""
    facts = {"name": "Mira Oakes", "role": "customer", "email": "mira@post.example", "address": "Mill Lane 4"}
    party = make_party(code="MIRA-OAKES", facts=facts)
    change_party(party=party, changes={"phone": "555 0199"})
    portion = make_stock(an_item("JAR", kind="product", measure="count"), 10, number="J1")
    demand = dispatching.want(
        item=portion.lot.item,
        quantity=5,
        due_on=clock.today() + timedelta(days=3),
        customer=party,
        reference="for Mira",
    )
    dispatching.dispatch(
        customer=party,
        lines=[dispatching.Leaving(portion=portion, quantity=5, demand=demand)],
        reference="wedding",
    )
    return party


def everything_told() -> str:
    """All rows of all tables but those of people and sessions, as text."""
    told = []
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names(cursor):
            if not table.startswith(("auth_", "django_")):
                cursor.execute(f"SELECT * FROM {table}")
                told.append(str(cursor.fetchall()))
    return "\n".join(told)


def test_nothing_tells_who_it_was_and_the_trace_still_finds_what_it_got(mira: Party) -> None:
    Alert.objects.create(kind="reorder", subject="JAR", message="MIRA-OAKES waits", facts={"for": ["MIRA-OAKES"]})
    Notice.objects.create(
        key="late:MIRA-OAKES/wedding", kind="demand_late", subject={"customer": "MIRA-OAKES"}, what="for Mira Oakes",
        cause=1, due_on=clock.today(), overdue_on=clock.today(), opened_at=timezone.now(), updated_at=timezone.now(),
    )  # fmt: skip
    day, told_of = clock.today(), "Mira Oakes rang, MIRA-OAKES waits"
    NoticeAct.objects.create(notice=Notice.objects.get(), kind="done", why=told_of, acted_at=timezone.now())
    job = Upkeep.objects.create(code="CALL", name="ring Mira Oakes", note="at 555 0199", first_on=day, next_on=day)
    UpkeepDone.objects.create(upkeep=job, due_on=day, done_on=day, why="wrote to mira@post.example")
    retry_safe("k-1", "parties", {}, lambda: {"party": "MIRA-OAKES", "name": "Mira Oakes"})
    retry_safe("k-2", "parties", {}, lambda: {"party": "OTHER"})
    before = trace_document(number="J1", item="JAR", forward=True)
    assert all(secret in everything_told() for secret in SECRETS)

    party = blank(party=mira)

    told = everything_told()
    assert [secret for secret in SECRETS if secret in told] == []
    assert NoticeAct.objects.get().why == f"blanked rang, {party.code} waits"
    assert UpkeepDone.objects.get().why == "wrote to blanked"
    assert (party.code, party.name) == (f"PARTY-{party.pk}", "blanked")
    after = trace_document(number="J1", item="JAR", forward=True)
    assert after["lots"] == before["lots"]
    (sent,) = after["dispatches"]
    assert (sent["customer"], sent["quantity"], sent["reference"]) == (party.code, "5 pc", "")
    assert verify() == []
    assert Dispatch.objects.get().customer == party
    assert set(RetryKey.objects.values_list("key", flat=True)) == {"k-2"}


def test_a_code_that_tells_no_name_may_stay(mira: Party) -> None:
    assert blank(party=mira, keep_code=True).code == "MIRA-OAKES"
    assert Party.objects.get(code="MIRA-OAKES").email == ""
    assert "Mira Oakes" not in everything_told()


def test_nothing_is_blanked_while_something_is_still_to_be_sent(mira: Party) -> None:
    item = Item.objects.get(code="JAR")
    demand = dispatching.want(item=item, quantity=2, due_on=clock.today(), customer=mira, reference="more")
    before = everything_told()
    with pytest.raises(WrongState, match="still wanted by MIRA-OAKES"):
        blank(party=mira)
    assert everything_told() == before
    Demand.objects.filter(pk=demand.pk).update(closed_at=timezone.now())
    assert blank(party=mira).name == "blanked"


def test_the_act_itself_is_in_the_log_and_other_records_are_left_alone(mira: Party) -> None:
    make_party(code="MIRA", facts={"name": "Mirabel Works", "role": "supplier"})
    party = blank(party=mira)
    rows = ChangeRecord.objects.filter(code=party.code).order_by("pk")
    assert [(row.act, row.field, row.before, row.after) for row in rows] == [
        ("made", "", "", ""),
        ("changed", "phone", "", ""),
        ("blanked", "", "", ""),
    ]
    assert "Mirabel Works" in ChangeRecord.objects.get(code="MIRA").after


def test_two_references_of_one_day_stay_two_and_a_number_tells_nobody(mira: Party) -> None:
    """A reference such as "1" is a word of half the texts in the books: only beside the party's code is it its own."""
    item, day = Item.objects.get(code="JAR"), clock.today()
    wanted = [
        dispatching.want(item=item, quantity=1, due_on=day, customer=mira, reference=told) for told in ("1", "2", "tea")
    ]
    for demand in wanted:
        name, key = f"MIRA-OAKES {demand.reference}: JAR", f"demand_late:JAR/{day}/MIRA-OAKES/{demand.reference}"
        Notice.objects.create(
            key=key, kind="demand_late", subject={"customer": "MIRA-OAKES", "reference": demand.reference}, what=name,
            cause=demand.pk, due_on=day, overdue_on=day, opened_at=timezone.now(), updated_at=timezone.now(),
        )  # fmt: skip
    Demand.objects.update(closed_at=timezone.now())
    facts = {"order_by": "2027-01-01", "count": 1, "for": ["demand:MIRA-OAKES/1", "demand:OTHER/1"]}
    Alert.objects.create(kind="reorder", subject="JAR", message="order 1 x 1 kg", facts=facts)
    Alert.objects.create(kind="reorder", subject="TIN", message="order 1 x 2 kg", facts={"count": 1, "tea": "tea"})

    party = blank(party=mira)

    for demand in wanted:
        notice, own = Notice.objects.get(cause=demand.pk), f"blanked-{demand.pk}"
        assert notice.key == f"demand_late:JAR/{day}/{party.code}/{own}"
        assert (notice.what, notice.subject) == (f"{party.code} {own}: JAR", {"customer": party.code, "reference": own})
        assert Demand.objects.get(pk=demand.pk).reference == own
    jar, tin = Alert.objects.order_by("pk")
    assert jar.message == "order 1 x 1 kg"
    assert jar.facts == facts | {"for": [f"demand:{party.code}/blanked-{wanted[0].pk}", "demand:OTHER/1"]}
    assert (tin.message, tin.facts) == ("order 1 x 2 kg", {"count": 1, "tea": "tea"})


# --- the log -----------------------------------------------------------------------------------------------


def told(**names: Any) -> list[tuple[str, str, str, str]]:
    rows = ChangeRecord.objects.filter(**names).order_by("pk")
    return [(row.act, row.field, row.before, row.after) for row in rows]


def test_each_field_that_changed_is_a_row_as_people_write_it() -> None:
    make_item(code="OIL", facts={"name": "Oil", "kind": "raw", "safety_stock": "2 kg"})
    change_item(code="OIL", changes={"name": "Sunny oil", "safety_stock": "2.5 kg", "max_percent": 125_000})
    change_item(code="OIL", changes={"name": "Sunny oil"})  # nothing new
    made, *changed = told(kind="item", code="OIL")
    assert (made[0], json.loads(made[3])["safety_stock"]) == ("made", "2000 g")
    assert sorted(changed) == [
        ("changed", "max_percent", "", "12.5"),
        ("changed", "name", "Oil", "Sunny oil"),
        ("changed", "safety_stock", "2000 g", "2500 g"),
    ]


def test_people_and_their_roles_are_told_and_never_a_password() -> None:
    make_person(username="ida", password="seven warm stones", roles=["owner"])
    make_person(username="ben", password="nine quiet hills", roles=["helper"])
    change_person(username="ben", roles=["helper", "maker"], password="eleven slow rivers")
    assert told(kind="person", code="ben")[1:] == [
        ("changed", "roles", "helper", "helper maker"),
        ("changed", "password", "", "changed"),
    ]
    assert not any(word in str(told()) for word in ("quiet", "rivers", "stones"))


def test_tables_that_are_loaded_are_told_by_field_and_equal_rows_are_not(tmp_path: Path) -> None:
    tables = {
        "items": [{"item": "OIL", "name": "Oil", "kind": "raw"}],
        "parties": [{"party": "HILL", "name": "Hill", "role": "supplier"}],
        "offers": [{"supplier": "HILL", "item": "OIL", "pack": "5 kg", "price": "40", "lead_time_days": 3}],
        "settings": [{"key": "currency", "value": "EUR"}],
    }
    load(tmp_path / "one", tables)
    load(tmp_path / "two", tables)
    assert sorted(row[0] for row in told()) == ["changed", "made", "made", "made"]
    tables["offers"][0]["price"] = "42.50"
    tables["items"][0]["name"] = "Sunny oil"
    load(tmp_path / "three", tables)
    assert told()[4:] == [("changed", "name", "Oil", "Sunny oil"), ("changed", "price", "40", "42.5")]
    offer = ChangeRecord.objects.filter(kind="offer").first()
    assert offer is not None
    assert (offer.code, offer.detail) == ("HILL", "OIL 5000 g")


def test_formulas_tell_their_lines_and_their_status(tmp_path: Path) -> None:
    tables: dict[str, list[dict[str, object]]] = {
        "items": [
            {"item": "OIL", "name": "Oil", "kind": "raw"},
            {"item": "RUB", "name": "Rub", "kind": "product", "shelf_life_days": 30},
        ],
        "formulas": [{"formula": "RUB", "item": "RUB", "basis": "percent"}],
        "formula_lines": [{"formula": "RUB", "position": 1, "item": "OIL", "amount": "100"}],
    }
    load(tmp_path / "one", tables)
    tables["formula_lines"][0]["amount"] = "qs"
    load(tmp_path / "two", tables)
    tables["formulas"][0]["status"] = "approved"
    load(tmp_path / "three", tables)
    assert told(kind="formula")[1:] == [
        ("changed", "lines", "1 OIL 100", "1 OIL qs"),
        ("changed", "status", "draft", "approved"),
    ]


def test_who_did_it_is_told_by_each_door(tmp_path: Path) -> None:
    person = make_person(username="ida", password="seven warm stones", roles=["owner"])
    client = APIClient()
    client.force_login(person)
    body = {"party": "FORD", "name": "Ford", "role": "customer"}
    assert client.post("/api/v1/parties", body, format="json").status_code == 201
    (tmp_path / "t").mkdir()
    (tmp_path / "t" / "items.csv").write_text("item,name,kind\nWAX,Wax,raw\n")
    call_command("load", str(tmp_path / "t"), "--as", "ida", "--json")
    make_item(code="OIL", facts={"name": "Oil", "kind": "raw"})
    who = dict(ChangeRecord.objects.values_list("code", "who__username"))
    assert who == {"ida": None, "FORD": "ida", "WAX": "ida", "OIL": None}


def test_the_database_refuses_to_change_the_log_and_lets_a_blanking_through_once(mira: Party) -> None:
    row = ChangeRecord.objects.filter(code="MIRA-OAKES", field="phone").get()
    now = timezone.now()
    refused: list[dict[str, Any]] = [
        {"after": "555"},
        {"after": "555", "blanked_at": now},
        {"who": get_user_model().objects.create(username="somebody"), "blanked_at": now, "after": ""},
        {"field": "name", "blanked_at": now},
        {"recorded_at": now, "blanked_at": now},
        {"code": "OTHER"},
    ]
    for change in refused:
        with pytest.raises((IntegrityError, InternalError), match="only grows"), transaction.atomic():
            ChangeRecord.objects.filter(pk=row.pk).update(**change)
    with pytest.raises((IntegrityError, InternalError), match="only grows"), transaction.atomic():
        ChangeRecord.objects.filter(pk=row.pk).delete()
    ChangeRecord.objects.filter(pk=row.pk).update(after="", code="PARTY-1", blanked_at=now)
    with pytest.raises((IntegrityError, InternalError), match="only grows"), transaction.atomic():
        ChangeRecord.objects.filter(pk=row.pk).update(code="OTHER", blanked_at=now)


def test_the_log_is_read_by_record_and_person_latest_first() -> None:
    owner = make_person(username="ida", password="seven warm stones", roles=["owner"])
    client = APIClient()
    client.force_login(owner)
    client.patch("/api/v1/settings", {"currency": "EUR"}, format="json")
    client.patch("/api/v1/settings", {"currency": "CHF"}, format="json")
    rows = client.get("/api/v1/changes?kind=setting&code=currency&who=ida").json()["rows"]
    assert [(row["before"], row["after"], row["who"]) for row in rows] == [("EUR", "CHF", "ida"), ("", "EUR", "ida")]
    assert client.get("/api/v1/changes?who=nobody").status_code == 400
