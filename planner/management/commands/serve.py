"""``serve``: web server, worker and beat in one process, for a workshop on one machine."""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

import waitress
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.core.servers.basehttp import get_internal_wsgi_application
from django.db import connection

from inventory.errors import Conflict, DomainError
from planner.running import parts
from planner.schema import database_told, ensure_schema

try:
    import fcntl
except ImportError:  # not everywhere; there the port alone tells of another
    fcntl = None  # type: ignore[assignment]

WEB_THREADS = 8


def read_port(text: str) -> int:
    if not text.isascii() or not text.isdigit() or not 0 < int(text) < 65536:
        raise argparse.ArgumentTypeError(f'"{text}"; accepted: a port from 1 to 65535')
    return int(text)


def _leave(signum: int, frame: FrameType | None) -> None:
    """A service manager's stop is the same as Ctrl-C."""
    sys.exit(0)


@contextmanager
def alone_at_the_database() -> Iterator[None]:
    """Of two of these at one SQLite file each would take the other's heavy work for dead: they see no sign of life but
    their own (planner.jobs.board). The lock goes with the process, however that ends. Raises Conflict."""
    if fcntl is None or connection.vendor != "sqlite":
        yield
        return
    database = str(connection.settings_dict["NAME"])
    with open(f"{database}-served", "w") as held:
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise Conflict(f"the database {database} is served already, by another serve", code="served") from None
        yield


def without_bodies_of_heads(application: Any) -> Any:
    """Waitress sends on whatever it is given, also in answer to HEAD, where nothing may follow (RFC 9110, 9.3.2): the
    next answer on the connection could not be read."""

    def inside(environ: dict[str, Any], start_response: Any) -> Any:
        if environ["REQUEST_METHOD"] != "HEAD":
            return application(environ, start_response)

        def start(status: str, headers: list[tuple[str, str]], *more: Any) -> Any:
            kept = [header for header in headers if header[0].lower() != "content-length"]
            return start_response(status, [*kept, ("Content-Length", "0")], *more)

        answer = application(environ, start)
        if hasattr(answer, "close"):
            answer.close()
        return [b""]

    return inside


class Command(BaseCommand):
    help = "Run everything in one process: the web server, the worker and the beat. Stop it with Ctrl-C."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default: %(default)s)")
        parser.add_argument("--port", type=read_port, default=8000, help="port (default: %(default)s)")

    def handle(self, *args: Any, host: str, port: int, **options: Any) -> None:
        try:
            with database_told():
                ensure_schema()
            with alone_at_the_database():
                self._serve(host, port)
        except DomainError as error:
            raise CommandError(error.message) from error

    def _serve(self, host: str, port: int) -> None:
        try:
            server = waitress.create_server(
                without_bodies_of_heads(get_internal_wsgi_application()),
                host=host,
                port=port,
                threads=WEB_THREADS,
                ident="weighhouse",
            )
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise CommandError(f"cannot listen on {host}:{port}: {reason}") from error
        signal.signal(signal.SIGTERM, _leave)
        parts.start()
        self.stdout.write(f"Weighhouse runs at http://{host}:{port}/ - stop it with Ctrl-C")
        self.stdout.flush()
        try:
            server.run()
        finally:
            parts.stop()
            server.close()
