"""All the files of one audit, from one ``Audit`` value, into one folder."""

from __future__ import annotations

from pathlib import Path

from auditor.model import Audit
from auditor.outputs.data import csv_texts, json_text
from auditor.outputs.files import write_folder
from auditor.outputs.html import render_html
from auditor.outputs.marks import marks_text
from auditor.outputs.note import chart_note


def audit_texts(audit: Audit) -> dict[str, str]:
    """File name -> content: the page, ``audit.json``, the CSV tables, the chart note, the marks."""
    return {
        "audit.html": render_html(audit),
        "audit.json": json_text(audit),
        **csv_texts(audit),
        "note.txt": chart_note(audit) + "\n",
        "marks.txt": marks_text(audit),
    }


def publish(audit: Audit, out: Path) -> None:
    """Write the audit into ``out``, whole or not at all. Raises ``OutputError``."""
    write_folder(out, audit_texts(audit))
