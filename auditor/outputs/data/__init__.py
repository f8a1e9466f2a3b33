"""The audit as JSON and CSV. Names and meanings are relied on: add, never change."""

from auditor.outputs.data.document import SCHEMA_NAME, document, json_text
from auditor.outputs.data.tables import csv_texts

__all__ = ["SCHEMA_NAME", "csv_texts", "document", "json_text"]
