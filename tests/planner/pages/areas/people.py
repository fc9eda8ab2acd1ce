"""People in the demo's workshop."""

from __future__ import annotations

from django.contrib.auth.models import User


def more_people(count: int) -> None:
    first = User.objects.count()
    User.objects.bulk_create([User(username=f"a-person-{first + at}") for at in range(count)])


WHERE = {route: lambda: {"person": "helper"} for route in ("person", "person-reset", "person-pin-end")}
FILLERS = {"people": more_people}
