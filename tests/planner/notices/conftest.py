"""Notices told by the clock of a workshop, to people with roles."""

from __future__ import annotations

import pytest
from django.contrib.auth.models import Group, User

from inventory.services.workshop import change_settings


@pytest.fixture
def people(db: None) -> dict[str, User]:
    """One person of each role that notices go to, with an address."""
    found = {}
    for role in ("helper", "maker", "buyer", "quality", "owner"):
        person = User.objects.create(username=role, email=f"{role}@example.org")
        person.groups.add(Group.objects.get_or_create(name=role)[0])
        found[role] = person
    return found


@pytest.fixture
def vienna(db: None) -> str:
    change_settings(values={"time_zone": "Europe/Vienna"})
    return "Europe/Vienna"
