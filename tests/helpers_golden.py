"""The page's words as lines of text, for the golden texts in ``fixtures/golden``.

``python tests/helpers_golden.py`` writes it anew after a wanted change of wording; the change is
then seen in review.
"""

from __future__ import annotations

import re
import sys
import tempfile
from pathlib import Path

from selectolax.lexbor import LexborHTMLParser, LexborNode

from auditor.demo import DemoStudy, make_study
from auditor.inputs.order import read_order
from auditor.outputs.html import render_html
from auditor.pipeline import Options, audit_study
from auditor.policy import load_policy

STUDY = "S-2044"
"""A change of the clock, an interruption, and electrodes lost on night two."""
GOLDEN = Path(__file__).resolve().parent.parent / "fixtures" / "golden" / f"{STUDY}.txt"
CAUSES_TOLD = GOLDEN.with_name("causes.txt")
"""Every end and interruption of ``test_causes`` with its cause and the evidence as told."""
MADE = "2027-04-01T08:00:00Z"

_BLOCKS = "h1, h2, h3, h4, p, li, dt, dd, caption, tr, legend, label, a.gap-link"
_SCRUBBED = (
    # Checksums, versions and other libraries' own words change without a change of ours.
    (re.compile(r"\b[0-9a-f]{64}\b"), "<sha256>"),
    (re.compile(r"\b(mne|pyedflib) \d[\w.]*"), r"\1 <version>"),
    (re.compile(r"EEG Coverage Auditor \d[\w.]*"), "EEG Coverage Auditor <version>"),
    (re.compile(r"\(Its words: .*?\)(?= \||$)"), "(Its words: …)"),
)


def lines(html: str) -> list[str]:
    """One line for each heading, sentence, list item and table row, in the page's order."""
    tree = LexborHTMLParser(html)
    for left_out in tree.css("style, script, #rules, #channel-hours, .table-title, .skip"):
        left_out.decompose()
    found = []
    for node in tree.css(_BLOCKS):
        if node.css_first({"dd": "li", "li": "p", "p": "label"}.get(node.tag or "", "title")):
            continue
        line = _line(node)
        for pattern, put in _SCRUBBED:
            line = pattern.sub(put, line)
        if line:
            found.append(line)
    return found


def _line(node: LexborNode) -> str:
    if node.tag == "a":
        return f"[picture] {node.attributes['aria-label']}".replace("\N{NO-BREAK SPACE}", " ")
    mark = {"h1": "# ", "h2": "## ", "h3": "### ", "h4": "#### ", "li": "- ", "dd": "    "}
    if node.tag == "tr":
        cells = node.css("th, td")
        return "| " + " | ".join(_words(cell) for cell in cells) + " |"
    words = _words(node)
    return mark.get(node.tag or "", "") + words if words else ""


def _words(node: LexborNode) -> str:
    return re.sub(r" (?=[.,;:)])|(?<=\() ", "", " ".join(node.text(separator=" ").split()))


def page_of(study: DemoStudy) -> str:
    """The page of the audit of ``study``."""
    options = Options(generated_utc=MADE)
    audit = audit_study(
        [study.folder], order=read_order(study.order), policy=load_policy(), options=options
    )
    return render_html(audit)


def main() -> None:
    """Write the golden audit, and the words of every cause."""
    from test_causes import every_cause_told

    with tempfile.TemporaryDirectory() as folder:
        text = "\n".join(lines(page_of(make_study(Path(folder), STUDY)))) + "\n"
    GOLDEN.write_text(text, encoding="utf-8")
    CAUSES_TOLD.write_text(every_cause_told(), encoding="utf-8")
    sys.stdout.write(f"{GOLDEN}\n{CAUSES_TOLD}\n")


if __name__ == "__main__":
    main()
