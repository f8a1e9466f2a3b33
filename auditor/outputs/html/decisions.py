"""The places of a finished page that show what people decided, made anew by themselves."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace

from auditor.model import PersonDecision
from auditor.outputs.html.page import template

_PLACES = ("decided", "decisions")
"""Template and mark of each place: ``<!-- decided -->`` to ``<!-- /decided -->``."""


def with_decisions(page: str, decisions: Sequence[PersonDecision]) -> str:
    """``page`` (an audit.html) with its places for decisions showing ``decisions``.

    No text from outside can hold a mark: on the page its angle brackets are written as entities.
    Raises ``ValueError`` for a page without the marks.
    """
    audit = SimpleNamespace(person_decisions=tuple(decisions))
    for name in _PLACES:
        before, begin, rest = page.partition(f"<!-- {name} -->")
        _, end, after = rest.partition(f"<!-- /{name} -->")
        if not begin or not end:
            raise ValueError(f"the page has no place for {name}")
        text = template(f"{name}.html").render(audit=audit, clock=None)
        fresh = text[text.index(begin) : text.index(end)]
        page = f"{before}{fresh}{end}{after}"
    return page
