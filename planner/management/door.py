"""What the commands share: ``--json``, ``--as USER``, the schema, and errors told once, in one shape.

A command makes one domain call and shows its answer. With ``--json`` standard output carries one
object and nothing else, also when the answer is an error.
"""

from __future__ import annotations

import argparse
import datetime
import sys
from collections.abc import Callable
from typing import IO, Any, cast

import orjson
from django.contrib.auth import get_user_model
from django.core.management.base import BaseCommand, CommandParser
from rich.console import Console

from inventory.acting import acting
from inventory.cells import FIRST_DAY, LAST_DAY
from inventory.errors import DomainError, NotFound
from planner.checks import WORKSHOP
from planner.schema import database_told, ensure_schema


def problem_document(error: DomainError) -> dict[str, Any]:
    """The JSON form of a refusal (RFC 9457 in spirit: stable code, sentence, faults)."""
    return {
        "code": error.code,
        "status": error.status,
        "detail": error.message,
        "errors": [
            {
                "file": fault.file,
                "field": fault.field,
                "row": fault.row,
                "value": fault.value,
                "accepted": fault.accepted,
            }
            for fault in error.faults
        ],
        **error.facts,
    }


def read_day(text: str) -> datetime.date:
    """An ISO 8601 day for argparse."""
    try:
        day = datetime.date.fromisoformat(text)
        if len(text) != 10 or not FIRST_DAY <= day <= LAST_DAY:
            raise ValueError
    except ValueError:
        raise argparse.ArgumentTypeError(f'"{text}"; accepted: a day such as 2026-11-25') from None
    return day


def read_weeks(text: str) -> int:
    if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= 260:
        raise argparse.ArgumentTypeError(f'"{text}"; accepted: a whole number of weeks from 1 to 260')
    return int(text)


class DoorCommand(BaseCommand):
    """Base of the commands. A subclass defines ``arguments``, ``answer`` and ``show``.

    ``answer`` makes the one domain call, given ``who`` and the command's options by name, and returns the
    JSON-ready answer.
    """

    answer: Callable[..., Any]
    # Django's own checks of addresses and pages would import all that serves them, for every command.
    requires_system_checks = [WORKSHOP]
    needs_tables = True  # False: the command brings the tables itself, and nobody can be named by --as yet

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--json", action="store_true", help="print one JSON object on standard output")
        if self.needs_tables:
            parser.add_argument("--as", dest="user", metavar="USER", help="do it in the name of this user")
        self.arguments(parser)

    def arguments(self, parser: CommandParser) -> None:
        """Add the command's own arguments."""

    def show(self, console: Console, document: Any) -> None:
        """Print the answer for a person."""
        raise NotImplementedError

    def exit_code(self, document: Any) -> int:
        """0, unless the answer itself is bad news."""
        return 0

    def handle(self, *args: Any, **options: Any) -> None:
        as_json = options["json"]
        try:
            with database_told():
                if self.needs_tables:
                    ensure_schema()
                who = find_user(options["user"]) if self.needs_tables else None
                with acting(lambda: who):
                    document = self.answer(who=who, **options)
        except DomainError as error:
            self.tell(error, as_json=as_json)
            sys.exit(2 if error.code == "ambiguous" else 1)
        if as_json:
            self.print_json(document)
        else:
            self.show(self.console(), document)
        code = self.exit_code(document)
        if code:
            sys.exit(code)

    def print_json(self, document: Any) -> None:
        self.stdout.write(orjson.dumps(document).decode())

    def tell(self, error: DomainError, *, as_json: bool) -> None:
        """A refusal: the object on standard output with ``--json``, and always the sentences on standard error."""
        if as_json:
            self.print_json(problem_document(error))
        self.stderr.write(error.message)
        for fault in error.faults:
            self.stderr.write(fault.sentence())

    def console(self) -> Console:
        """A terminal of at least 100 columns, so that tables do not break when output is piped."""
        width = None if sys.stdout.isatty() else 120
        return Console(file=cast(IO[str], self.stdout._out), width=width, highlight=False)


def find_user(username: str | None) -> Any:
    """The user that ``--as`` names; None without it: the person at the machine itself."""
    if username is None:
        return None
    user = get_user_model().objects.filter(username=username, is_active=True).first()
    if user is None:
        raise NotFound(f'no user "{username}"', code="no_such_user")
    return user
