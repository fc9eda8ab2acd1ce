"""What every resource of the API is made of: strict forms, answers, operations with retry keys, and their views.

An operation is a method of a view under ``reads``, ``lists`` or ``writes``: the decorator reads the request strictly,
calls the method, renders what it returns, and documents all of it. Knows nothing of planner.
"""

from __future__ import annotations

import copy
import functools
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any, TypeVar
from uuid import UUID

import orjson
from django.http import HttpResponse
from django.http.response import HttpResponseBase
from django.urls import register_converter
from django.urls.converters import StringConverter
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiExample, OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from inventory.api import fields
from inventory.api.pages import Listing, page_of
from inventory.errors import BadInput, Fault, NotFound
from inventory.models import Item
from inventory.models.workshop import KEY_LENGTH
from inventory.quantities import Quantity, QuantityError, parse_quantity
from inventory.transactions import retry_safe

Json = dict[str, Any]
Found = TypeVar("Found")
KEY_HEADER = "Idempotency-Key"
JSON_TYPE, PROBLEM_TYPE = "application/json", "application/problem+json"
_SHOWN_CHARACTERS = 100


class CodeConverter(StringConverter):
    """A code in a path: a slash in it is written ~1, a tilde ~0 (RFC 6901)."""

    regex = "[^/]+"

    def to_python(self, value: str) -> str:
        if not value.isprintable() or "~" in value.replace("~0", "").replace("~1", ""):
            raise ValueError("not a code")  # Django goes on to "no such address"
        return value.replace("~1", "/").replace("~0", "~")

    def to_url(self, value: str) -> str:
        return value.replace("~", "~0").replace("/", "~1")


register_converter(CodeConverter, "code")


# What the query of every list may hold besides its filters.
PAGING = {"limit": fields.Whole(1, 500, required=False), "cursor": fields.Text(400, required=False)}


# --- forms and answers -------------------------------------------------------------------------------------


class Form(serializers.Serializer):
    """What a request may hold: the declared fields and nothing else."""

    default_error_messages = {"invalid": "a JSON object"}

    def to_internal_value(self, data: Any) -> Any:
        if not isinstance(data, Mapping):
            raise serializers.ValidationError("a JSON object")
        values, faults = {}, {}
        for name, one in self.fields.items():
            if name in data:
                try:
                    values[name] = one.run_validation(data[name])
                except serializers.ValidationError as error:
                    faults[name] = error.detail
            elif one.required:
                faults[name] = [one.error_messages["required"]]
        if data.keys() - self.fields.keys():
            accepted = "only the fields " + ", ".join(self.fields) if self.fields else "nothing here"
            faults |= {str(name): [accepted] for name in data if name not in self.fields}
        if faults:
            raise serializers.ValidationError(faults)
        return values


class Lines(serializers.ListSerializer):
    """A list of forms within a form; declared as ``Lines(child=LineForm())``."""

    def __init__(self, *, most: int = 1_000, **kwargs: Any) -> None:
        self.most = most
        kwargs.setdefault("allow_empty", False)
        accepted = (
            f"a list of 1 to {most} objects" if not kwargs["allow_empty"] else f"a list of at most {most} objects"
        )
        messages = dict.fromkeys(("not_a_list", "empty", "max_length", "null"), accepted)
        kwargs.setdefault("error_messages", messages | {"required": f"required: {accepted}"})
        super().__init__(max_length=most, **kwargs)


class Answer(serializers.Serializer):
    """What an answer holds; used to describe it and to leave out costs. Rows are plain dicts, never models."""


def changes_of(form: type[Form], name: str, *, without: Iterable[str] = ()) -> type[Form]:
    """The form of a PATCH: every field of ``form`` but those in ``without``, none required."""
    left_out = set(without)
    declared = {key: _again(one, required=False) for key, one in _declared(form).items() if key not in left_out}
    return type(name, (Form,), declared)


def answer_of(form: type[Form], name: str, *, without: Iterable[str] = (), **more: serializers.Field) -> type[Answer]:
    """The answer with every field of ``form`` but those in ``without``, and ``more``; all of them always there."""
    left_out = set(without)
    declared = {key: _again(one, required=True) for key, one in _declared(form).items() if key not in left_out}
    return type(name, (Answer,), declared | {key: _again(one) for key, one in more.items()})  # made last, told last


def _declared(form: type[Form]) -> dict[str, Any]:
    return dict(form._declared_fields)


def _again(one: Any, **changed: Any) -> Any:
    # A copy of the arguments too: what a list holds belongs to one list.
    return type(one)(*copy.deepcopy(one._args), **(copy.deepcopy(one._kwargs) | changed))


# --- reading -----------------------------------------------------------------------------------------------


def shown(value: Any, secret: bool = False) -> str:
    """A value as it may stand in a problem: one line, no control characters, not endless."""
    if secret or value is None or value is serializers.empty:
        return ""
    if not isinstance(value, str):
        try:
            value = orjson.dumps(value, default=str).decode()
        except (TypeError, ValueError):  # deeper than can be told
            value = "..."
    plain = "".join(sign if sign.isprintable() else " " for sign in value)
    return plain if len(plain) <= _SHOWN_CHARACTERS else plain[:_SHOWN_CHARACTERS] + "..."


def read_form(form: type[Form], given: Any, *, texts: bool = False) -> dict[str, Any]:
    """The values of a request by name; those not given are not there. Raises BadInput naming every faulty field.

    ``texts`` reads all values from text, as a query has them.
    """
    reader = _reader(form, texts)
    try:
        values: dict[str, Any] = reader.to_internal_value(given)
        return values
    except serializers.ValidationError as error:
        faults = list(_faults(error.detail, given, "", reader))
    told = "1 value is not accepted" if len(faults) == 1 else f"{len(faults)} values are not accepted"
    raise BadInput(f"{told}; nothing was changed", faults=faults)


_readers: dict[tuple[type[Form], bool], Form] = {}


def _reader(form: type[Form], texts: bool) -> Form:
    """One reader for all requests: its fields keep nothing of what they read, and to copy them takes long."""
    found = _readers.get((form, texts))
    if found is None:
        found = form(context={"texts": texts})
        assert found.fields is not None  # bound before another thread has it
        _readers[form, texts] = found
    return found


def _faults(errors: Any, given: Any, path: str, at: Any) -> Iterable[Fault]:
    """Faults of nested errors: ``lines[2].quantity``."""
    if isinstance(errors, Mapping):
        for name, inner in errors.items():
            below: Any = getattr(at, "fields", {}).get(name) if hasattr(at, "fields") else getattr(at, "child", None)
            if name == "non_field_errors":
                yield from _faults(inner, given, path, at)
            elif isinstance(name, int):
                yield from _faults(inner, given[name], f"{path}[{name}]", below)
            else:
                value = given.get(name) if isinstance(given, Mapping) else None
                yield from _faults(inner, value, f"{path}.{name}" if path else str(name), below)
    elif isinstance(errors, list) and any(not isinstance(one, str) for one in errors):
        for index, inner in enumerate(errors):
            yield from _faults(inner, given[index], f"{path}[{index}]", getattr(at, "child", None))
    else:
        secret = getattr(at, "secret", False)
        for message in errors:
            yield Fault(path or "body", shown(given, secret), str(message))


def read_query(form: type[Form], request: Request) -> dict[str, Any]:
    """The filters of a list, each given once; a ListOf takes one or several. Raises BadInput."""
    given: dict[str, Any] = request.query_params.dict()
    several = {name for name in given if isinstance(_reader(form, True).fields.get(name), fields.ListOf)}
    given |= {name: request.query_params.getlist(name) for name in several}
    twice = [name for name, values in request.query_params.lists() if len(values) > 1 and name not in several]
    if twice:
        raise BadInput(
            "a filter is given more than once",
            faults=[Fault(name, shown(request.query_params.getlist(name)), "one value") for name in twice],
        )
    return read_form(form, given, texts=True)


def quantity_of(item: Item, text: str, name: str = "quantity", *, minimum: int = 1) -> Quantity:
    """The quantity of an item that a form brought as text. Raises BadInput naming the field."""
    try:
        return parse_quantity(text, measure=item.measure, density_g_per_ml=item.density_g_per_ml, minimum=minimum)
    except QuantityError as error:
        raise refused(name, text, str(error)) from None


def refused(name: str, value: Any, accepted: str) -> BadInput:
    """A BadInput about one field."""
    return BadInput(f"{name} is not accepted; nothing was changed", faults=[Fault(name, shown(value), accepted)])


def named(find: Callable[[str], Found], code: str, name: str) -> Found:
    """What a code in a body or query names. Raises NotFound naming the field."""
    try:
        return find(code)
    except NotFound as error:
        fault = Fault(name, shown(code), "a code that is known")
        raise NotFound(error.message, faults=[fault]) from None


# --- operations --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Operation:
    """One method of one view, as the schema and the tests know it."""

    verb: str
    takes: type[Form] | None
    filters: type[Form]
    answers: type[Answer] | None
    status: int
    pages: bool
    retry: bool
    path: Mapping[str, str] = field(default_factory=dict)
    takes_media: tuple[str, ...] = ()  # in place of JSON: a file


@dataclass(frozen=True, slots=True)
class File:
    """An answer that is a file."""

    content: bytes
    media_type: str
    name: str


def reads(answers: type[Answer] | None, **told: Any) -> Callable[[Any], Any]:
    """``get(self, request, asked, **path) -> dict`` for one thing. See ``_operation`` for what may be told.

    The method may also return bytes, the answer as JSON already made; or a File, where ``gives_media`` names its kinds.
    """
    return _operation(answers=answers, **told)


def lists(row: type[Answer], **told: Any) -> Callable[[Any], Any]:
    """``get(self, request, asked, **path) -> Listing``: a page of rows. ``filters`` names the form of the query."""
    return _operation(answers=row, pages=True, **told)


def writes(takes: type[Form] | None, answers: type[Answer] | None, **told: Any) -> Callable[[Any], Any]:
    """``post/patch/delete(self, request, asked, **path) -> dict or None``. A POST heeds the retry key.

    Where ``takes_media`` names kinds of files, ``asked`` holds what the query gave, and the bytes as ``file``: the view
    has parsers that give them.
    """
    return _operation(takes=takes, answers=answers, writing=True, **told)


def _operation(
    *,
    summary: str,
    answers: type[Answer] | None,
    takes: type[Form] | None = None,
    filters: type[Form] = Form,
    status: int = 200,
    pages: bool = False,
    writing: bool = False,
    retry: bool = True,
    open_to_anyone: bool = False,
    refuses: Iterable[int] = (),
    takes_media: tuple[str, ...] = (),
    gives_media: tuple[str, ...] = (),
    path: Mapping[str, str] | None = None,
    query: Mapping[str, Any] | None = None,
    asks: Json | None = None,
    gives: Any = None,
) -> Callable[[Any], Any]:
    """Read, call, render and document.

    ``path``, ``query`` and ``asks`` are an example of the request, ``gives`` the whole answer to it (of a list: its
    rows, all on one page): all of them stand in the schema and are true (tests send them). ``refuses`` names statuses
    beyond the usual ones of its kind.
    """

    def decorate(method: Callable[..., Any]) -> Callable[..., Any]:
        verb = method.__name__.upper()
        given = {"rows": gives, "next": None} if pages and gives is not None else gives
        asked = type(filters.__name__, (filters,), dict(PAGING)) if pages else filters
        operation = Operation(
            verb, takes, asked, answers, status, pages, retry and verb == "POST", path or {}, takes_media
        )

        @functools.wraps(method)
        def inside(self: APIView, request: Request, **where: Any) -> HttpResponseBase:
            return _carry_out(self, method, operation, request, where)

        inside.operation = operation  # type: ignore[attr-defined]
        statuses = {*refuses, *_usual_statuses(operation, writing, open_to_anyone)}
        described = extend_schema(
            summary=summary,
            parameters=_parameters(operation, query or {}),
            request=dict.fromkeys(takes_media, OpenApiTypes.BINARY) or takes,
            responses=_responses(operation, sorted(statuses), given, gives_media),
            examples=_request_example(asks),
            auth=[] if open_to_anyone else None,
        )(inside)
        return described

    return decorate


def _listing(method: Callable[..., Any], view: APIView, request: Request, asked: Json, where: Json) -> Listing:
    """A filter that names an unknown code is a wrong value of a query, not an address that is not there."""
    try:
        listing: Listing = method(view, request, asked, **where)
    except NotFound as error:
        if error.faults and all(fault.field in asked for fault in error.faults):
            raise BadInput(error.message, faults=error.faults) from None
        raise
    return listing


def _carry_out(
    view: APIView, method: Callable[..., Any], operation: Operation, request: Request, where: dict[str, Any]
) -> HttpResponseBase:
    filters = read_query(operation.filters, request)
    if operation.pages:
        paging = {name: filters.pop(name) for name in PAGING if name in filters}
        listing = _listing(method, view, request, filters, where)
        page = _without_costs(page_of(listing, paging, request), operation, request)
        return HttpResponse(orjson.dumps(page), content_type=JSON_TYPE)
    if operation.verb == "GET":  # HEAD comes here too
        answer = method(view, request, filters, **where)
    else:
        answer = _write(view, method, operation, request, filters, where)
    if isinstance(answer, File):
        named = {"Content-Disposition": f'attachment; filename="{answer.name}"'}
        return HttpResponse(answer.content, content_type=answer.media_type, headers=named)
    return Response(_without_costs(answer, operation, request), status=operation.status)


def _write(
    view: APIView,
    method: Callable[..., Any],
    operation: Operation,
    request: Request,
    filters: dict[str, Any],
    where: dict[str, Any],
) -> bytes:
    if operation.takes_media:
        asked = filters | {"file": _file_of(request)}
        given: Any = [request.query_params, sha256(asked["file"]).hexdigest()]
    else:
        given = request.data
        asked = read_form(operation.takes or Form, given)

    def act() -> str:
        # As text: a database that keeps JSON may put the names of an object in another order.
        answer = method(view, request, asked, **where)
        return orjson.dumps({} if answer is None else answer).decode()

    if not operation.retry:
        return act().encode()
    route = f"{request.method} {request.resolver_match.url_name}"
    kept: str = retry_safe(_retry_key(request), route, [request.user.pk, where, given], act)
    return kept.encode()


def _retry_key(request: Request) -> str | None:
    """None where the request brought no key. An empty one is no key: it would promise what it does not keep."""
    key: str | None = request.headers.get(KEY_HEADER)
    if key is None or (key.strip() and key.isprintable() and len(key) <= KEY_LENGTH):
        return key
    raise refused(KEY_HEADER, key, f"1 to {KEY_LENGTH} characters, or no such header")


def _file_of(request: Request) -> bytes:
    if not isinstance(request.data, bytes) or not request.data:
        raise refused("body", "", "a file as the content of the request")
    return request.data


def _without_costs(answer: Any, operation: Operation, request: Request) -> Any:
    """Cost fields are left out unless the permission said that this person sees costs."""
    if operation.answers is None:
        return None
    if getattr(request, "sees_costs", False):
        return answer
    if isinstance(answer, bytes):
        answer = orjson.loads(answer)
    if operation.pages:
        return answer | {"rows": [_stripped(row, operation.answers()) for row in answer["rows"]]}
    return _stripped(answer, operation.answers())


def _stripped(answer: Any, described: Any) -> Any:
    if isinstance(answer, list):
        return [_stripped(one, getattr(described, "child", None)) for one in answer]
    known = getattr(described, "fields", None)
    if not isinstance(answer, dict) or known is None:
        return answer
    return {
        name: _stripped(value, known.get(name))
        for name, value in answer.items()
        if not getattr(known.get(name), "cost", False)
    }


# --- documenting -------------------------------------------------------------------------------------------

TITLES = {
    400: "A value is not accepted; errors name each",
    401: "Not signed in",
    403: "The person's roles do not cover this",
    404: "No such code",
    405: "This address does not take this method",
    406: "None of the accepted media is answered here",
    409: "Not in the present state: shortage, state, lock or retry key",
    413: "More than is taken at once",
    415: "This kind of content is not taken here",
    429: "Too many tries; wait",
    500: "A fault of the program",
    503: "The database cannot be used now",
}


class ProblemError(serializers.Serializer):
    """``file`` is there where a file was brought that has several parts; ``row`` where it has rows."""

    file = serializers.CharField(required=False)
    field = serializers.CharField()
    row = serializers.IntegerField(allow_null=True)
    value = serializers.CharField()
    accepted = serializers.CharField()


class Problem(serializers.Serializer):
    """RFC 9457, with a stable ``code`` and ``errors``; further members are the facts of the refusal."""

    type = serializers.CharField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    code = serializers.CharField()
    errors = ProblemError(many=True)


def _usual_statuses(operation: Operation, writing: bool, open_to_anyone: bool) -> set[int]:
    found = {400, 406} if open_to_anyone else {400, 401, 403, 406}
    if operation.path:
        found |= {404}
    if writing:
        found |= {404, 409, 413, 415}
    return found


_PATH_SCHEMA = {"type": "string", "minLength": 1}


def _path_format(example: str) -> dict[str, str]:
    try:
        UUID(example)
    except ValueError:
        return {} if example.isdigit() else {"format": "code"}
    return {"format": "uuid"}


def _parameters(operation: Operation, query: Mapping[str, Any]) -> list[OpenApiParameter]:
    found = [
        OpenApiParameter(name, _PATH_SCHEMA | _path_format(value), OpenApiParameter.PATH, examples=[_example(value)])
        for name, value in operation.path.items()
    ]
    for name, one in operation.filters().fields.items():
        examples = [_example(query[name])] if name in query else []
        found.append(
            OpenApiParameter(name, one.query_schema(), OpenApiParameter.QUERY, required=one.required, examples=examples)
        )
    if operation.retry:
        told = "A key of the client's making: the same request again gives the first answer, and nothing twice."
        key = {"type": "string", "minLength": 1, "maxLength": KEY_LENGTH}
        found.append(OpenApiParameter(KEY_HEADER, key, OpenApiParameter.HEADER, description=told))
    return found


def _example(value: Any) -> OpenApiExample:
    return OpenApiExample("example", value=value)


def _request_example(asks: Json | None) -> list[OpenApiExample]:
    return [] if asks is None else [OpenApiExample("request", value=asks, request_only=True)]


def _responses(operation: Operation, statuses: Iterable[int], gives: Any, gives_media: Iterable[str]) -> dict[Any, Any]:
    examples = [] if gives is None else [OpenApiExample("answer", value=gives, response_only=True)]
    answers: Any = operation.answers
    if answers is not None and operation.pages:
        answers = _page_answer(answers)
    found: dict[Any, Any] = {
        operation.status: OpenApiResponse(answers, description="Done" if answers is None else "", examples=examples)
    }
    if gives_media:
        found = {(operation.status, media): OpenApiResponse(OpenApiTypes.BINARY) for media in gives_media}
    for status in statuses:
        found[status, PROBLEM_TYPE] = OpenApiResponse(Problem, description=TITLES[status])
    return found


@functools.cache
def _page_answer(row: Any) -> type[Answer]:
    name = f"{row.__name__}Page"
    return type(name, (Answer,), {"rows": row(many=True), "next": fields.Text(2_000, allow_null=True)})


class View(APIView):
    """The base of every view of the API. OPTIONS is not answered: the schema tells what there is."""

    http_method_names = ["get", "head", "post", "patch", "put", "delete"]

    def perform_content_negotiation(self, request: Request, force: bool = False) -> tuple[Any, str]:
        """What nearly everybody accepts is not looked for among the renderers."""
        first = self.get_renderers()[0]
        if request.META.get("HTTP_ACCEPT", "*/*") in ("*/*", first.media_type):
            return first, str(first.media_type)
        return super().perform_content_negotiation(request, force)
