"""docker-compose.yml: it holds against the published schema, and starts nothing with an open door.

Outside source: the Compose Specification's JSON schema, as vendored by the PyPI package check-jsonschema
(check_jsonschema/builtin_schemas/vendor/compose-spec.json, taken by that package from compose-spec/compose-spec).
"""

from __future__ import annotations

import copy
import json
import os
import re
import shlex
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

from planner import environment

ROOT = Path(__file__).resolve().parents[2]
OURS = ("web", "worker", "beat")


def schema() -> dict[str, Any]:
    path = resources.files("check_jsonschema") / "builtin_schemas" / "vendor" / "compose-spec.json"
    found: dict[str, Any] = json.loads(path.read_text())
    return found


def compose() -> dict[str, Any]:
    read: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
    return read


def faults(document: dict[str, Any]) -> list[str]:
    kind = jsonschema.validators.validator_for(schema())
    kind.check_schema(schema())
    return [f"{list(fault.absolute_path)}: {fault.message[:200]}" for fault in kind(schema()).iter_errors(document)]


def test_it_holds_against_the_published_schema() -> None:
    assert faults(compose()) == []


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("services", "web", "restrat"), "always"),
        (("services", "web", "healthcheck", "interval"), ["10s"]),
        (("services", "worker", "depends_on"), {"redis": {"condition": "service_cheerful"}}),
        (("services", "web", "build", "dockerfile_inline"), {"FROM": "python"}),
        (("secrets", "secret_key", "environment"), 7),
        (("volumes",), ["database"]),
    ],
)
def test_the_schema_refuses_what_is_wrong(path: tuple[str, ...], value: Any) -> None:
    """The control: a check that nothing fails would show nothing."""
    document = copy.deepcopy(compose())
    at = document
    for name in path[:-1]:
        at = at[name]
    at[path[-1]] = value
    assert faults(document)


def test_every_part_is_watched_restarted_and_not_root() -> None:
    services = compose()["services"]
    assert set(services) == {"database", "redis", "migrate", "web", "worker", "beat", "backup"}
    for name in ("database", "redis", *OURS):
        assert services[name]["healthcheck"]["test"][0] in ("CMD", "CMD-SHELL"), name
        assert services[name]["restart"] == "unless-stopped", name
    for name in ("database", "redis"):
        assert services[name]["user"] == name.replace("database", "postgres")
    built = services["web"]["build"]["dockerfile_inline"]
    assert re.findall(r"^USER (\S+)", built, re.MULTILINE)[-1] == "weighhouse"


def test_no_password_has_a_default_and_none_stands_in_the_file() -> None:
    text = (ROOT / "docker-compose.yml").read_text()
    for name in re.findall(r"\$\{([A-Z_]+)(?::-|-)", text):
        assert not re.search("PASSWORD|SECRET|KEY|TOKEN", name), name
    assert set(compose()["secrets"]) == {"database_password", "redis_password", "secret_key", "metrics_token"}
    for told in compose()["secrets"].values():
        assert set(told) == {"environment"}
    for service in compose()["services"].values():
        for name, value in service.get("environment", {}).items():
            if re.search("PASSWORD|SECRET|TOKEN", name):
                assert name.endswith("_FILE"), name
                assert value.startswith("/run/secrets/"), name


def test_only_the_web_server_listens_outside_and_on_this_machine_alone() -> None:
    ports = {name: service["ports"] for name, service in compose()["services"].items() if "ports" in service}
    assert set(ports) == {"web"}
    assert all(one.startswith("127.0.0.1:") for one in ports["web"])


def test_every_volume_and_secret_that_is_used_is_declared() -> None:
    document = compose()
    for service in document["services"].values():
        assert set(service.get("secrets", [])) <= set(document["secrets"])
        for volume in service.get("volumes", []):
            assert volume.split(":")[0] in document["volumes"]


def test_its_variables_are_those_that_the_program_reads(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The strict readers take what the file gives, with secrets from files."""
    given = compose()["services"]["web"]["environment"]
    for name in list(os.environ):
        if name.startswith(("DATABASE_", "REDIS_", "SECRET_")):
            monkeypatch.delenv(name)
    for name, value in given.items():
        if name.endswith("_FILE"):
            path = tmp_path / Path(value).name
            path.write_text(f"a-secret/of {path.name}\n")
            value = str(path)
        monkeypatch.setenv(name, str(value))
    database = environment.read_database("DATABASE_URL", tmp_path / "unused")
    assert (database["HOST"], database["PASSWORD"]) == ("database", "a-secret/of database_password")
    assert environment.read_redis_url("REDIS_URL") == "redis://:a-secret%2Fof%20redis_password@redis:6379/0"
    assert environment.read_secret_key("SECRET_KEY", database) == "a-secret/of secret_key"
    read = (ROOT / "planner" / "settings.py").read_text() + (ROOT / "planner" / "environment.py").read_text()
    read += "".join(path.read_text() for path in (ROOT / "planner" / "operations").glob("*.py"))
    for name in given:
        assert f'"{name.removesuffix("_FILE")}"' in read, name


def test_what_the_documents_name_can_be_given() -> None:
    """Every variable of the table in DEVELOPERS.md, but for those that the file settles itself."""
    table = (ROOT / "DEVELOPERS.md").read_text().partition("| variable | takes | default |")[2].partition("\n\n")[0]
    first_cells = [row.split("|")[1] for row in table.splitlines() if row.startswith("|")]
    named = {name for cell in first_cells for name in re.findall(r"\b[A-Z_]{4,}\b", cell)}
    given = {name.removesuffix("_FILE") for name in compose()["services"]["web"]["environment"]}
    assert len(named) > 15
    assert named - given == {"PORT", "BIND"}


def test_its_commands_name_what_is_there() -> None:
    services = compose()["services"]
    assert services["web"]["command"][0] == "gunicorn"
    modules = [part.removeprefix("python:") for part in services["web"]["command"] if part.startswith("python:")]
    modules += [service["healthcheck"]["test"][3] for name, service in services.items() if name in OURS]
    for module in modules:
        assert (ROOT / (module.replace(".", "/") + ".py")).is_file(), module
    for name in ("migrate", "backup"):
        command = services[name]["command"]
        assert command[:2] == ["python", "manage.py"]
        assert command[2] == "migrate" or (ROOT / f"planner/management/commands/{command[2]}.py").is_file()
    assert shlex.join(services["worker"]["command"]).startswith("celery --app planner worker")
    assert shlex.join(services["beat"]["command"]).startswith("celery --app planner beat")


def test_what_is_built_holds_no_secret_and_no_database_of_this_machine() -> None:
    left_out = (ROOT / ".dockerignore").read_text().split()
    assert {".env", ".secrets", ".git", ".venv", "*.sqlite3*", "*.dump"} <= set(left_out)
