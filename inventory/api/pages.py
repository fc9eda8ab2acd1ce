"""Pages of a list: rows in the order of one unique field, and the address of the next page.

A cursor holds the key of the last row, so that a page does not shift when rows come or go before it.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import orjson
from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from rest_framework.request import Request

from inventory.columns import rows_of
from inventory.errors import BadInput, Fault

DEFAULT_LIMIT = 100


@dataclass(frozen=True, slots=True)
class Listing:
    """A list still to be cut into pages.

    ``rows`` is a ``values()`` query that holds ``key``, a unique field of the model ("-pk" style for descending). A
    query with all its columns is best made once, where the module is loaded, and narrowed for each request.
    ``show`` makes one row of the answer from one of the query; or ``show_page`` all rows of a page at once, with a
    fixed number of queries; without either the rows are the answer as they are. Both are given the dicts to keep:
    they may make the answer of them. ``called`` names the columns that the answer calls otherwise.
    """

    rows: QuerySet[Any, Any]
    key: str
    show: Callable[[dict[str, Any]], dict[str, Any]] | None = None
    show_page: Callable[[list[dict[str, Any]]], list[dict[str, Any]]] | None = None
    called: Mapping[str, str] = field(default_factory=dict)


def page_of(listing: Listing, asked: dict[str, Any], request: Request) -> dict[str, Any]:
    """One page: ``{"rows": [...], "next": address or null}``. Raises BadInput for a cursor that is none."""
    limit = asked.get("limit", DEFAULT_LIMIT)
    name = listing.key.removeprefix("-")
    rows = listing.rows
    if "cursor" in asked:
        after = _read_cursor(asked["cursor"], listing, name)
        rows = rows.filter(**{f"{name}__{'lt' if listing.key.startswith('-') else 'gt'}": after})
    found = rows_of(rows.order_by(listing.key)[: limit + 1], listing.called)
    page = found[:limit]
    following = None
    if len(found) > limit:
        query = request.query_params.copy()
        query["cursor"] = _write_cursor(page[-1][listing.called.get(name, name)])
        following = f"{request.path}?{query.urlencode()}"
    if listing.show_page is not None:
        shown = listing.show_page(page)
    else:
        shown = page if listing.show is None else [listing.show(row) for row in page]
    return {"rows": shown, "next": following}


def _write_cursor(key: Any) -> str:
    return base64.urlsafe_b64encode(orjson.dumps(key)).decode().rstrip("=")


def _read_cursor(text: str, listing: Listing, name: str) -> Any:
    accepted = "the cursor of an address in next, as it stands there"
    refusal = BadInput("the cursor is not accepted", faults=[Fault("cursor", text[:100], accepted)])
    try:
        key = orjson.loads(base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True))
        if not isinstance(key, str | int) or (isinstance(key, str) and not key.isprintable()):
            raise refusal
        model = listing.rows.model._meta
        value = (model.pk if name == "pk" else model.get_field(name)).to_python(key)
    except (TypeError, ValueError, binascii.Error, ValidationError):  # a day, for one, is read from text alone
        raise refusal from None
    if isinstance(value, int) and not -(2**63) <= value < 2**63:  # more than a database keeps
        raise refusal
    return value
