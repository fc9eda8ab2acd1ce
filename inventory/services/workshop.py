"""Writing the workshop's settings."""

from __future__ import annotations

from collections.abc import Mapping

from inventory.errors import BadInput, Fault
from inventory.models import Setting
from inventory.services.changes import Change, Kind, write_down
from inventory.transactions import write
from inventory.workshop import KEYS, SettingRefused, check_setting


@write
def change_settings(*, values: Mapping[str, str]) -> None:
    """Set these settings; "" gives a key its default again. Raises BadInput naming every wrong one."""
    faults = []
    for key, text in values.items():
        try:
            check_setting(key, text)
        except SettingRefused as refusal:
            faults.append(Fault(key if key in KEYS else "key", text, str(refusal)))
    if faults:
        raise BadInput("a setting is not accepted; nothing was changed", faults=faults)
    before = dict(Setting.objects.filter(key__in=values).values_list("key", "value"))
    for key, text in values.items():
        Setting.objects.update_or_create(key=key, defaults={"value": text})
    write_down(
        Change(Kind.SETTING, key, {"value": before.get(key, "")}, {"value": text}) for key, text in values.items()
    )
