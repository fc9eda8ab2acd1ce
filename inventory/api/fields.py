"""The fields of requests and answers: each reads by the one reader of its kind of value, and describes itself.

Texts, days, quantities, decimals and percentages are JSON strings; whole numbers and yes or no are JSON's own.
"""

from __future__ import annotations

import datetime
import re
import uuid
from decimal import Decimal
from typing import Any

from rest_framework import serializers

from inventory import cells
from inventory.cells import UNKNOWN, Reader, Refused
from inventory.quantities import show_percent

JsonSchema = dict[str, Any]


class CellField(serializers.Field):
    """A value that a reader of ``inventory.cells`` reads.

    ``blank`` takes "" for nothing (texts), ``allow_null`` takes null for nothing (all others).
    ``cost`` marks what people whose only role is helper do not see; ``secret`` is never echoed;
    ``refers_to`` names the resource whose codes it takes. Raises ValidationError with what is accepted.
    """

    json_type: type = str
    schema: JsonSchema = {"type": "string"}

    def __init__(
        self,
        reader: Reader,
        *,
        blank: bool = False,
        cost: bool = False,
        secret: bool = False,
        refers_to: str = "",
        **kwargs: Any,
    ) -> None:
        self.reader, self.blank, self.cost, self.secret, self.refers_to = reader, blank, cost, secret, refers_to
        accepted = reader.accepted
        kwargs.setdefault("error_messages", {"required": f"required: {accepted}", "null": accepted})
        super().__init__(**kwargs)

    def to_internal_value(self, value: Any) -> Any:
        as_text = isinstance(value, str) and self.context.get("texts", False)
        if not as_text and (not isinstance(value, self.json_type) or isinstance(value, bool) != self._is_flag):
            raise serializers.ValidationError(self.accepted_type())
        text = value if isinstance(value, str) else self.as_text(value)
        if isinstance(value, str) and not text.strip():
            if self.blank and text == "":
                return ""
            raise serializers.ValidationError(self.reader.accepted)
        try:
            return self.kept(text, self.reader.read(text, UNKNOWN))
        except Refused as refusal:
            raise serializers.ValidationError(str(refusal)) from None

    def to_representation(self, value: Any) -> Any:
        return value

    @property
    def _is_flag(self) -> bool:
        return self.json_type is bool

    def accepted_type(self) -> str:
        return f"{self.reader.accepted} (as a JSON {'string' if self.json_type is str else 'number'})"

    def as_text(self, value: Any) -> str:
        return str(value)

    def kept(self, text: str, value: Any) -> Any:
        """What the view gets: the value read, unless a kind of field needs the text later."""
        return value

    def json_schema(self) -> JsonSchema:
        found = dict(self.schema)
        if self.refers_to:
            found["x-refers-to"] = self.refers_to
        if self.cost:
            found["x-cost"] = True  # left out for people whose only role is helper
        return found

    def query_schema(self) -> JsonSchema:
        return self.json_schema()


class Text(CellField):
    def __init__(self, length: int = 200, **kwargs: Any) -> None:
        self.length = length
        super().__init__(cells.text(length), **kwargs)

    def json_schema(self) -> JsonSchema:
        return super().json_schema() | {"maxLength": self.length} | ({} if self.blank else {"minLength": 1})


class Showed(Text):
    """What a check showed: a number, or a word."""


class LongText(Text):
    def __init__(self, **kwargs: Any) -> None:
        super().__init__(5_000, **kwargs)


class Code(CellField):
    schema = {"type": "string", "format": "code", "maxLength": cells.CODE_LENGTH}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(cells.code(), **kwargs)


class Choice(CellField):
    def __init__(self, *options: str, **kwargs: Any) -> None:
        self.options = options
        super().__init__(cells.choice(*options), **kwargs)

    def json_schema(self) -> JsonSchema:
        options: list[str | None] = [*self.options, *([""] if self.blank else []), *([None] if self.allow_null else [])]
        return super().json_schema() | {"enum": options}


class Flag(CellField):
    """Yes or no: true or false in JSON, "yes" or "no" in a query."""

    json_type = bool
    schema = {"type": "boolean"}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(cells.yes_no(), **kwargs)

    def accepted_type(self) -> str:
        return "true or false"

    def as_text(self, value: Any) -> str:
        return "yes" if value else "no"

    def query_schema(self) -> JsonSchema:
        return {"type": "string", "enum": ["yes", "no"]}


class Whole(CellField):
    json_type = int

    def __init__(self, low: int, high: int, **kwargs: Any) -> None:
        self.low, self.high = low, high
        super().__init__(cells.whole(low, high), **kwargs)

    def json_schema(self) -> JsonSchema:
        return super().json_schema() | {"type": "integer", "minimum": self.low, "maximum": self.high}


class Days(Whole):
    """A number of days."""

    def __init__(self, low: int = 0, **kwargs: Any) -> None:
        super().__init__(low, cells.MAX_DAYS, **kwargs)


class Number(CellField):
    """A decimal as text, exact: "0.92", "12.50"."""

    schema = {"type": "string", "format": "decimal"}

    def __init__(self, low: str, high: str, places: int, *, above: bool = False, **kwargs: Any) -> None:
        super().__init__(cells.decimal(low, high, places, above=above), **kwargs)


class Money(Number):
    """An amount of the workshop's currency as text; a cost."""

    def __init__(self, places: int = 4, **kwargs: Any) -> None:
        super().__init__("0", "1000000000", places, cost=True, **kwargs)


class Percent(CellField):
    """A percentage as text; the view gets ten-thousandths of a percent."""

    schema = {"type": "string", "format": "percentage"}

    def __init__(self, low: int = 0, **kwargs: Any) -> None:
        super().__init__(cells.percent(low), **kwargs)


class Quantity(CellField):
    """A quantity as text, "1250 g" or "24 pc". The view gets the text: what it is depends on the item.

    ``inventory.api.frame.quantity_of`` reads it then.
    """

    schema = {"type": "string", "format": "quantity"}

    def __init__(self, minimum: int = 1, **kwargs: Any) -> None:
        super().__init__(cells.quantity(minimum), **kwargs)

    def kept(self, text: str, value: Any) -> str:
        return text


class Day(CellField):
    schema = {"type": "string", "format": "date"}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(cells.day(), **kwargs)


class Expiry(CellField):
    """A day, or a month that stands for its last day."""

    schema = {"type": "string", "format": "day-or-month"}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(cells.expiry(), **kwargs)


class Email(CellField):
    schema = {"type": "string", "format": "e-mail"}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(cells.email(), **kwargs)


class Cas(CellField):
    schema = {"type": "string", "format": "cas"}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(cells.cas(), **kwargs)


class Gtin(CellField):
    schema = {"type": "string", "format": "gtin"}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(cells.gtin(), **kwargs)


def _read_instant(text: str, measured: Any) -> datetime.datetime:
    accepted = 'a moment with its offset such as "2027-03-01T09:30:00+01:00"'
    if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9:.]{5,15}(Z|[+-][0-9]{2}:[0-9]{2})", text) is None:
        raise Refused(accepted)
    try:
        found = datetime.datetime.fromisoformat(text)
        if not cells.FIRST_DAY < found.date() < cells.LAST_DAY:
            raise Refused(accepted)
    except (ValueError, OverflowError):
        raise Refused(accepted) from None
    return found


class Instant(CellField):
    """A moment, ISO 8601 with its offset."""

    schema = {"type": "string", "format": "date-time"}

    def __init__(self, **kwargs: Any) -> None:
        accepted = 'a moment with its offset such as "2027-03-01T09:30:00+01:00"'
        super().__init__(Reader("moment", accepted, _read_instant), **kwargs)


_UID_ACCEPTED = 'a UUID such as "5f0c1f5e-6f2b-4a53-9d51-3c1f9a7f0b10"'


def _read_uid(text: str, measured: Any) -> uuid.UUID:
    if re.fullmatch(r"[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}", text) is None:
        raise Refused(_UID_ACCEPTED)
    return uuid.UUID(text)


class Uid(CellField):
    schema = {"type": "string", "format": "uuid"}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(Reader("uid", _UID_ACCEPTED, _read_uid), **kwargs)


class Secret(Text):
    """A password: never echoed."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(200, secret=True, **kwargs)

    def json_schema(self) -> JsonSchema:
        return super().json_schema() | {"format": "password"}


class ListOf(serializers.ListField):
    """A list of one kind of value, each once."""

    def __init__(self, child: CellField, *, most: int = 1_000, **kwargs: Any) -> None:
        how_many = f"at most {most}" if kwargs.get("allow_empty", True) else f"1 to {most}"
        accepted = f"a list of {how_many} values, each {child.reader.accepted}"
        messages = {
            "not_a_list": accepted,
            "required": f"required: {accepted}",
            "null": accepted,
            "max_length": accepted,
            "empty": accepted,
        }
        super().__init__(child=child, max_length=most, error_messages=messages, **kwargs)

    def query_schema(self) -> JsonSchema:
        """In a query the name is repeated: ``lot=A1&lot=B2``."""
        return {"type": "array", "items": self.child.query_schema(), "maxItems": self.max_length}


class AnyJson(serializers.Field):
    """Any JSON value, in answers only: the facts of an alert."""

    schema: JsonSchema = {}

    def to_representation(self, value: Any) -> Any:
        return value

    def json_schema(self) -> JsonSchema:
        return dict(self.schema)


def show_decimal(value: Decimal | None) -> str | None:
    """Plain, without trailing zeros or exponent."""
    return None if value is None else f"{value.normalize():f}"


def show_percentage(steps: int | None) -> str | None:
    return None if steps is None else show_percent(steps)


def show_money(steps: int | None, places: int = 4) -> str | None:
    """An amount kept in whole steps, with at least two decimals: 125000 of four places is "12.50"."""
    if steps is None:
        return None
    whole, rest = divmod(steps, 10**places)
    return f"{whole}.{f'{rest:0{places}d}'.rstrip('0'):0<2}"
