"""The audit as JSON, CSV and tables. Names and meanings are relied on: add, never change."""

from auditor.outputs.data.document import (
    SCHEMA_NAME,
    document,
    json_pieces,
    json_text,
    person_rows,
    plain_text,
    schema,
)
from auditor.outputs.data.tables import audit_tables, csv_pieces, csv_texts

__all__ = [
    "SCHEMA_NAME", "audit_tables", "csv_pieces", "csv_texts", "document", "json_pieces",
    "json_text", "person_rows", "plain_text", "schema",
]  # fmt: skip
