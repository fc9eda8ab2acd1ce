"""The main job through HTTP alone, from an empty database to the trace, by a client that knows only the schema."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

import pytest

from tests.planner.test_serve import ROOT, free_port, page, variables

TODAY = date.today()  # noqa: DTZ011
Json = dict[str, Any]


class Refused(Exception):
    def __init__(self, status: int, problem: Json) -> None:
        super().__init__(f"{status} {problem}")
        self.status, self.problem = status, problem


class Program:
    """A client made from the published schema: operations by name, and nothing that the schema does not tell.

    Raises AssertionError for a field, a parameter or a status that is not documented.
    """

    def __init__(self, base: str, headers: Json | None = None) -> None:
        self.base, self.token, self.headers = base, "", headers or {}
        self.operations: dict[str, tuple[str, str, Json]] = {}
        self.schemas: Json = {}

    def sign_in(self, username: str, password: str) -> None:
        told = {"username": username, "password": password}
        answer = self._send("POST", "/api/v1/tokens", told)
        self.token = answer["token"]
        schema = self._send("GET", "/api/v1/schema", None)
        self.schemas = schema["components"]["schemas"]
        for path, methods in schema["paths"].items():
            for method, operation in methods.items():
                self.operations[operation["operationId"]] = (method.upper(), path, operation)

    def call(self, name: str, body: Json | None = None, **given: Any) -> Any:
        method, path, operation = self.operations[name]
        query = {}
        for one in operation.get("parameters", []):
            if one["name"] in given:
                value = str(given.pop(one["name"]))
                if one["in"] == "path":
                    path = path.replace(f"{{{one['name']}}}", quote(value, safe=""))
                else:
                    query[one["name"]] = value
        assert not given, f"{name} does not take {given}"
        if body is not None:
            (content,) = operation["requestBody"]["content"].values()
            self._documented(content["schema"], body, name)
        address = path + (f"?{urlencode(query)}" if query else "")
        try:
            return self._send(method, address, body)
        except Refused as refused:
            if str(refused.status) not in operation["responses"]:
                raise AssertionError(f"{name} answers what is not documented: {refused}") from refused
            raise

    def _documented(self, schema: Json, value: Any, where: str) -> None:
        if "allOf" in schema:
            (schema,) = schema["allOf"]
        if "$ref" in schema:
            schema = self.schemas[schema["$ref"].rsplit("/", 1)[1]]
        if isinstance(value, dict):
            unknown = value.keys() - schema["properties"].keys()
            assert not unknown, f"{where}: the schema does not tell {unknown}"
            for key, inner in value.items():
                self._documented(schema["properties"][key], inner, f"{where}.{key}")
        elif isinstance(value, list):
            for inner in value:
                self._documented(schema["items"], inner, where)

    def _send(self, method: str, address: str, body: Json | None) -> Any:
        headers = self.headers | {"Accept": "application/json"}
        if self.token:
            headers["Authorization"] = f"Token {self.token}"
        data = None
        if body is not None:
            data, headers["Content-Type"] = json.dumps(body).encode(), "application/json"
        request = urllib.request.Request(self.base + address, data=data, method=method, headers=headers)
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:
                content = answer.read()
        except urllib.error.HTTPError as error:
            raise Refused(error.code, json.loads(error.read())) from None
        return json.loads(content) if content else None


@pytest.fixture
def served(tmp_path: Path) -> Iterator[str]:
    """The one-process form on an empty database that holds one person."""
    environment = variables(tmp_path / "house.sqlite3")
    subprocess.run([sys.executable, "manage.py", "stock", "--json"], cwd=ROOT, env=environment, check=True)
    first = {"DJANGO_SUPERUSER_PASSWORD": "seven warm stones", "DJANGO_SUPERUSER_USERNAME": "olive"}
    subprocess.run(
        [sys.executable, "manage.py", "createsuperuser", "--noinput", "--email", "olive@shed.example"],
        cwd=ROOT,
        env=environment | first,
        check=True,
    )
    port = free_port()
    process = subprocess.Popen(
        [sys.executable, "manage.py", "serve", "--port", str(port)],
        cwd=ROOT,
        env=environment | {"PYTHONUNBUFFERED": "1"},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        base = f"http://127.0.0.1:{port}"
        page(f"{base}/")
        yield base
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(timeout=30)


ITEMS: list[Json] = [
    {"item": "OIL", "name": "Sunny oil", "kind": "raw", "shelf_life_days": 365},
    {"item": "HERB", "name": "Dried petals", "kind": "raw", "shelf_life_days": 400},
    {"item": "WAX", "name": "Pale wax", "kind": "raw", "shelf_life_days": 900},
    {"item": "JAR", "name": "Jar 30 mL", "kind": "packaging", "measure": "count"},
    {"item": "INFUSION", "name": "Petal oil", "kind": "intermediate", "shelf_life_days": 120},
    {"item": "BASE", "name": "Balm, bulk", "kind": "intermediate", "shelf_life_days": 180},
    {"item": "BALM-30", "name": "Petal balm", "kind": "product", "measure": "count", "shelf_life_days": 360},
]
FORMULAS: list[Json] = [
    {
        "formula": "INFUSION", "item": "INFUSION", "basis": "percent", "yield_percent": "80",
        "lines": [{"item": "OIL", "amount": "90"}, {"item": "HERB", "amount": "10"}],
    },
    {
        "formula": "BASE", "item": "BASE", "basis": "percent", "loss": "20 g",
        "lines": [{"item": "INFUSION", "amount": "qs"}, {"item": "WAX", "amount": "20"}],
        "steps": [{"text": "Melt in the water bath. Hot vessel: gloves.", "temperature_c": "75"}],
    },
    {
        "formula": "FILL", "item": "BALM-30", "basis": "per_unit",
        "lines": [{"item": "BASE", "amount": "30 g"}, {"item": "JAR", "amount": "1 pc"}],
    },
]  # fmt: skip


@pytest.mark.slow
def test_from_an_empty_database_to_the_trace(served: str) -> None:
    main_job(served)


def main_job(base: str, headers: Json | None = None) -> None:
    """All of it, on an empty database that holds the person olive. ``headers`` are those that a proxy would set."""
    owner, maker, quality = (Program(base, headers) for _ in range(3))
    owner.sign_in("olive", "seven warm stones")
    owner.call("patch_settings", {"currency": "EUR"})
    for name, roles in (("marlo", ["maker", "buyer"]), ("quill", ["quality"])):
        owner.call("post_people", {"person": name, "password": f"{name} has nine kettles", "roles": roles})
    maker.sign_in("marlo", "marlo has nine kettles")
    quality.sign_in("quill", "quill has nine kettles")

    # What the workshop is: items, parties, offers, methods.
    for item in ITEMS:
        maker.call("post_items", item)
    maker.call("post_parties", {"party": "MILL", "name": "The mill", "role": "supplier"})
    maker.call("post_parties", {"party": "STALL", "name": "The stall", "role": "customer"})
    for item, pack, price in (("OIL", "1 kg", "9.50"), ("HERB", "250 g", "4.00"), ("WAX", "500 g", "7.25")):
        offer = {"supplier": "MILL", "item": item, "pack": pack, "price": price, "lead_time_days": 3}
        maker.call("post_offers", offer)
    for formula in FORMULAS:
        maker.call("post_formulas", formula)
        with pytest.raises(Refused) as refused:
            maker.call("post_formula_version_approve", formula=formula["formula"], version=1)
        assert refused.value.status == 403
        quality.call("post_formula_version_approve", formula=formula["formula"], version=1)
    maker.call(
        "post_opening_stock",
        {"rows": [{"item": "JAR", "lot": "J-1", "quantity": "100 pc", "status": "released"}], "why": "first count"},
    )

    # What is wanted, and what the plan says to buy: it is bought, comes, and is released.
    due = TODAY + timedelta(days=21)
    wanted = {
        "item": "BALM-30",
        "quantity": "40 pc",
        "due_on": due.isoformat(),
        "customer": "STALL",
        "reference": "S-1",
    }
    maker.call("post_demands", wanted)
    plan = maker.call("get_plan", weeks=8)
    assert {row["item"] for row in plan["make"]} == {"BALM-30", "BASE", "INFUSION"}
    assert {row["item"]: row["quantity"] for row in plan["buy"]} == {"OIL": "2000 g", "HERB": "250 g", "WAX": "500 g"}
    proposals = {"proposals": [row["id"] for row in plan["buy"]], "from": plan["from"], "weeks": 8}
    ordered = maker.call("post_proposal_accept", proposals)["accepted"]
    assert [row["again"] for row in maker.call("post_proposal_accept", proposals)["accepted"]] == [True] * 3
    for row in ordered:
        order = maker.call("get_purchase_order", order=row["result"])
        (line,) = order["lines"]
        coming = {"item": line["item"], "quantity": line["open"], "order": order["order"], "due_on": line["due_on"]}
        coming["supplier_lot"] = f"MILL {line['item']} 7"
        (lot,) = maker.call("post_receipts", {"supplier": "MILL", "lots": [coming]})["lots"]
        assert lot["status"] == "quarantine"
        quality.call("post_lot_release", {"why": "papers looked at"}, item=lot["item"], lot=lot["lot"])

    # What the plan says to make is made, level by level.
    for item in ("INFUSION", "BASE", "BALM-30"):
        plan = maker.call("get_plan", weeks=8)
        proposal = next(row["id"] for row in plan["make"] if row["item"] == item)
        accepted = maker.call("post_proposal_accept", {"proposals": [proposal], "from": plan["from"], "weeks": 8})
        make(maker, quality, accepted["accepted"][0]["result"])
    plan = maker.call("get_plan", weeks=8)
    assert (plan["make"], plan["buy"], plan["unmet"]) == ([], [], [])

    # It leaves, and is found again: by the supplier's number, however it is written.
    (packed,) = maker.call("get_lots", item="BALM-30")["rows"]
    dispatched = maker.call(
        "post_dispatches",
        {
            "customer": "STALL",
            "reference": "S-1",
            "lines": [
                {"item": "BALM-30", "lot": packed["lot"], "quantity": "40 pc",
                 "demand": {"due_on": due.isoformat(), "reference": "S-1"}}
            ],
        },
    )  # fmt: skip
    assert dispatched["customer"] == "STALL"
    trace = quality.call("get_trace", lot="mill-oil-7")
    assert {row["item"] for row in trace["lots"]} == {"OIL", "INFUSION", "BASE", "BALM-30"}
    assert [(row["customer"], row["quantity"]) for row in trace["dispatches"]] == [("STALL", "40 pc")]
    assert {row["accounted_percent"] for row in trace["lots"]} == {"100.00"}
    back = quality.call("get_trace", lot=packed["lot"], item="BALM-30", direction="backward")
    assert {"OIL", "HERB", "WAX", "JAR"} < {row["item"] for row in back["lots"]}

    # A doubt holds all of it, in one action.
    (oil,) = maker.call("get_lots", item="OIL")["rows"]
    held = quality.call(
        "post_trace_hold", {"lots": [{"item": "OIL", "lot": oil["lot"]}], "why": "a call from the mill"}
    )
    assert {row["item"] for row in held["decisions"]} == {"OIL", "INFUSION", "BASE", "BALM-30"}
    with pytest.raises(Refused) as refused:
        maker.call(
            "post_dispatches",
            {"customer": "STALL", "lines": [{"item": "BALM-30", "lot": packed["lot"], "quantity": "1 pc"}]},
        )
    assert (refused.value.status, refused.value.problem["code"]) == (409, "unusable")
    assert quality.call("get_verification")["ok"] is True


def make(maker: Program, quality: Program, batch: str) -> None:
    """Set aside, weigh every line from what was set aside, finish, release."""
    taken = maker.call("post_batch_reserve", {}, batch=batch)["taken"]
    maker.call("post_batch_start", {}, batch=batch)
    for part in taken:
        reading = {name: part[name] for name in ("position", "lot", "place", "container", "quantity")}
        maker.call("post_batch_weigh", reading, batch=batch)
    sheet = maker.call("get_batch", batch=batch)
    for step in sheet["steps"]:
        maker.call("post_batch_sign_step", {"position": step["position"]}, batch=batch)
    finished = maker.call("post_batch_finish", {"made": sheet["expected_output"]}, batch=batch)
    (lot,) = finished["lots"]
    quality.call("post_lot_release", {"why": "looks, smells and spreads well"}, item=lot["item"], lot=lot["lot"])
