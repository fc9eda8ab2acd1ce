"""JSON in and out: strict, bounded, and exact."""

from __future__ import annotations

import json
from typing import IO, Any

import orjson
from rest_framework.parsers import BaseParser
from rest_framework.renderers import BaseRenderer

from inventory.errors import BadInput, Fault, TooLarge

MOST_BYTES = 5 * 1024 * 1024


class Parser(BaseParser):
    """One JSON object of at most 5 MB, each name once. Raises TooLarge, or BadInput for what is no such object."""

    media_type = "application/json"

    def parse(self, stream: IO[bytes], media_type: str | None = None, parser_context: Any = None) -> dict[str, Any]:
        # The length that the request names is believed only where it is too long; else what comes is counted.
        length = stream.META.get("CONTENT_LENGTH") if hasattr(stream, "META") else None
        if length and length.isdigit() and int(length) > MOST_BYTES:
            raise TooLarge("a request holds at most 5 MB")
        content = stream.read(MOST_BYTES + 1)
        if len(content) > MOST_BYTES:
            raise TooLarge("a request holds at most 5 MB")
        try:
            found = orjson.loads(content)
        except orjson.JSONDecodeError as error:
            fault = Fault("body", "", "one JSON object in UTF-8")
            raise BadInput(f"the request is not JSON: {error}", code="not_json", faults=[fault]) from None
        if not isinstance(found, dict):
            fault = Fault("body", "", "one JSON object in UTF-8")
            raise BadInput("the request is not a JSON object", code="not_json", faults=[fault])
        _refuse_twice_named(content)
        return found


def _refuse_twice_named(content: bytes) -> None:
    """Two values under one name are no clear request, and the parser keeps the last one without a word."""
    try:
        # Only names are looked at: numbers stay text, however long they are.
        json.loads(content, object_pairs_hook=_named_once, parse_int=str, parse_float=str)
    except RecursionError:
        fault = Fault("body", "", "one JSON object in UTF-8, not as deep as this")
        raise BadInput("the request is deeper than can be read", code="not_json", faults=[fault]) from None


def _named_once(pairs: list[tuple[str, Any]]) -> None:
    seen: set[str] = set()
    for name, _ in pairs:
        if name in seen:
            told = "".join(sign if sign.isprintable() else " " for sign in name[:100])
            fault = Fault(told, "", "each name once in an object")
            raise BadInput("a name is given twice in one object", code="not_json", faults=[fault])
        seen.add(name)


class Renderer(BaseRenderer):
    """JSON by orjson, for answers and problems; bytes are JSON already made."""

    media_type = "application/json"
    format = "json"
    charset = None
    render_style = "binary"

    def render(self, data: Any, accepted_media_type: str | None = None, renderer_context: Any = None) -> bytes:
        if isinstance(data, bytes):
            return data
        return b"" if data is None else orjson.dumps(data)
