"""Puts the audit, its pictures and the templates together."""

from __future__ import annotations

import base64
import hashlib
import os
import sys
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from types import SimpleNamespace

from jinja2 import Environment, FileSystemBytecodeCache, FileSystemLoader, StrictUndefined, Template
from markupsafe import Markup

from auditor.core import durations
from auditor.core.text import words
from auditor.model import Audit, PersonDecision, RuleLine
from auditor.outputs.html import text
from auditor.outputs.html.picture import LISTED
from auditor.outputs.html.view import view

_PACKAGE = Path(__file__).resolve().parents[2]
FOLDER = "report_templates"


def render_html(audit: Audit) -> str:
    """The audit as one self-contained HTML page (UTF-8 text).

    The same audit gives the same bytes. Nothing is measured here: every duration is read from
    ``audit`` and only written out (recorded time rounded down, missing time up).
    """
    return template("audit.html").render(
        view(audit),
        rule_rows=_rule_rows(audit.rules[:LISTED]),
        **inline(style="audit.css", script="audit.js"),
    )


@lru_cache(maxsize=4)
def _rule_rows(rules: tuple[RuleLine, ...]) -> Markup:
    """The rules in force as rows of a table: the same for every study of a policy."""
    return Markup(template("rules.html").render(rules=rules).rstrip("\n"))  # noqa: S704  escaped


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


def template(name: str) -> Template:
    """One template by its file's name."""
    return _environment(_folder()).get_template(name)


def _folder() -> str:
    """The templates beside the package (a checkout), or inside it (an installed wheel)."""
    beside, inside = _PACKAGE.parent / FOLDER, _PACKAGE / FOLDER
    return str(inside if inside.is_dir() else beside)


def _compiled(folder: str) -> FileSystemBytecodeCache | None:
    """Where compiled templates are kept, as Python keeps its modules': beside their source.

    To compile them takes as long as all the rest of a small study's audit. ``None`` where Python
    itself would keep nothing.
    """
    kept = Path(folder) / "__pycache__"
    try:
        if sys.dont_write_bytecode:
            return None
        kept.mkdir(exist_ok=True)
    except OSError:
        return None
    return FileSystemBytecodeCache(str(kept), "%s.jinja") if os.access(kept, os.W_OK) else None


@lru_cache(maxsize=4)
def _environment(folder: str) -> Environment:
    environment = Environment(
        loader=FileSystemLoader(folder, encoding="utf-8"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=text.shown,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        auto_reload=False,
        bytecode_cache=_compiled(folder),
    )
    environment.globals["listed"] = LISTED
    named = ("untrusted", "clip", "recorded", "missing", "place", "count", "size",
             "sentence", "signed", "utc", "day", "drift")  # fmt: skip
    environment.filters |= {name: getattr(text, name) for name in named} | {
        "words": words,
        "in_words": durations.in_words,
        "exact": durations.exact_seconds,
        "minutes": text.whole_minutes,
        "ppm": text.percent,
    }
    return environment


def inline(**files: str) -> dict[str, Markup | str]:
    """Style sheets and scripts with the hashes that the page's policy allows them by.

    ``style="audit.css"`` gives the file's content as ``style`` and its hash as ``style_hash``.
    """
    environment = _environment(_folder())
    assert environment.loader is not None
    parts: dict[str, Markup | str] = {}
    for name, file in files.items():
        source = environment.loader.get_source(environment, file)[0]
        end = "</style" if file.endswith(".css") else "</script"
        assert end not in source.lower(), f"{file} would end its own element"
        digest = base64.b64encode(hashlib.sha256(source.encode()).digest()).decode()
        parts[name] = Markup(source)  # noqa: S704  our own file, never input
        parts[f"{name}_hash"] = f"sha256-{digest}"
    return parts
