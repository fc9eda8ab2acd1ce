"""Every row of a database, to be compared before and after."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.apps import apps
from django.db import connection

OURS = ("inventory", "production", "planner")


def every_row(of_apps: Iterable[str] = OURS) -> dict[str, list[tuple[Any, ...]]]:
    """By model, in the order of their keys, as the database tells them; also of tables between two models."""
    found = {}
    with connection.cursor() as cursor:
        for app in of_apps:
            for model in apps.get_app_config(app).get_models(include_auto_created=True):
                cursor.execute(f'SELECT * FROM {model._meta.db_table} ORDER BY "{model._meta.pk.column}"')
                found[model._meta.label] = cursor.fetchall()
    return found
