"""Pages of the invented audits, rendered once, and how to read them."""

from __future__ import annotations

from functools import cache

import helpers_audit as h
from selectolax.lexbor import LexborHTMLParser as HTMLParser
from selectolax.lexbor import LexborNode as Node

from auditor.model import Audit
from auditor.outputs.html import render_html

ALL = sorted(h.SCENARIOS)
SMALL = [name for name in ALL if name != "many_gaps"]


@cache
def html_of(name: str) -> str:
    return render_html(h.SCENARIOS[name]())


@cache
def tree_of(name: str) -> HTMLParser:
    return HTMLParser(html_of(name))


def seen(node: Node | HTMLParser | None) -> str:
    """The text of a node with its white space made even."""
    assert node is not None
    root = node.body if isinstance(node, HTMLParser) else node
    assert root is not None
    return " ".join(root.text(separator=" ").split())


def render(audit: Audit) -> HTMLParser:
    return HTMLParser(render_html(audit))
