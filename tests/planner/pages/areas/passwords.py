"""The pages for who has forgotten a password."""

from __future__ import annotations

WHERE = {"password-new": lambda: {"uidb64": "Mg", "token": "d4x0qo-2b0f6c0e9d1f4b7a8c2e3d4f5a6b7c8d"}}
