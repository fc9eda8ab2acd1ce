"""Who is asking, by the header of a token. Imports no views: the views' settings name it."""

from __future__ import annotations

import re
from typing import Any

from knox.auth import TokenAuthentication as KnoxAuthentication
from rest_framework.authentication import SessionAuthentication as SessionOfOnesOwn
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request


class TokenAuthentication(KnoxAuthentication):
    """The header ``Authorization: Token ...``."""

    def authenticate_credentials(self, token: bytes) -> Any:
        if re.fullmatch(rb"[0-9a-f]{64}", token) is None:
            raise AuthenticationFailed("this is no token")
        try:
            return super().authenticate_credentials(token)
        except AuthenticationFailed:
            raise AuthenticationFailed("the token is not known, or has ended; sign in again") from None


class SessionAuthentication(SessionOfOnesOwn):
    """The cookie of who signed in on a page; that of a screen shared at the bench opens nothing here."""

    def authenticate(self, request: Request) -> Any:
        from planner.shared_screen import screen_of

        found = super().authenticate(request)
        if found is not None and screen_of(request._request) is not None:
            raise AuthenticationFailed("a screen that is shared at the bench reaches batch sheets alone")
        return found
