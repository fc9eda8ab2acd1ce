"""The database's own refusal to change or delete what the change log holds; blanking a row, once, is let through.

Used by the migration that installs the triggers, and by the test runner. Works on PostgreSQL and SQLite.
"""

from __future__ import annotations

from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.backends.base.schema import BaseDatabaseSchemaEditor

TABLE = "inventory_changerecord"
REFUSAL = "the change log only grows; a row may be blanked, once"


def blanking(same: str) -> str:
    """A blanking, in SQL with ``same`` for "is not distinct": nothing but code, before and after changes, and the
    last two to nothing."""
    kept = " AND ".join(
        f"NEW.{name} {same} OLD.{name}" for name in ("id", "recorded_at", "who_id", "kind", "detail", "act", "field")
    )
    emptied = " AND ".join(f"NEW.{name} IN ('', OLD.{name})" for name in ("before", "after"))
    return f"OLD.blanked_at IS NULL AND NEW.blanked_at IS NOT NULL AND {kept} AND {emptied}"


def install(connection: BaseDatabaseWrapper) -> None:
    """Refuse UPDATE but for a blanking, DELETE, (PostgreSQL) TRUNCATE and (SQLite) INSERT OR REPLACE."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "CREATE OR REPLACE FUNCTION weighhouse_refuse_log_change() RETURNS trigger LANGUAGE plpgsql AS "
                f"$$ BEGIN RAISE EXCEPTION '{REFUSAL}' USING ERRCODE = 'restrict_violation'; END $$"
            )
            refused = "EXECUTE FUNCTION weighhouse_refuse_log_change()"
            cursor.execute(
                f"CREATE TRIGGER {TABLE}_blanked_only BEFORE UPDATE ON {TABLE} FOR EACH ROW "
                f"WHEN (NOT ({blanking('IS NOT DISTINCT FROM')})) {refused}"
            )
            cursor.execute(f"CREATE TRIGGER {TABLE}_no_delete BEFORE DELETE ON {TABLE} FOR EACH ROW {refused}")
            cursor.execute(
                f"CREATE TRIGGER {TABLE}_never_emptied BEFORE TRUNCATE ON {TABLE} FOR EACH STATEMENT {refused}"
            )
        else:
            refused = f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
            cursor.execute(
                f"CREATE TRIGGER {TABLE}_blanked_only BEFORE UPDATE ON {TABLE} WHEN NOT ({blanking('IS')}) {refused}"
            )
            cursor.execute(f"CREATE TRIGGER {TABLE}_no_delete BEFORE DELETE ON {TABLE} {refused}")
            cursor.execute(
                f"CREATE TRIGGER {TABLE}_no_replace BEFORE INSERT ON {TABLE} "
                f"WHEN EXISTS (SELECT 1 FROM {TABLE} WHERE id = NEW.id) {refused}"
            )


def remove(connection: BaseDatabaseWrapper) -> None:
    """Take the triggers away: for reversing the migration, and for the test runner's flush."""
    with connection.cursor() as cursor:
        for name in ("blanked_only", "no_delete", "never_emptied", "no_replace"):
            if connection.vendor == "postgresql":
                cursor.execute(f"DROP TRIGGER IF EXISTS {TABLE}_{name} ON {TABLE}")
            else:
                cursor.execute(f"DROP TRIGGER IF EXISTS {TABLE}_{name}")


def install_in_migration(apps: object, schema_editor: BaseDatabaseSchemaEditor) -> None:
    install(schema_editor.connection)


def remove_in_migration(apps: object, schema_editor: BaseDatabaseSchemaEditor) -> None:
    remove(schema_editor.connection)
