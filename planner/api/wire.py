"""JSON in and out: strict, bounded, and exact."""

from __future__ import annotations

from typing import IO, Any

import orjson
from rest_framework.parsers import BaseParser
from rest_framework.renderers import BaseRenderer

from inventory.errors import BadInput, Fault, TooLarge

MOST_BYTES = 5 * 1024 * 1024


class Parser(BaseParser):
    """One JSON object of at most 5 MB. Raises TooLarge, or BadInput for what is no such object."""

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
        return found


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
