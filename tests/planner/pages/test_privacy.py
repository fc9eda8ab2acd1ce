"""A private customer who asks to be forgotten: gone from every page, and what was sent to them still stands."""

from __future__ import annotations

from django.test import Client
from django.urls import reverse

from inventory.models import Dispatch, Party, RetryKey
from inventory.services.parties import make_party
from tests.planner.pages.house import read

Shop = dict[str, Client]
HERE = reverse("privacy")


def mira() -> Party:
    return make_party(
        code="MIRA", facts={"name": "Mira Holm", "role": "customer", "email": "mira@example.org", "phone": "000 555 9"}
    )


def test_who_it_is_goes_and_what_was_sent_stays(workshop: Shop) -> None:
    party = mira()
    sent = Dispatch.objects.order_by("pk")[0]
    Dispatch.objects.filter(pk=sent.pk).update(customer=party, reference="letter of Mira Holm")
    assert f"{HERE}?party=MIRA" in [one["href"] for one in read(workshop["buyer"].get("/orders/party/MIRA")).tags["a"]]
    assert workshop["buyer"].get(f"{HERE}?party=MIRA").context["form"].text_of("party") == "MIRA"
    answer = workshop["buyer"].post(HERE, {"party": "MIRA", "sure": "yes"})
    assert (answer.status_code, answer["Location"]) == (303, f"/orders/party/PARTY-{party.pk}")
    page = workshop["buyer"].get(answer["Location"])
    said = page.content.decode() + str(list(RetryKey.objects.values())) + str(list(Party.objects.values()))
    assert f"The books name it PARTY-{party.pk} now" in read(page).words
    assert not [one for one in ("MIRA", "Mira", "mira@example.org", "000 555 9") if one in said]
    sent.refresh_from_db()
    assert (sent.customer_id, sent.reference) == (party.pk, "")


def test_without_the_tick_and_while_something_is_wanted_nothing_goes(workshop: Shop) -> None:
    mira()
    answer = workshop["owner"].post(HERE, {"party": "MIRA"})
    assert answer.status_code == 400
    assert "cannot be undone" in read(answer).words
    waits = Party.objects.filter(demands__closed_at=None, demands__isnull=False).order_by("pk")[0]
    refused = workshop["owner"].post(HERE, {"party": waits.code, "sure": "yes"})
    assert refused.status_code == 409
    assert "still wanted" in read(refused).words
    unknown = workshop["owner"].post(HERE, {"party": "NOBODY", "sure": "yes"})
    assert unknown.status_code in (400, 404)
    assert Party.objects.filter(code__in=["MIRA", waits.code]).exclude(name="blanked").count() == 2


def test_the_code_is_kept_where_it_tells_no_name(workshop: Shop) -> None:
    mira()
    answer = workshop["owner"].post(HERE, {"party": "MIRA", "keep_code": "yes", "sure": "yes"})
    assert answer["Location"] == "/orders/party/MIRA"
    assert Party.objects.get(code="MIRA").name == "blanked"
