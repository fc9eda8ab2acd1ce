"""The errors that services raise: each has a stable code, a sentence, and the faults that a person can mend.

Doors (commands, API, pages) translate them; nothing else does. Imports nothing of Django.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Fault:
    """One wrong value: where it stood, what it was, what would be accepted."""

    field: str
    value: str
    accepted: str
    row: int | None = None
    file: str = ""

    def sentence(self) -> str:
        place = f"{self.file} " if self.file else ""
        place += f"row {self.row} " if self.row is not None else ""
        place += f"column {self.field}" if self.file else self.field
        return f'{place}: "{self.value}"; accepted: {self.accepted}'


class DomainError(Exception):
    """Something was asked that cannot be done; nothing was changed.

    ``code`` is stable and made of words; ``status`` is the HTTP status a door answers with;
    ``facts`` are JSON-ready values that help the person decide (shortages, lists to choose from).
    """

    code = "refused"
    status = 400

    def __init__(
        self, message: str, *, code: str | None = None, faults: list[Fault] | None = None, **facts: Any
    ) -> None:
        super().__init__(message)
        self.message = message
        if code is not None:
            self.code = code
        self.faults = faults or []
        self.facts = facts


class BadInput(DomainError):
    """A value that no state of the workshop would accept."""

    code = "bad_input"
    status = 400


class NotAllowed(DomainError):
    """The person's roles do not cover this."""

    code = "not_allowed"
    status = 403


class NotFound(DomainError):
    """No such code."""

    code = "not_found"
    status = 404


class Conflict(DomainError):
    """Right in form, but not in the present state of the workshop."""

    code = "conflict"
    status = 409


class WrongState(Conflict):
    """The lot, batch, order or formula is in a state that does not allow this."""

    code = "wrong_state"


class Unusable(Conflict):
    """The stock is quarantined, held, rejected, set apart, expired or not yet here."""

    code = "unusable"


class Shortage(Conflict):
    """Not enough usable stock; ``facts["shortages"]`` names item, wanted and free for each."""

    code = "shortage"


class LockTimeout(Conflict):
    """Somebody else is writing to the same items; try again."""

    code = "busy"


class KeyReused(Conflict):
    """The retry key was used before with other content."""

    code = "key_reused"


class TooLarge(DomainError):
    code = "too_large"
    status = 413
