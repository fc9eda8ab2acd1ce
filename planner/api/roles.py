"""The roles, which add up, and sets of them that rights are made of. Pure data."""

from __future__ import annotations

VIEWER, HELPER, MAKER, BUYER, QUALITY, OWNER = ROLES = ("viewer", "helper", "maker", "buyer", "quality", "owner")

# In place of roles: open to anyone at all; to anyone who is signed in, with a role or without.
ANYONE = "anyone"
SIGNED_IN = "signed_in"

READERS = (VIEWER, MAKER, BUYER, QUALITY, OWNER)
READERS_AND_HELPER = (VIEWER, HELPER, MAKER, BUYER, QUALITY, OWNER)
