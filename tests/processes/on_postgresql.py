"""Run a command on a PostgreSQL of its own: ``python -m tests.processes.on_postgresql pytest -m "not long"``.

The server is made for the command, in a folder that goes away, and is asked for no durability: what survives a crash
is tested elsewhere. The command is a module of Python with its arguments; ``{DATABASE}`` in them is the address of the
empty database. Fails where this machine has no programs of PostgreSQL.
"""

from __future__ import annotations

import os
import secrets
import subprocess
import sys
import tempfile
from pathlib import Path

import psycopg

from tests.processes.machinery import ROOT, Cluster, has_servers

QUICK = ("fsync = off", "synchronous_commit = off", "full_page_writes = off")


def main(arguments: list[str]) -> int:
    if not arguments:
        sys.exit(__doc__)
    if not has_servers():
        sys.exit("there are no programs of PostgreSQL and Redis here: apt-get install postgresql redis-server")
    with tempfile.TemporaryDirectory(prefix="weighhouse-postgres-") as folder:
        server = Cluster(Path(folder)).make()
        try:
            with psycopg.connect(server.url("postgres"), autocommit=True) as admin:
                for setting in QUICK:
                    admin.execute(f"ALTER SYSTEM SET {setting}")
                admin.execute("SELECT pg_reload_conf()")
            return _run(arguments, server.url())
        finally:
            server.stop()


def _run(arguments: list[str], database: str) -> int:
    environment = os.environ | {
        "DATABASE_URL": database,
        "SECRET_KEY": secrets.token_urlsafe(60),
        "ALLOWED_HOSTS": "localhost,127.0.0.1",
    }
    command = [sys.executable, "-m", *(part.replace("{DATABASE}", database) for part in arguments)]
    return subprocess.run(command, cwd=ROOT, env=environment, check=False).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
