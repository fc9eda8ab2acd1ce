"""docker-compose.yml as processes of this machine: the same commands, the same variables.

What a machine has in place of containers is put in: addresses and ports of the database, of Redis and of the web
server, and folders for what stands in volumes and secrets. Nothing else is changed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from tests.processes.machinery import ROOT, Cluster, Redis, free_port, plain_environment

SECRETS = {
    "database_password": "any-since-this-cluster-trusts",
    "secret_key": "only for this test, of sixty characters and more, as it has to be",
    "metrics_token": "only-for-reading-the-metrics-of-this-test",
}
VALUES = {"ALLOWED_HOSTS": "weighhouse.example,127.0.0.1", "TIME_ZONE": "Europe/Vienna"}
# What the proxy in front of the web server would say.
PROXY_HEADERS = {"X-Forwarded-Proto": "https", "X-Forwarded-For": "203.0.113.7", "Host": "weighhouse.example"}
_VARIABLE = re.compile(r"\$(?:\$|\{(\w+)(?:(:?[-?])([^}]*))?\})")


def filled_in(text: str, values: Mapping[str, str]) -> str:
    """A text of the file with its variables: ``${NAME:?why}``, ``${NAME:-default}``, ``${NAME}``, ``$$``."""

    def value(match: re.Match[str]) -> str:
        if match.group(0) == "$$":
            return "$"
        name, sign, rest = match.groups()
        if values.get(name):
            return values[name]
        if sign in (":?", "?"):
            raise AssertionError(f"docker-compose.yml needs {name}: {rest}")
        return rest if sign in (":-", "-") else ""

    return _VARIABLE.sub(value, text)


@dataclass
class Service:
    """The parts that are ours, with their database and Redis."""

    folder: Path
    database: Cluster
    redis: Redis
    more: Mapping[str, str]
    port: int

    @staticmethod
    def described(folder: Path, database: Cluster, redis: Redis, **more: str) -> Service:
        """``more``: variables that the file leaves to whoever runs it, such as EMAIL_URL."""
        for name in ("secrets", "metrics", "heartbeat"):
            (folder / name).mkdir(exist_ok=True)
        for name, secret in (SECRETS | {"redis_password": redis.password}).items():
            (folder / "secrets" / name).write_text(secret + "\n")
        return Service(folder, database, redis, more, free_port())

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def _here(self, text: str) -> str:
        here = {
            "@database:5432/": f"@127.0.0.1:{self.database.port}/",
            "redis://redis:6379/": f"redis://127.0.0.1:{self.redis.port}/",
            "/run/secrets/": f"{self.folder}/secrets/",
            "/var/lib/weighhouse/metrics": f"{self.folder}/metrics",
            "/tmp/": f"{self.folder}/",
        }
        return re.sub("|".join(map(re.escape, here)), lambda match: here[match.group()], text)

    def part(self, name: str) -> tuple[list[str], dict[str, str]]:
        """Command and variables of a service of the file."""
        told: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text())["services"][name]
        command = [self._here(filled_in(word, VALUES)) for word in told["command"]]
        variables = {key: self._here(filled_in(str(value), VALUES)) for key, value in told["environment"].items()}
        heartbeat = variables.get("HEARTBEAT_FOLDER")
        if heartbeat:  # a container has its own
            variables["HEARTBEAT_FOLDER"] = f"{heartbeat}/{name}"
        reached = {"PORT": str(self.port), "BIND": "127.0.0.1"} if name == "web" else {}
        return command, plain_environment(**(variables | reached | dict(self.more)))

    def probe(self, name: str) -> list[str]:
        """The command of a service's health check."""
        told: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text())["services"][name]
        kind, *command = told["healthcheck"]["test"]
        assert kind == "CMD"
        return list(command)
