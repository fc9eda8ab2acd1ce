"""Tables brought in by the pages: looked at first, every fault in its cell, written when somebody agrees."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from inventory.models import ChangeRecord, Item
from inventory.services.items import change_item
from planner.exchange import exported_tables, workbook_bytes
from planner.jobs import services
from planner.jobs.models import Job, JobFile
from planner.jobs.running import run
from tests.planner.pages.areas.workshop import CSV
from tests.planner.pages.house import read

Shop = dict[str, Client]


def bring(shop: Shop, *files: tuple[str, bytes], as_role: str = "owner") -> Any:
    sent = [SimpleUploadedFile(name, content) for name, content in files]
    return shop[as_role].post(reverse("bring-in"), {"file": sent})


def looked_at(shop: Shop, *files: tuple[str, bytes]) -> tuple[Job, Any]:
    answer = bring(shop, *files)
    assert answer.status_code == 303, read(answer).words
    job = Job.objects.order_by("-pk")[0]
    assert answer["Location"] == reverse("bring-in-look", kwargs={"job": job.uid})
    run(job.uid)
    job.refresh_from_db()
    return job, shop["owner"].get(answer["Location"])


def cells(answer: Any, kind: str) -> list[str]:
    """The texts of the table cells of a class."""
    found = []
    for part in answer.content.decode().split(f'class="{kind}">')[1:]:
        end = min(at for at in (part.find("</td>"), part.find("</th>")) if at >= 0)
        found.append(part[:end])
    return found


def test_what_would_change_is_shown_and_nothing_is_written(workshop: Shop) -> None:
    before = Item.objects.get(code="KAOLIN").name
    _, page = looked_at(workshop, ("items.csv", CSV))
    words = read(page).words
    assert "What would change" in words
    assert "NEW-CLAY" in words
    changed = cells(page, "changed")
    assert len(changed) == 1
    assert f"<del>{before}</del>" in changed[0]
    assert "White clay of another hill" in changed[0]
    assert read(page).faults == []
    assert not Item.objects.filter(code="NEW-CLAY").exists()
    assert Item.objects.get(code="KAOLIN").name == before


def test_who_agrees_brings_it_in_once(workshop: Shop) -> None:
    job, _ = looked_at(workshop, ("items.csv", CSV))
    where = reverse("bring-in-look", kwargs={"job": job.uid})
    answer = workshop["owner"].post(where)
    assert answer.status_code == 303
    run(Job.objects.order_by("-pk")[0].uid)
    assert Item.objects.get(code="KAOLIN").name == "White clay of another hill"
    told = read(workshop["owner"].get(answer["Location"])).words
    assert "1 new in items" in told
    assert "1 changed in items" in told
    assert ChangeRecord.objects.filter(code="NEW-CLAY", who__username="owner").exists()
    again = workshop["owner"].post(where)
    assert again.status_code == 409
    assert "brought in already" in read(again).words
    assert not JobFile.objects.filter(part="brought").exists()


def test_every_fault_stands_in_its_cell(workshop: Shop) -> None:
    broken = b"item,name,kind,shelf_life_days\nNEW-CLAY,A clay,powder,12\nNEW-OIL,,raw,soon\n"
    job, page = looked_at(workshop, ("items.csv", broken))
    assert job.state == Job.State.FAILED
    wrong = cells(page, "wrong")
    assert [text.partition("<span")[0] for text in wrong] == ["powder", "", "soon"]
    assert "intermediate" in wrong[0]
    assert "blank" in wrong[1]
    found = read(page)
    assert "Nothing was changed" in found.words
    assert found.faults == []
    assert not Item.objects.filter(code__startswith="NEW-").exists()


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("items.csv", b"item,name,kind,colour\nA,B,raw,red\n", "only the columns"),
        ("itens.csv", b"item\n", "items.csv"),
        ("items.xlsx", b"no workbook", "not readable"),
        ("items.csv", b"item,name,kind\nA,B,raw,and,more\n", "at most 3 cells"),
    ],
)
def test_faults_that_are_in_no_cell_are_told_too(workshop: Shop, name: str, content: bytes, told: str) -> None:
    job, page = looked_at(workshop, (name, content))
    assert job.state == Job.State.FAILED
    assert told in read(page).words


def test_scripts_in_the_file_are_text(workshop: Shop) -> None:
    bad = "<script>alert('x')</script>"
    _, page = looked_at(workshop, ("items.csv", f'item,name,kind\nA,"{bad}",{bad}\n'.encode()))
    assert bad not in page.content.decode()
    assert bad in read(page).words


def test_what_changed_since_the_look_is_not_written_over(workshop: Shop) -> None:
    job, _ = looked_at(workshop, ("items.csv", CSV))
    change_item(code="KAOLIN", changes={"name": "White clay of another hill"})
    answer = workshop["owner"].post(reverse("bring-in-look", kwargs={"job": job.uid}))
    run(Job.objects.order_by("-pk")[0].uid)
    assert "look again" in read(workshop["owner"].get(answer["Location"])).words
    assert not Item.objects.filter(code="NEW-CLAY").exists()


def test_what_was_taken_out_changes_nothing_when_it_comes_back(workshop: Shop) -> None:
    _, page = looked_at(workshop, ("tables.xlsx", workbook_bytes(exported_tables())))
    assert "What would change" in read(page).words
    assert "Every row that is new" not in read(page).words


def test_a_file_that_is_none_is_refused_beside_the_form(workshop: Shop) -> None:
    for files in ((), (("photo.png", b"x"),), (("a.xlsx", b"x"), ("b.xlsx", b"y"))):
        answer = bring(workshop, *files)
        assert answer.status_code == 400
        assert "Nothing was changed" in read(answer).words
    assert not Job.objects.exists()


def test_a_form_sent_twice_is_one_job_and_another_file_is_another_act(workshop: Shop) -> None:
    where, key = reverse("bring-in"), {"retry-key": "the-same-key"}
    first = workshop["owner"].post(where, key | {"file": SimpleUploadedFile("items.csv", CSV)})
    second = workshop["owner"].post(where, key | {"file": SimpleUploadedFile("items.csv", CSV)})
    assert first["Location"] == second["Location"]
    assert Job.objects.count() == 1
    other = workshop["owner"].post(where, key | {"file": SimpleUploadedFile("items.csv", CSV + b"X,Y,raw\n")})
    assert other.status_code == 409


def test_tables_are_taken_out_in_the_background_with_a_bar(workshop: Shop) -> None:
    answer = workshop["maker"].post(reverse("take-out"), {"format": "zip"})
    page = read(workshop["maker"].get(answer["Location"]))
    assert page.tags["progress"][0]["value"] == "0"
    assert page.tags["meta"][-1]["http-equiv"] == "refresh"
    job = Job.objects.get()
    run(job.uid)
    assert "Take the file" in read(workshop["maker"].get(answer["Location"])).words
    file = workshop["maker"].get(reverse("job-result", kwargs={"job": job.uid}))
    assert file.content.startswith(b"PK")
    assert workshop["viewer"].get(answer["Location"]).status_code == 403


def test_the_bar_loads_the_page_anew_when_it_ends(workshop: Shop) -> None:
    where = workshop["maker"].post(reverse("job-plan"), {"from": "2027-03-10", "weeks": "2"})["Location"]
    assert "HX-Refresh" not in workshop["maker"].get(where, headers={"HX-Request": "true"})
    run(Job.objects.get().uid)
    assert workshop["maker"].get(where, headers={"HX-Request": "true"})["HX-Refresh"] == "true"


@pytest.mark.parametrize("name", ["bring-in-look", "job"])
def test_a_job_that_ends_while_its_page_is_made_is_told_of_by_the_next_look(
    workshop: Shop, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    bring(workshop, ("items.csv", CSV))
    job = Job.objects.get()
    where, find = reverse(name, kwargs={"job": job.uid}), services.find_job

    def find_and_end(uid: Any) -> Job:
        found = find(uid)
        run(uid)
        return found

    with monkeypatch.context() as patched:
        patched.setattr(services, "find_job", find_and_end)
        page = read(workshop["owner"].get(where))
    assert "Waits for its turn" in page.words
    assert page.tags["meta"][-1]["http-equiv"] == "refresh"
    assert page.tags["meta"][-1] not in read(workshop["owner"].get(where)).tags["meta"]


def test_who_asked_may_cancel_and_others_may_not(workshop: Shop) -> None:
    where = workshop["maker"].post(reverse("job-plan"), {"weeks": "2"})["Location"]
    assert workshop["viewer"].post(where).status_code == 409
    assert workshop["maker"].post(where).status_code == 303
    assert Job.objects.get().state == Job.State.CANCELLED
    assert "nothing was written" in read(workshop["maker"].get(where)).words


@pytest.mark.django_db
def test_a_whole_workshop_is_looked_at_in_one_page_that_is_not_heavy(workshop: Shop) -> None:
    """A hundred new items: twenty are shown with the columns that say something, all are counted."""
    rows = "".join(f"NEW-{at},A clay of hill {at},raw,\n" for at in range(100))
    _, page = looked_at(workshop, ("items.csv", f"item,name,kind,cas\n{rows}".encode()))
    words = read(page).words
    assert "The first 20 that are new" in words
    assert "NEW-19" in words
    assert "NEW-20" not in words
    assert "cas" not in [text.strip() for text in words.split("\n")]
    assert ">100<" in page.content.decode()
