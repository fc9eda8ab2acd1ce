"""Upkeep and protocols as pages."""

from __future__ import annotations

from django.test import Client
from django.urls import reverse

from planner.notices.models import Upkeep
from production.models import Protocol
from tests.planner.pages.house import read

Shop = dict[str, Client]
SCALE = {
    "upkeep": "SCALE-1", "name": "Check the small scale", "note": "20 g, twice", "every": "1", "unit": "month",
    "first_on": "2027-03-01", "soon_days": "3", "role": "maker", "person": "",
}  # fmt: skip
SHORT = {
    "protocol": "SHORT", "name": "Short look", "samples_per_pull": "2",
    "conditions[0].condition": "25 C", "conditions[0].temperature_c": "25",
    "conditions[2].condition": "frost and thaw", "conditions[2].temperature_c": "-10", "conditions[2].cycle_to_c": "25",
    "conditions[2].cycle_days": "2",
    "pull_times[0].count": "0", "pull_times[0].unit": "week", "pull_times[1].count": "", "pull_times[1].unit": "month",
    "pull_times[2].count": "3", "pull_times[2].unit": "cycle",
    "tests[0].test": "pH", "tests[0].low": "4.5", "tests[0].high": "5.5",
}  # fmt: skip


def test_a_job_is_written_down_done_and_comes_again(workshop: Shop) -> None:
    answer = workshop["maker"].post(reverse("upkeep-add"), SCALE)
    assert answer["Location"] == reverse("upkeep-job", kwargs={"upkeep": "SCALE-1"})
    assert "overdue" in read(workshop["helper"].get(answer["Location"])).words
    done = reverse("upkeep-done", kwargs={"upkeep": "SCALE-1"})
    ahead = workshop["helper"].post(done, {"done_on": "2027-03-20"})
    assert ahead.status_code == 400
    assert "today or a day before" in read(ahead).words
    assert workshop["helper"].post(done, {"done_on": "2027-03-09", "why": "reads 20.00 g"}).status_code == 303
    words = read(workshop["viewer"].get(answer["Location"])).words
    assert "reads 20.00 g" in words
    assert Upkeep.objects.get(code="SCALE-1").next_on.isoformat() == "2027-04-01"  # type: ignore[union-attr]


def test_a_job_is_changed_and_what_is_emptied_is_gone(workshop: Shop) -> None:
    workshop["maker"].post(reverse("upkeep-add"), SCALE)
    where = reverse("upkeep-change", kwargs={"upkeep": "SCALE-1"})
    both = workshop["maker"].post(where, SCALE | {"person": "maker"})
    assert both.status_code == 400
    assert "for a role or for a person" in read(both).words
    asks = SCALE | {"note": "", "role": "", "person": "maker", "every": "", "retired": "yes"}
    assert workshop["maker"].post(where, asks).status_code == 303
    job = Upkeep.objects.get(code="SCALE-1")
    assert (job.note, job.role, job.every, job.retired) == ("", "", None, True)
    assert job.person is not None
    assert "SCALE-1" not in read(workshop["maker"].get(reverse("upkeep"))).words
    assert "SCALE-1" in read(workshop["maker"].get(reverse("upkeep"), {"retired": "yes"})).words
    assert workshop["maker"].post(where, SCALE).status_code == 303
    job.refresh_from_db()
    assert not job.retired


def test_a_protocol_is_written_with_empty_lines_passed_over(workshop: Shop) -> None:
    answer = workshop["quality"].post(reverse("protocol-new"), SHORT)
    assert answer["Location"] == reverse("protocol", kwargs={"protocol": "SHORT"})
    protocol = Protocol.objects.get(code="SHORT")
    assert list(protocol.conditions.order_by("position").values_list("name", flat=True)) == ["25 C", "frost and thaw"]
    assert protocol.pull_times.count() == 2
    assert "qualified safety assessor" in read(workshop["viewer"].get(answer["Location"])).words


def test_a_protocol_is_shown_as_it_stands_and_written_anew(workshop: Shop) -> None:
    workshop["quality"].post(reverse("protocol-new"), SHORT)
    where = reverse("protocol-change", kwargs={"protocol": "SHORT"})
    page = read(workshop["quality"].get(where))
    stands = {one["name"]: one.get("value", "") for one in page.tags["input"]}
    assert (stands["conditions[1].cycle_days"], stands["tests[0].high"]) == ("2", "5.5")
    asks = {name: value for name, value in SHORT.items() if name != "protocol"} | {"name": "Long look"}
    assert workshop["quality"].post(where, asks).status_code == 303
    assert Protocol.objects.get(code="SHORT").name == "Long look"


def test_a_wrong_line_of_a_protocol_is_told_at_its_line(workshop: Shop) -> None:
    answer = workshop["quality"].post(reverse("protocol-new"), SHORT | {"conditions[2].humidity_percent": "120"})
    assert answer.status_code == 400
    wrong = [one for one in read(answer).tags["input"] if one.get("aria-invalid") == "true"]
    assert [one["name"] for one in wrong] == ["conditions[2].humidity_percent"]
    assert not Protocol.objects.filter(code="SHORT").exists()
    more = read(workshop["quality"].post(reverse("protocol-new"), SHORT | {"side": "more:tests"}))
    assert any(one["name"] == "tests[6].test" for one in more.tags["input"])
