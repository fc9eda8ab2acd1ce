"""The trace's pages in the demo's workshop."""

from __future__ import annotations

from urllib.parse import urlencode

from inventory.models import Lot


def an_origin() -> str:
    lot = Lot.objects.select_related("item").filter(movements__making__isnull=False, item__kind="raw").order_by("pk")[0]
    return urlencode({"lot": lot.number, "item": lot.item.code})


WHERE = {"trace-file": lambda: {"kind": "csv"}}
QUERY = dict.fromkeys(("trace", "trace-picture", "trace-file", "trace-hold", "trace-release"), an_origin)
