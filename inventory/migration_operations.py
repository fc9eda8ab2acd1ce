"""Operations of migrations that hold nobody up."""

from __future__ import annotations

from typing import Any

from django.db.migrations import AddIndex
from django.db.migrations.operations.base import OperationCategory


class AddIndexMeanwhile(AddIndex):
    """An index on a table that is in use: on PostgreSQL made CONCURRENTLY, so that writers go on meanwhile.

    The migration says ``atomic = False`` and does nothing else. On SQLite, which has one writer, as usual.
    """

    category = OperationCategory.ADDITION

    def database_forwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        if schema_editor.connection.vendor != "postgresql":
            super().database_forwards(app_label, schema_editor, from_state, to_state)
            return
        self._refuse_a_transaction(schema_editor)
        model = to_state.apps.get_model(app_label, self.model_name)
        if self.allow_migrate_model(schema_editor.connection.alias, model):
            schema_editor.add_index(model, self.index, concurrently=True)

    def database_backwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        if schema_editor.connection.vendor != "postgresql":
            super().database_backwards(app_label, schema_editor, from_state, to_state)
            return
        self._refuse_a_transaction(schema_editor)
        model = from_state.apps.get_model(app_label, self.model_name)
        if self.allow_migrate_model(schema_editor.connection.alias, model):
            schema_editor.remove_index(model, self.index, concurrently=True)

    def _refuse_a_transaction(self, schema_editor: Any) -> None:
        if schema_editor.connection.in_atomic_block:
            raise NotImplementedError("AddIndexMeanwhile needs atomic = False on its migration")
