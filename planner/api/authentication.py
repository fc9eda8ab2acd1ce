"""Who is asking, by the header of a token. Imports no views: the views' settings name it."""

from __future__ import annotations

import re
from typing import Any

from knox.auth import TokenAuthentication as KnoxAuthentication
from rest_framework.exceptions import AuthenticationFailed


class TokenAuthentication(KnoxAuthentication):
    """The header ``Authorization: Token ...``."""

    def authenticate_credentials(self, token: bytes) -> Any:
        if re.fullmatch(rb"[0-9a-f]{64}", token) is None:
            raise AuthenticationFailed("this is no token")
        try:
            return super().authenticate_credentials(token)
        except AuthenticationFailed:
            raise AuthenticationFailed("the token is not known, or has ended; sign in again") from None
