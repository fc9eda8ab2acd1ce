"""Where a notice leads: the address in the API of what it is about, and the page, where there is one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from django.conf import settings
from django.urls import NoReverseMatch, reverse

# For what a notice of a kind is about: route names and the subject's codes that stand in the address. The first that
# there is counts: first that of the API, which a page may share, then that of a page that bears another.
_Route = tuple[str, tuple[str, ...]]
_LOT: tuple[_Route, ...] = (("lot", ("item", "lot")), ("lot-card", ("item", "lot")))
_WAYS: dict[str, tuple[_Route, ...]] = {
    "stability_pull": (("pull", ("study", "pull")), ("study", ("study",))),
    "out_of_limits": (("pull", ("study", "pull")), ("study", ("study",))),
    "check_failed": (("batch", ("batch",)),),
    "lot_expiring": _LOT,
    "retest_due": _LOT,
    "bulk_storage": _LOT,
    "container_running_out": _LOT,
    "samples_past_keeping": _LOT,
    "life_short": _LOT,
    "lot_held": _LOT,
    "release_overdue": _LOT,
    "reorder": (("item", ("item",)), ("item-days", ("item",))),
    "order_late": (("purchase-order", ("order",)), ("order", ("order",))),
    "demand_late": (("demands", ()),),
    "batch_coming": (("batch", ("batch",)),),
    "upkeep": (("upkeep-job", ("upkeep",)), ("upkeep", ())),
}


def api_path(kind: str, subject: Mapping[str, Any]) -> str:
    """The address in the API; "" where nothing answers."""
    return _first(kind, subject, lambda name, codes: reverse(f"api:{name}", kwargs=codes))


def page_path(kind: str, subject: Mapping[str, Any]) -> str:
    """The address of the page; "" where there is none."""
    return _first(kind, subject, lambda name, codes: reverse(name, kwargs=codes))


def page_url(kind: str, subject: Mapping[str, Any]) -> str:
    """The whole address of the page, for letters and calendars; "" where it or the service's own is not known."""
    path = page_path(kind, subject)
    return settings.SITE_URL + path if settings.SITE_URL and path else ""


def _first(kind: str, subject: Mapping[str, Any], find: Callable[[str, dict[str, Any]], str]) -> str:
    ways = _WAYS.get(kind, ())
    if kind == "reservation_broken":
        holder, _, code = str(subject.get("holder", "")).partition(":")
        ways = (("batch", ("batch",)),) if holder == "batch" else (("demands", ()),)
        subject = {"batch": code}
    for name, codes in ways:
        try:
            return find(name, {code: subject[code] for code in codes})
        except (NoReverseMatch, KeyError):
            continue
    return ""
