"""One audit, or a list of many studies, as one self-contained HTML page."""

from auditor.outputs.html.lists import render_trends, render_worklist
from auditor.outputs.html.page import render_html, with_decisions

__all__ = ["render_html", "render_trends", "render_worklist", "with_decisions"]
