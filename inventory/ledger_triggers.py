"""The database's own refusal to change or delete what the ledger holds.

Used by the migration that installs the triggers, and by the test runner, which must be let
through when it empties tables between tests. Works on PostgreSQL and SQLite.
"""

from __future__ import annotations

from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.backends.base.schema import BaseDatabaseSchemaEditor

LEDGER_TABLES = ("inventory_stockevent", "inventory_movement", "inventory_lotdecision")
# What makes a new row take an old one's place: INSERT OR REPLACE of SQLite fires no trigger on the row it removes.
SAME_ROW = {
    "inventory_stockevent": "id = NEW.id OR uid = NEW.uid OR corrects_id = NEW.corrects_id",
    "inventory_movement": "id = NEW.id",
    "inventory_lotdecision": "id = NEW.id",
}
REFUSAL = "the ledger only grows: correct by an opposite event"


def install(connection: BaseDatabaseWrapper) -> None:
    """Refuse UPDATE, DELETE, (PostgreSQL) TRUNCATE and (SQLite) INSERT OR REPLACE of every ledger table."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "CREATE OR REPLACE FUNCTION weighhouse_refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
                f"$$ BEGIN RAISE EXCEPTION '{REFUSAL}' USING ERRCODE = 'restrict_violation'; END $$"
            )
        for table in LEDGER_TABLES:
            if connection.vendor == "postgresql":
                cursor.execute(
                    f"CREATE TRIGGER {table}_only_grows BEFORE UPDATE OR DELETE ON {table} "
                    "FOR EACH ROW EXECUTE FUNCTION weighhouse_refuse_change()"
                )
                cursor.execute(
                    f"CREATE TRIGGER {table}_never_emptied BEFORE TRUNCATE ON {table} "
                    "FOR EACH STATEMENT EXECUTE FUNCTION weighhouse_refuse_change()"
                )
            else:
                for act in ("UPDATE", "DELETE"):
                    cursor.execute(
                        f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} "
                        f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
                    )
                cursor.execute(
                    f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
                    f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {SAME_ROW[table]}) "
                    f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
                )


def remove(connection: BaseDatabaseWrapper) -> None:
    """Take the triggers away: for reversing the migration, and for the test runner's flush."""
    with connection.cursor() as cursor:
        for table in LEDGER_TABLES:
            if connection.vendor == "postgresql":
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_only_grows ON {table}")
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_never_emptied ON {table}")
            else:
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_no_update")
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_no_delete")
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_no_replace")


def install_in_migration(apps: object, schema_editor: BaseDatabaseSchemaEditor) -> None:
    install(schema_editor.connection)


def install_again_in_migration(apps: object, schema_editor: BaseDatabaseSchemaEditor) -> None:
    """For a database whose triggers are those of an earlier version."""
    remove(schema_editor.connection)
    install(schema_editor.connection)


def remove_in_migration(apps: object, schema_editor: BaseDatabaseSchemaEditor) -> None:
    remove(schema_editor.connection)
