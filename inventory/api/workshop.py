"""The workshop's settings."""

from __future__ import annotations

from django.urls import path
from rest_framework.request import Request

from inventory import workshop
from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, View, reads, writes
from inventory.services.workshop import change_settings


class SettingsChanges(Form):
    """A setting that is "" has its default again."""

    time_zone = fields.Text(required=False, blank=True)
    country = fields.Text(required=False, blank=True)
    currency = fields.Text(required=False, blank=True)
    open_days = fields.Text(required=False, blank=True)
    scales = fields.Text(required=False, blank=True)
    lot_pattern = fields.Text(required=False, blank=True)
    batch_pattern = fields.Text(required=False, blank=True)
    units = fields.Text(required=False, blank=True)
    morning = fields.Text(required=False, blank=True)
    bench_minutes = fields.Text(required=False, blank=True)


SettingsAnswer = type(
    "Settings", (Answer,), {name: fields.Text(blank=True) for name in SettingsChanges._declared_fields}
)
EXAMPLE: Json = {
    "time_zone": "UTC",
    "country": "",
    "currency": "",
    "open_days": "mon tue wed thu fri sat sun",
    "scales": workshop.DEFAULT_SCALES,
    "lot_pattern": "{year}{month}{day}-{n}",
    "batch_pattern": "B{year}{month}{day}-{n}",
    "units": "g kg",
    "morning": "07:00",
    "bench_minutes": "10",
}


def read_settings() -> Json:
    return {key: workshop.value_of(key) for key in workshop.KEYS}


class Settings(View):
    @reads(SettingsAnswer, summary="Read the settings", gives=EXAMPLE)
    def get(self, request: Request, asked: Json) -> Json:
        """Every setting of the workshop, defaults where nothing was set."""
        return read_settings()

    @writes(
        SettingsChanges,
        SettingsAnswer,
        summary="Change settings",
        asks={"currency": "EUR", "open_days": "mon tue wed thu fri"},
        gives=EXAMPLE | {"currency": "EUR", "open_days": "mon tue wed thu fri"},
    )
    def patch(self, request: Request, asked: Json) -> Json:
        """Change what is given and leave the rest; "" gives a setting its default again."""
        change_settings(values=asked)
        return read_settings()


ROUTES = [path("settings", Settings.as_view(), name="settings")]
