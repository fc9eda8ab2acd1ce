"""The exchange of tables: a workshop brought in from, or written to, a folder of CSV files or one XLSX workbook.

``tables`` is the contract, as data. Reading gives text, ``rows`` types it, the checks compare it with the
database, ``loading`` writes it. Doors call ``load_tables`` and ``export_tables`` only.
"""

from planner.exchange.exporting import ExportReport, export_tables
from planner.exchange.faults import LoadRefused, sentence_of
from planner.exchange.loading import LoadReport, load_tables

__all__ = ["ExportReport", "LoadRefused", "LoadReport", "export_tables", "load_tables", "sentence_of"]
