"""People, tokens, settings, the schema."""

from __future__ import annotations

from django.contrib.auth.models import User
from knox.models import AuthToken


def prepare(operation: tuple[str, str]) -> None:
    if operation == ("DELETE", "token"):
        token, _ = AuthToken.objects.create(user=User.objects.get(username="owner"))
        AuthToken.objects.filter(pk=token.pk).update(token_key="5d0f6c0e9d1f4b7")


def _people(count: int) -> None:
    start = User.objects.count()
    User.objects.bulk_create(User(username=f"person-{start + number}") for number in range(count))


def _tokens(count: int) -> None:
    for person in User.objects.filter(groups__isnull=False):
        for _ in range(count):
            AuthToken.objects.create(user=person)


FILLERS = {"people": _people, "tokens": _tokens}
WRONG = {
    ("POST", "people", "person"): ["owner", "OWNER"],
    ("POST", "people", "password"): ["short", "password12345"],
    ("PATCH", "person", "password"): ["12345678901234"],
    ("PATCH", "settings", "time_zone"): ["Nowhere/None"],
    ("PATCH", "settings", "country"): ["Austria"],
    ("PATCH", "settings", "currency"): ["euro"],
    ("PATCH", "settings", "open_days"): ["monday"],
    ("PATCH", "settings", "scales"): ["1 kg"],
    ("PATCH", "settings", "lot_pattern"): ["{x}"],
    ("PATCH", "settings", "batch_pattern"): ["B"],
    ("PATCH", "settings", "units"): ["stone"],
    ("PATCH", "settings", "morning"): ["7", "24:00", "07:60"],
    ("PATCH", "settings", "bench_minutes"): ["0", "241", "ten", "1.5"],
}
VOLATILE = {"token", "key", "made_at"}
