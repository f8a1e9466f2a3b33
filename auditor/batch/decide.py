"""``auditor decide``: what a person decided, kept in the history and shown in the audit.

The audit's own outcome stays what the files suggest. The decision is written into audit.json and
into marked places of audit.html, so that the inputs are not needed again.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from pathlib import Path

from auditor.batch.folder import AUDITS, KEY, Names, held, is_there, slug_of, sweep
from auditor.batch.history import History
from auditor.batch.worklist import listed, write_worklist
from auditor.core.clock import now_utc
from auditor.core.errors import OutputError, UsageError
from auditor.core.text import storable
from auditor.model import PersonDecision
from auditor.outputs.data import person_rows, plain_text
from auditor.outputs.files import write_folder
from auditor.outputs.html import with_decisions

_LONGEST = 2000
_WAIT_S = 20


def decide(out: Path, study: str, outcome: str, by: str, note: str) -> str:
    """Record one decision in the history of ``out``; what to tell whoever made it.

    Raises ``UsageError`` for a study that is not known or not clear, ``OutputError``.
    """
    by, note = name_and_note(by, note)
    with History(out, create=False) as history:
        names = Names(out, redacted=is_there(out / KEY))
        by, note = names.person(by), names.note(note)
        study = _named(history, study)
        new = history.add_decision(study, outcome, by, note, now_utc())
        said = f"{outcome}, by {by}, for {study}"
        try:
            free = bring_up_to_date(history, [study], out)
        except OutputError as error:
            raise OutputError(
                error.where,
                f"the decision is recorded in the history ({said}), but the audit and the worklist "
                f"could not be brought up to date: it {error.problem}",
                "Make room or mend the folder and give the same decision again: it is not recorded "
                "twice.",
            ) from error
    later = "" if free else " A batch is at work there: it shows the decision when it ends."
    told = "Recorded" if new else "Already recorded"
    return f"{told}: {said}.{later}"


def bring_up_to_date(history: History, studies: Sequence[str], out: Path) -> bool:
    """Bring the audits of ``studies`` and the worklist up to the history; ``studies`` join it.

    ``False`` where a batch is at work there: it does so when it ends. Raises ``OutputError``.
    """
    with held(out, wait_s=_WAIT_S) as free:
        if free:
            sweep(out)  # an audit that a dead run had moved aside comes back first
            show_decisions(history, studies, out)
            before, awaited = listed(out, history)
            write_worklist(history, dict.fromkeys((*before, *studies)), out, awaited)
    return free


def show_decisions(history: History, studies: Iterable[str], out: Path) -> None:
    """Bring the audits of ``studies`` up to the decisions of the history, where they differ.

    An audit is replaced as a whole or stays. Raises ``OutputError``.
    """
    decisions = history.decisions()
    for study in studies:
        if study in decisions:
            _show(out / AUDITS / slug_of(study), decisions[study])


def _show(folder: Path, decisions: tuple[PersonDecision, ...]) -> None:
    wanted = person_rows(decisions)
    try:
        if not (folder / "audit.json").is_file():
            return  # the study could not be audited; the worklist shows the decision
        texts = {p.name: _read(p) for p in sorted(folder.iterdir()) if p.is_file()}
        document = json.loads(texts["audit.json"])
        if document["persons"] == wanted:
            return
        document["persons"] = wanted
        texts["audit.json"] = plain_text(document)
        texts["audit.html"] = with_decisions(texts["audit.html"], decisions)
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise OutputError(
            str(folder),
            "holds no audit that can take the decision; it is kept in the history",
            "Run 'auditor batch --resume' after removing that folder.",
        ) from error
    write_folder(folder, texts)


def _read(path: Path) -> str:
    with path.open(encoding="utf-8", newline="") as file:
        return file.read()


def _named(history: History, name: str) -> str:
    """The study whose key is ``name``, or the only one whose study id it is."""
    fitting = []
    for study, summary in history.latest():
        if study == name:
            return name
        if summary["study_id"] == name:
            fitting.append(study)
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        raise UsageError(
            name, f"is the id of {len(fitting)} studies", f"Name one: {', '.join(fitting[:8])}."
        )
    raise UsageError(name, "is not a study of this history", "Copy its name from the worklist.")


def name_and_note(by: str, note: str) -> tuple[str, str]:
    """A person's name and note as they are kept. Raises ``UsageError`` for what cannot be."""
    by, note = " ".join(storable(by).split()), storable(note).strip()
    if not by:
        raise UsageError("Your name", "is empty", "Say who decides: a name or initials.")
    if max(len(by), len(note)) > _LONGEST:
        raise UsageError(
            "Your name or note", f"is longer than {_LONGEST} characters", "Shorten it."
        )
    return by, note
