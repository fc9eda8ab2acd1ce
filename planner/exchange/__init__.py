"""The exchange of tables: a workshop brought in from, or written to, CSV files or one XLSX workbook.

``tables`` is the contract, as data. Reading gives text, ``rows`` types it, the checks compare it with the
database, ``loading`` writes it. Doors call ``load_tables``, and ``export_tables`` or, for a file that goes elsewhere,
``exported_tables`` with ``workbook_bytes`` or ``archive_bytes``.
"""

from planner.exchange.exporting import ExportReport, archive_bytes, export_tables, exported_tables, workbook_bytes
from planner.exchange.faults import LoadRefused, sentence_of
from planner.exchange.loading import Checked, LoadReport, check_tables, load_tables
from planner.exchange.preview import preview_of

__all__ = [
    "Checked",
    "ExportReport",
    "LoadRefused",
    "LoadReport",
    "archive_bytes",
    "check_tables",
    "export_tables",
    "exported_tables",
    "load_tables",
    "preview_of",
    "sentence_of",
    "workbook_bytes",
]
