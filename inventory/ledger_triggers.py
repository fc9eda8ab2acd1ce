"""The database's own refusal to change or delete what the ledger holds, or to take a movement that belies its event.

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
# The making that a movement of the event ``e`` names.
MAKING = """
    CASE WHEN e.kind IN ('used', 'made')
        OR e.kind = 'corrected'
            AND (SELECT c.kind FROM inventory_stockevent c WHERE c.id = e.corrects_id) IN ('used', 'made')
    THEN e.transformation_id END
"""
# Whether the item of the lot that a movement ``m`` names is counted.
IN_PIECES = """
    (SELECT i.measure = 'count' FROM inventory_lot l JOIN inventory_item i ON i.id = l.item_id
    WHERE l.id = {movement}.lot_id)
"""
BELIED = "a movement names the making of its event, and is in pieces where the item of its lot is counted"


def install(connection: BaseDatabaseWrapper) -> None:
    """Refuse UPDATE, DELETE, (PostgreSQL) TRUNCATE and (SQLite) INSERT OR REPLACE of every ledger table.

    And refuse a movement whose making is not its event's, or whose measure is not its item's: none of these is ever
    changed once a movement is there, so that it is looked at once.
    """
    install_only_grows(connection)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "CREATE OR REPLACE FUNCTION weighhouse_refuse_belied() RETURNS trigger LANGUAGE plpgsql AS "
                "$$ BEGIN IF EXISTS (SELECT 1 FROM given m JOIN inventory_stockevent e ON e.id = m.event_id "
                f"WHERE m.making_id IS DISTINCT FROM {MAKING} OR m.in_pieces <> {IN_PIECES.format(movement='m')}) "
                f"THEN RAISE EXCEPTION '{BELIED}' USING ERRCODE = 'check_violation'; END IF; "
                "RETURN NULL; END $$"
            )
            cursor.execute(
                "CREATE TRIGGER inventory_movement_belied AFTER INSERT ON inventory_movement "
                "REFERENCING NEW TABLE AS given "
                "FOR EACH STATEMENT EXECUTE FUNCTION weighhouse_refuse_belied()"
            )
        else:
            cursor.execute(
                "CREATE TRIGGER inventory_movement_belied BEFORE INSERT ON inventory_movement "
                "WHEN EXISTS (SELECT 1 FROM inventory_stockevent e "
                f"WHERE e.id = NEW.event_id AND NEW.making_id IS NOT {MAKING}) "
                f"OR NEW.in_pieces <> {IN_PIECES.format(movement='NEW')} "
                f"BEGIN SELECT RAISE(ABORT, '{BELIED}'); END"
            )


def install_only_grows(connection: BaseDatabaseWrapper) -> None:
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
        of_movements = " ON inventory_movement" if connection.vendor == "postgresql" else ""
        for name in ("belied", "its_making"):  # the second is an earlier version's
            cursor.execute(f"DROP TRIGGER IF EXISTS inventory_movement_{name}{of_movements}")
        for table in LEDGER_TABLES:
            if connection.vendor == "postgresql":
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_only_grows ON {table}")
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_never_emptied ON {table}")
            else:
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_no_update")
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_no_delete")
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_no_replace")


def install_in_migration(apps: object, schema_editor: BaseDatabaseSchemaEditor) -> None:
    install_only_grows(schema_editor.connection)


def install_as_before_movements_repeated(apps: object, schema_editor: BaseDatabaseSchemaEditor) -> None:
    """For a database of an earlier version, whose movements do not repeat everything yet."""
    remove(schema_editor.connection)
    install_only_grows(schema_editor.connection)


def name_makings_in_migration(apps: object, schema_editor: BaseDatabaseSchemaEditor) -> None:
    """Write the making into the movements that there are: once, with the triggers away."""
    connection = schema_editor.connection
    remove(connection)
    with connection.cursor() as cursor:
        cursor.execute(
            f"UPDATE inventory_movement SET making_id = (SELECT {MAKING} FROM inventory_stockevent e "
            "WHERE e.id = inventory_movement.event_id) "
            "WHERE event_id IN (SELECT id FROM inventory_stockevent WHERE transformation_id IS NOT NULL)"
        )
    _look_at_keys(connection)
    install_only_grows(connection)


def tell_pieces_in_migration(apps: object, schema_editor: BaseDatabaseSchemaEditor) -> None:
    """Write into the movements that there are whether they are of pieces: once, with the triggers away."""
    connection = schema_editor.connection
    remove(connection)
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE inventory_movement SET in_pieces = TRUE WHERE lot_id IN (SELECT l.id FROM inventory_lot l "
            "JOIN inventory_item i ON i.id = l.item_id WHERE i.measure = 'count')"
        )
    _look_at_keys(connection)
    install(connection)


def _look_at_keys(connection: BaseDatabaseWrapper) -> None:
    """Have the keys that were written looked at now: a table that waits for that takes no trigger and no index."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            cursor.execute("SET CONSTRAINTS ALL DEFERRED")


def remove_in_migration(apps: object, schema_editor: BaseDatabaseSchemaEditor) -> None:
    remove(schema_editor.connection)
