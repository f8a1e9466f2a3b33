"""The audit as JSON, CSV and tables. Names and meanings are relied on: add, never change."""

from auditor.outputs.data.document import document, json_pieces, person_rows, plain_text, schema
from auditor.outputs.data.tables import audit_tables, csv_pieces

__all__ = [
    "audit_tables", "csv_pieces", "document", "json_pieces", "person_rows", "plain_text", "schema"
]  # fmt: skip
