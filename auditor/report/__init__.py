"""The audit as one self-contained HTML page."""

from auditor.report.page import render_html

__all__ = ["render_html"]
