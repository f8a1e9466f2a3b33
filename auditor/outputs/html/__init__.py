"""One audit, or a list of many studies, as one self-contained HTML page."""

from auditor.outputs.html.page import render_html, with_decisions

__all__ = ["render_html", "with_decisions"]
