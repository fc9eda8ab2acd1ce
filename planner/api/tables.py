"""The workshop's tables out and in: one workbook, or one ZIP of CSV files."""

from __future__ import annotations

from typing import IO, Any

from django.urls import path
from rest_framework.parsers import BaseParser
from rest_framework.request import Request

from inventory import clock
from inventory.api import fields
from inventory.api.frame import Answer, File, Form, Json, View, reads, writes
from inventory.errors import TooLarge
from planner.api.wire import Renderer
from planner.exchange import archive_bytes, exported_tables, load_tables, workbook_bytes
from planner.exchange.limits import MAX_FILE_BYTES
from planner.exchange.tables import TABLES

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
ZIP = "application/zip"
MEDIA = (XLSX, ZIP)


class FileParser(BaseParser):
    """The bytes of one file, no more than ``load`` takes. Raises TooLarge."""

    def parse(self, stream: IO[bytes], media_type: str | None = None, parser_context: Any = None) -> bytes:
        # The length that the request names is believed only where it is too long; else what comes is counted.
        length = stream.META.get("CONTENT_LENGTH") if hasattr(stream, "META") else None
        told_too_long = bool(length and length.isdigit() and int(length) > MAX_FILE_BYTES)
        content = b"" if told_too_long else stream.read(MAX_FILE_BYTES + 1)
        if told_too_long or len(content) > MAX_FILE_BYTES:
            raise TooLarge(f"a file of tables holds at most {MAX_FILE_BYTES // 1024**2} MiB")
        return content


class WorkbookParser(FileParser):
    media_type = XLSX


class ArchiveParser(FileParser):
    media_type = ZIP


class WorkbookRenderer(Renderer):
    """Says that a workbook is answered; the view makes it. A refusal is JSON here too."""

    media_type = XLSX
    format = "xlsx"


class ArchiveRenderer(Renderer):
    media_type = ZIP
    format = "zip"


class TablesOut(Form):
    """``format``: in place of the header Accept."""

    format = fields.Choice("xlsx", "zip", required=False)


class TablesIn(Form):
    """``check``: yes to check only, and write nothing."""

    check = fields.Flag(required=False)


TableCounts = type(
    "TableCounts",
    (Answer,),
    {"__doc__": "Rows by table; a table without any is not there."}
    | {name: fields.Whole(1, 10**9, required=False) for name in TABLES},
)


class TablesReportAnswer(Answer):
    """``left_out``: what the tables cannot say, a sentence for each."""

    written = TableCounts()
    left_out = fields.ListOf(fields.Text(5_000))


class LoadAnswer(Answer):
    """``report``: what a person should know, a sentence for each."""

    checked_only = fields.Flag()
    added = TableCounts()
    updated = TableCounts()
    unchanged = TableCounts()
    report = fields.ListOf(fields.Text(5_000))


class Tables(View):
    parser_classes = [WorkbookParser, ArchiveParser]

    def get_renderers(self) -> list[Any]:
        return [Renderer()] if self.request.method == "POST" else [WorkbookRenderer(), ArchiveRenderer()]

    @reads(None, filters=TablesOut, summary="Take the tables out", gives_media=MEDIA)
    def get(self, request: Request, asked: Json) -> File:
        """What is in stock, planned, wanted and on order, as the tables that can be loaded again.

        One workbook; with ``format=zip`` or ``Accept: application/zip`` the CSV files in one ZIP. Past history is not
        in the tables. What else they cannot say is told by ``GET /tables/report``.
        """
        kind = asked.get("format", request.accepted_renderer.format)
        exported = exported_tables()
        content = archive_bytes(exported) if kind == "zip" else workbook_bytes(exported)
        return File(content, ZIP if kind == "zip" else XLSX, f"tables-{clock.today().isoformat()}.{kind}")

    @writes(
        None,
        LoadAnswer,
        filters=TablesIn,
        takes_media=MEDIA,
        summary="Bring tables in",
        gives={"checked_only": False, "added": {"items": 1}, "updated": {}, "unchanged": {}, "report": []},
    )
    def post(self, request: Request, asked: Json) -> Json:
        """One workbook, or a ZIP of CSV files, as the content of the request: all of it is loaded, or nothing.

        Every fault is told with file, row, column (``field``), value and what is accepted; ``more_faults`` counts those
        beyond the first two hundred. Loading the same tables again adds nothing.
        """
        kind = "zip" if (request.content_type or "").partition(";")[0].strip().lower() == ZIP else "xlsx"
        done = load_tables({f"tables.{kind}": asked["file"]}, request.user, check_only=asked.get("check", False))
        return {
            "checked_only": done.checked_only,
            "added": done.added,
            "updated": done.updated,
            "unchanged": done.unchanged,
            "report": done.report,
        }


class TablesReport(View):
    @reads(
        TablesReportAnswer,
        summary="See what the tables would hold",
        gives={
            "written": {
                "items": 5, "parties": 2, "offers": 3, "formulas": 2, "formula_lines": 4, "lots": 3, "demands": 1,
                "batches": 2,
            },
            "left_out": [],
        },
    )  # fmt: skip
    def get(self, request: Request, asked: Json) -> Json:
        """How many rows of each table would be taken out now, and what the tables cannot say."""
        exported = exported_tables()
        return {"written": exported.written(), "left_out": exported.left_out}


ROUTES = [
    path("tables", Tables.as_view(), name="tables"),
    path("tables/report", TablesReport.as_view(), name="tables-report"),
]
