"""The commands as a person types them: exit codes, one JSON object and nothing else, sentences on standard error."""

from __future__ import annotations

import json
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth import get_user_model
from django.core.management import CommandError, call_command
from django.db import DatabaseError, IntegrityError, OperationalError, connection

from tests.planner.small_house import FROM, set_up
from tests.tables import run_json

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _house(tmp_path: Path) -> None:
    set_up(tmp_path)


def run(*arguments: object) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of a command."""
    out, err = StringIO(), StringIO()
    try:
        call_command(*[str(argument) for argument in arguments], stdout=out, stderr=err)
    except SystemExit as stop:
        return int(stop.code or 0), out.getvalue(), err.getvalue()
    return 0, out.getvalue(), err.getvalue()


def test_the_plan_is_a_table_a_person_can_read() -> None:
    code, out, _ = run("plan", "--from", FROM, "--weeks", 4)
    assert code == 0
    assert "Plan from 2027-03-01 to 2027-03-28" in out
    assert "200 g of WAX short" in out
    assert "1 x 100 pc HOLLOW" in out
    assert "qualified safety assessor" in out


def test_the_plan_has_the_agreed_keys_and_is_the_same_twice() -> None:
    answer = run_json("plan", "--from", FROM, "--weeks", 4)
    assert list(answer) == ["from", "to", "requirements", "batches", "make", "buy", "expiring", "unmet"]
    assert (answer["from"], answer["to"]) == ("2027-03-01", "2027-03-28")
    assert (
        run("plan", "--from", FROM, "--weeks", 4, "--json")[1] == run("plan", "--from", FROM, "--weeks", 4, "--json")[1]
    )


@pytest.mark.parametrize(
    "arguments",
    [
        ("--from", "2027-02-30"),
        ("--from", "tomorrow"),
        ("--from", "9999-12-30"),
        ("--from", "0001-01-01"),
        ("--weeks", "0"),
        ("--weeks", "x"),
        ("--weeks", "-1"),
    ],
)
def test_wrong_arguments_of_plan_are_refused(arguments: tuple[str, str]) -> None:
    with pytest.raises(CommandError):
        call_command("plan", *arguments)


def test_stock_tells_portions_and_value() -> None:
    answer = run_json("stock")
    (oil,) = [row for row in answer["portions"] if row["item"] == "OIL"]
    assert (oil["quantity"], oil["unit_cost"], oil["unit"], oil["value"]) == ("2400 g", "8.00", "kg", "19.20")
    assert (answer["value"], answer["unvalued"]) == ("19.20", 2)


def test_stock_before_the_opening_day_is_empty() -> None:
    assert run_json("stock", "--on", "2020-01-01")["portions"] == []


def test_a_trace_by_any_number_folded() -> None:
    answer = run_json("trace", "hh77A", "--item", "OIL")
    assert (answer["lot"], answer["item"], answer["direction"]) == ("O1", "OIL", "forward")
    (lot,) = answer["lots"]
    assert (lot["opening"], lot["on_hand"], lot["accounted_percent"], lot["origin"]) == (
        "2400 g",
        "2400 g",
        "100.00",
        "opening",
    )


def test_a_number_that_fits_several_lots_exits_with_2_and_the_list() -> None:
    code, out, err = run("trace", "HH-77-A", "--json")
    assert code == 2
    assert {row["item"] for row in json.loads(out)["lots"]} == {"OIL", "WAX"}
    assert "fits several lots" in err


def test_a_backward_trace_does_not_say_that_nothing_left_the_house() -> None:
    _, forward, _ = run("trace", "hh77A", "--item", "OIL")
    _, backward, _ = run("trace", "hh77A", "--item", "OIL", "--backward")
    assert "Nothing of it left the house" in forward
    assert "left the house" not in backward
    assert "Still here, and where" in backward


def test_an_unknown_number_is_told() -> None:
    code, out, err = run("trace", "nothing", "--json")
    assert code == 1
    assert json.loads(out)["code"] == "not_found"
    assert 'no lot bears the number "nothing"' in err


def test_verify_ledger_is_clean_and_finds_what_was_tampered_with() -> None:
    assert run("verify_ledger") == (0, "The ledger and the balances agree.\n", "")
    with connection.cursor() as cursor:
        cursor.execute("UPDATE inventory_portion SET on_hand = on_hand + 7 WHERE on_hand = 2400000")
    code, out, _ = run("verify_ledger", "--json")
    answer: dict[str, Any] = json.loads(out)
    assert (code, answer["ok"]) == (1, False)
    assert {row["what"] for row in answer["differences"]} >= {"on_hand"}
    assert "the books say 2400.007 g, the ledger adds up to 2400 g" in answer["differences"][0]["sentence"]


def test_the_columns_of_a_trace_stand_in_the_order_of_the_balance() -> None:
    (lot,) = run_json("trace", "hh77A", "--item", "OIL")["lots"]
    columns = "opening received made returned counted corrected used dispatched sent_back sampled discarded on_hand"
    names = list(lot)
    begin = names.index("from_origin") + 1
    assert names[begin:] == [*columns.split(), "accounted_percent"]


@pytest.mark.parametrize(
    "error", [OperationalError("unable to open database file"), DatabaseError("file is not a database")]
)
def test_a_database_that_cannot_be_used_is_told_in_a_sentence(
    monkeypatch: pytest.MonkeyPatch, error: DatabaseError
) -> None:
    def broken() -> None:
        raise error

    monkeypatch.setattr("planner.management.door.ensure_schema", broken)
    code, out, err = run("stock", "--json")
    assert (code, json.loads(out)["code"]) == (1, "database")
    assert f"cannot be used: {error}" in err


def test_a_mistake_of_our_own_is_not_laid_on_the_database(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> None:
        raise IntegrityError("portion_reserved_within_on_hand")

    monkeypatch.setattr("planner.management.door.ensure_schema", broken)
    with pytest.raises(IntegrityError):
        run("stock")


def test_an_unknown_user_is_refused() -> None:
    code, _, err = run("plan", "--from", FROM, "--as", "nobody")
    assert code == 1
    assert 'no user "nobody"' in err


def test_a_known_user_is_taken() -> None:
    get_user_model().objects.create_user("ida")
    assert run("plan", "--from", FROM, "--as", "ida")[0] == 0


@pytest.mark.parametrize("name", ["plan", "stock", "trace", "load", "export", "verify_ledger", "serve", "demo"])
def test_every_command_has_help(name: str) -> None:
    with pytest.raises(SystemExit) as stop:
        call_command(name, "--help")
    assert stop.value.code == 0
