"""A workshop that is served: an SQLite file of its own, the command ``serve``, and people who can sign in."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path

from planner.api.roles import ROLES

ROOT = Path(__file__).resolve().parents[2]
PASSWORD = "seven warm stones"

# All have one password, and its hash takes long: it is made once, in the program's own way.
_PEOPLE = f"""
import json
from django.contrib.auth.hashers import make_password
from django.contrib.auth.models import User
from django.test import override_settings
from planner.people import make_person
with override_settings(PASSWORD_HASHERS=["django.contrib.auth.hashers.MD5PasswordHasher"]):
    for name, roles in json.loads(input()).items():
        make_person(username=name, password={PASSWORD!r}, roles=roles)
User.objects.update(password=make_password({PASSWORD!r}))
"""


@dataclass(frozen=True)
class Served:
    url: str
    variables: dict[str, str]

    def manage(self, *arguments: str, given: str = "") -> str:
        """A command of ``manage.py`` on this workshop's database; what it says."""
        done = subprocess.run(
            [sys.executable, "manage.py", *arguments],
            cwd=ROOT, env=self.variables, input=given, capture_output=True, text=True, timeout=180, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout


def make_workshop(file: Path, *, demo: bool, begin_with: Path | None = None) -> None:
    """A workshop to be served, the demo's or a new one. A person of every role, and one named "all", with every role:
    each signs in with PASSWORD. ``begin_with`` is the file of a new workshop; without, one is made."""
    made = _served(file)
    if begin_with:
        shutil.copy(begin_with, file)
    else:
        made.manage("migrate", "-v0")
    if demo:
        made.manage("demo", "--json")
    people = {role: [role] for role in ROLES} | {"all": list(ROLES)}
    made.manage("shell", "-v0", "-c", _PEOPLE, given=json.dumps(people))


@contextmanager
def serve(file: Path) -> Iterator[Served]:
    """Serve a workshop that was made."""
    served = _served(file)
    process = subprocess.Popen(
        [sys.executable, "manage.py", "serve", "--port", served.url.rsplit(":", 1)[1]],
        cwd=ROOT, env=served.variables, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        _wait_for(served.url)
        yield served
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(timeout=30)


def serve_copy(made: Path, folder: Path) -> AbstractContextManager[Served]:
    """Serve a copy, in this folder, of a workshop that was made."""
    return serve(Path(shutil.copy(made, folder / "workshop.sqlite3")))


def _served(file: Path) -> Served:
    kept = {name: value for name, value in os.environ.items() if name not in ("DEBUG", "SECRET_KEY", "REDIS_URL")}
    return Served(
        f"http://127.0.0.1:{_free_port()}",
        kept | {"DATABASE_URL": f"sqlite:///{file}", "ALLOWED_HOSTS": "127.0.0.1"},
    )


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def _wait_for(url: str, seconds: float = 90) -> None:
    end = time.monotonic() + seconds
    while True:
        try:
            urllib.request.urlopen(url, timeout=5).close()
            return
        except (urllib.error.URLError, ConnectionError):
            if time.monotonic() > end:
                raise
            time.sleep(0.2)
