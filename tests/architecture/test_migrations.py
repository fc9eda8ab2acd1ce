"""Migrations without downtime: while they run, and until the last old process has ended, old and new program work on
the same tables. DEVELOPERS.md states the rule; here every migration after the base is read and held to it.

1. What the program of the release before still reads or writes stays: no field, table or name of either goes away,
   except in a migration that says ``unused_since = "0.2.0"``: a release, before this one, that used it no more.
2. An old program that knows nothing of a new field can still write a row: it is null or has a database default.
3. No field becomes NOT NULL, and none changes its type, in place.
4. An index on a table that grows is made meanwhile (``inventory.migration_operations``), alone in a migration that is
   not atomic; a constraint on one needs a release in which it is written as NOT VALID, and is refused here.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.db import connection, migrations, models
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ProjectState

from inventory.migration_operations import AddIndexMeanwhile

ROOT = Path(__file__).resolve().parents[2]
OURS = ("inventory", "production", "planner")
# The last migration of each app before the rule: of the first release, which nobody ran before.
BASE = {"inventory": 11, "production": 3, "planner": 6}
# Tables that grow with every day of work. What stands in the others is a few hundred rows.
GROWING = {
    "stockevent", "movement", "lotdecision", "lot", "portion", "reservation", "transformation", "changerecord",
    "dispatch", "dispatchline", "purchaseorderline", "demand", "retrykey", "batch", "reading", "notice",
    "telling", "mail", "job", "alert",
}  # fmt: skip


def release() -> tuple[int, ...]:
    version = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
    return tuple(map(int, version.split(".")))


def flat(operations: list[Operation]) -> Iterator[Operation]:
    for one in operations:
        if isinstance(one, migrations.SeparateDatabaseAndState):
            yield from flat(one.database_operations)
        else:
            yield one


def faults(migration: Any, before: ProjectState) -> list[str]:
    """What in this migration would hold up or break a program that runs; ``before`` is the state it begins with."""
    found: list[str] = []
    state = before.clone()
    made: set[str] = set()
    operations = list(flat(migration.operations))
    for one in operations:
        found += [f"{migration.name}: {told}" for told in _faults_of(one, migration, state, made, len(operations))]
        if isinstance(one, migrations.CreateModel):
            made.add(one.name_lower)
        one.state_forwards(migration.app_label, state)
    return found


GOING = (migrations.RemoveField, migrations.RenameField, migrations.DeleteModel, migrations.RenameModel,
         migrations.AlterModelTable)  # fmt: skip


def _faults_of(one: Operation, migration: Any, state: ProjectState, made: set[str], count: int) -> Iterator[str]:
    table = str(getattr(one, "model_name_lower", ""))
    if isinstance(one, GOING):
        since = getattr(migration, "unused_since", None)
        if since is None or tuple(map(int, since.split("."))) >= release():
            yield f"{one.describe()}: a program of the release before still uses it"
    elif table in made:
        return  # nobody uses what this migration itself has made
    elif isinstance(one, migrations.AddField):
        field = one.field
        if not (field.null or field.many_to_many or field.has_db_default()):
            yield f"{one.describe()}: a program that does not know it cannot write a row; null or db_default"
    elif isinstance(one, migrations.AlterField):
        old = state.models[migration.app_label, table].fields[one.name]
        if old.null and not one.field.null and not one.field.has_db_default():
            yield f"{one.describe()}: a program that leaves it out cannot write a row"
        if _type_of(old) != _type_of(one.field):
            yield f"{one.describe()}: the table is written anew; add a field beside it, and fill it"
    elif isinstance(one, AddIndexMeanwhile):
        if getattr(migration, "atomic", True) or count > 1:
            yield f"{one.describe()}: alone, in a migration with atomic = False"
    elif isinstance(one, migrations.AddIndex | migrations.AddConstraint) and table in GROWING:
        yield f"{one.describe()}: writers would wait until it is made"


def _type_of(field: Any) -> tuple[Any, ...]:
    """A longer text of the same kind is the same column on both databases; a shorter one is not."""
    return (field.get_internal_type(), getattr(field, "max_digits", None), getattr(field, "decimal_places", None))


def number_of(name: str) -> int:
    return int(name.partition("_")[0])


def test_every_migration_after_the_base_holds_nobody_up() -> None:
    loader = MigrationLoader(None)
    found = []
    for (app, name), migration in sorted(loader.disk_migrations.items()):
        if app in OURS and number_of(name) > BASE[app]:
            found += faults(migration, loader.project_state((app, name), at_end=False))
    assert found == []


# --- the reader itself -------------------------------------------------------------------------------------

TEXT = models.CharField(max_length=20)


class Before:
    """A state with one table that grows and one that does not."""

    def __init__(self) -> None:
        self.state = ProjectState()
        fields = [("id", models.BigAutoField(primary_key=True)), ("why", models.CharField(max_length=20, null=True)),
                  ("size", models.IntegerField())]  # fmt: skip
        for name in ("Movement", "Setting"):
            migrations.CreateModel(name, [(key, field.clone()) for key, field in fields]).state_forwards(
                "inventory", self.state
            )


def read(*operations: Operation, **attributes: Any) -> list[str]:
    kind = type("Migration", (migrations.Migration,), {"operations": list(operations)} | attributes)
    return faults(kind("9999_read", "inventory"), Before().state)


REFUSED: list[Operation] = [
    migrations.RemoveField("setting", "why"),
    migrations.RenameField("setting", "why", "reason"),
    migrations.DeleteModel("Setting"),
    migrations.RenameModel("Setting", "Choice"),
    migrations.AlterModelTable("setting", "choices"),
    migrations.AddField("setting", "more", TEXT),
    migrations.AddField("setting", "more", models.CharField(max_length=20, default="")),
    migrations.AlterField("setting", "why", models.CharField(max_length=20)),
    migrations.AlterField("setting", "size", models.BigIntegerField()),
    migrations.AddIndex("movement", models.Index(fields=["size"], name="by_size")),
    migrations.AddConstraint("movement", models.UniqueConstraint(fields=["size"], name="one_size")),
    AddIndexMeanwhile("movement", models.Index(fields=["size"], name="by_size")),
    migrations.SeparateDatabaseAndState(database_operations=[migrations.RemoveField("setting", "why")]),
]
ALLOWED: list[Operation] = [
    migrations.AddField("setting", "more", models.CharField(max_length=20, null=True)),
    migrations.AddField("movement", "more", models.CharField(max_length=20, db_default="")),
    migrations.AlterField("setting", "why", models.CharField(max_length=40, null=True)),
    migrations.AddIndex("setting", models.Index(fields=["size"], name="by_size")),
    migrations.CreateModel("Fresh", [("id", models.BigAutoField(primary_key=True)), ("name", TEXT)]),
]


@pytest.mark.parametrize("one", REFUSED, ids=lambda one: one.describe())
def test_what_would_break_or_hold_up_a_running_program_is_found(one: Operation) -> None:
    assert len(read(one)) == 1


@pytest.mark.parametrize("one", ALLOWED, ids=lambda one: one.describe())
def test_what_a_running_program_does_not_notice_is_let_through(one: Operation) -> None:
    assert read(one) == []


def test_what_no_release_uses_any_more_may_go() -> None:
    gone = migrations.RemoveField("setting", "why")
    assert read(gone, unused_since="0.0.9") == []
    assert len(read(gone, unused_since="99.0.0")) == 1


def test_an_index_that_is_made_meanwhile_stands_alone_outside_a_transaction() -> None:
    index = AddIndexMeanwhile("movement", models.Index(fields=["size"], name="by_size"))
    assert read(index, atomic=False) == []
    assert read(index, migrations.AddField("setting", "more", models.TextField(null=True)), atomic=False) != []


@pytest.mark.django_db(transaction=True)
def test_the_index_is_made_and_taken_away_on_this_database() -> None:
    loader = MigrationLoader(connection)
    state = loader.project_state()
    index = AddIndexMeanwhile("setting", models.Index(fields=["value"], name="setting_meanwhile"))
    after = state.clone()
    index.state_forwards("inventory", after)

    def there() -> bool:
        with connection.cursor() as cursor:
            return "setting_meanwhile" in connection.introspection.get_constraints(cursor, "inventory_setting")

    with connection.schema_editor(atomic=False) as editor:
        index.database_forwards("inventory", editor, state, after)
    assert there()
    with connection.schema_editor(atomic=False) as editor:
        index.database_backwards("inventory", editor, after, state)
    assert not there()
