"""The change log in the demo's workshop."""

from __future__ import annotations

from django.contrib.auth.models import User

from inventory.models import ChangeRecord


def more_changes(count: int) -> None:
    who = User.objects.get(username="owner")
    ChangeRecord.objects.bulk_create(
        ChangeRecord(who=who, kind="item", code=f"ITEM-{at}", act="changed", field="name", before="a", after="b")
        for at in range(count)
    )


FILLERS = {"changes": more_changes}
