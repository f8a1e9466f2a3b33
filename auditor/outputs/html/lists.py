"""The worklist and the trends as self-contained HTML pages. Formatting only."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from auditor.model import Pattern, Trend, TrendGroup, WorkRow
from auditor.outputs.html.page import inline, template
from auditor.outputs.html.view import ANSWERS, STATES

MOST_ROWS = 5000
"""Rows on the page; those to act on first come first, and the CSV table holds them all."""
_AWAITED = 200

WORDS = {
    "unreadable": "Not readable",
    "repeat": "Repeat",
    "review": "Review",
    "so_far": "So far",
    "complete": "Complete",
}
"""Outcomes in the order of who must act first."""
READERS = {"technologist": "the technologist", "billing": "billing", "manager": "the manager"}
ENDED = {
    "as_ordered": "as ordered",
    "early": "early",
    "late": "late",
    "so_far": "goes on",
    "unknown": "planned end not known",
}


def render_worklist(
    rows: Sequence[WorkRow], generated_utc: str, awaited: Sequence[str] = ()
) -> str:
    """``index.html``: ``rows`` in their order, those to act on first, with search and filter.

    ``awaited`` are studies that were ordered and have not come back. The same rows give the same
    bytes.
    """
    counts: Counter[str] = Counter()
    acts: Counter[str] = Counter()
    for row in rows:
        counts[row.summary["outcome"]] += 1
        counts["settled"] += row.settled
        acts.update(row.acts)
    return template("worklist.html").render(
        rows=rows[:MOST_ROWS],
        total=len(rows),
        open=len(rows) - counts["settled"],
        outcomes=[(key, word, counts[key]) for key, word in WORDS.items()],
        words=WORDS,
        readers=[(role, word, acts[role]) for role, word in READERS.items()],
        answers=ANSWERS,
        states=STATES,
        ended=ENDED,
        awaited=awaited[:_AWAITED],
        awaited_total=len(awaited),
        generated_utc=generated_utc,
        clock=None,  # for the shared macros
        **inline(style="audit.css", list_style="lists.css", script="worklist.js"),
    )


SHARE_WORDS = {
    "early": "Ended early",
    "short": "Came back short",
    "repeat": "To be repeated",
    "lost": "Lost an electrode",
}


def render_trends(
    trends: Sequence[Trend],
    everything: TrendGroup,
    failing: Sequence[Pattern],
    generated_utc: str,
    unreadable: int,
) -> str:
    """``trends.html``: what keeps failing in words, then a picture and a table for each trend.

    ``everything`` is the group of all studies; ``unreadable`` counts studies without an audit.
    """
    return template("trends.html").render(
        trends=trends,
        everything=everything,
        failing=failing,
        unreadable=unreadable,
        share_words=SHARE_WORDS,
        generated_utc=generated_utc,
        clock=None,
        **inline(style="audit.css", list_style="lists.css", script="audit.js"),
    )
