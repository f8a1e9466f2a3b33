"""All the files of one audit, from one ``Audit`` value, into one folder."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from auditor.model import Audit
from auditor.outputs.data import csv_pieces, json_pieces
from auditor.outputs.files import write_folder
from auditor.outputs.html import render_html
from auditor.outputs.marks import marks
from auditor.outputs.note import chart_note


def audit_texts(audit: Audit) -> dict[str, str]:
    """File name -> content: the page, ``audit.json``, the CSV tables, the chart note, the marks."""
    return {name: "".join(pieces) for name, pieces in audit_pieces(audit).items()}


def audit_pieces(audit: Audit) -> dict[str, Iterable[str]]:
    """``audit_texts``, of which those that can be long are made piece by piece, once."""
    start = audit.study.axis.civil(audit.coverage.first_start)
    return {
        "audit.html": (render_html(audit),),
        "audit.json": json_pieces(audit),
        **csv_pieces(audit),
        "note.txt": (chart_note(audit), "\n"),
        "marks.txt": (marks(audit.coverage, audit.gap_causes, audit.signal, start),),
    }


def publish(audit: Audit, out: Path) -> None:
    """Write the audit into ``out``, whole or not at all. Raises ``OutputError``."""
    write_folder(out, audit_pieces(audit))
