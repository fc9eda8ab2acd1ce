"""PostgreSQL with values bound by the server, of which one statement takes 65,535 at the most.

Django binds them itself by default, and so knows no such limit: it would write fifteen thousand items in one statement,
which the driver refuses. With it told, ``bulk_create``, ``bulk_update`` and ``in_bulk`` go in parts, as on SQLite.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db.backends.postgresql import base, features, operations


class DatabaseFeatures(features.DatabaseFeatures):
    max_query_params = 2**16 - 1  # a 16-bit count in the message Bind: PostgreSQL, "Message Formats"


class DatabaseOperations(operations.DatabaseOperations):
    def bulk_batch_size(self, fields: Sequence[Any], objs: Sequence[Any]) -> int:
        """How many rows of so many values go in one statement."""
        return DatabaseFeatures.max_query_params // len(fields) if fields else len(objs)


class DatabaseWrapper(base.DatabaseWrapper):
    features_class = DatabaseFeatures
    ops_class = DatabaseOperations
