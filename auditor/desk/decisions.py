"""What people decided and who read an audit, as the desk shows and takes it."""

from __future__ import annotations

from collections.abc import Mapping

from msgspec import Struct

from auditor.core.errors import UsageError
from auditor.core.text import storable
from auditor.desk.shelf import Shelf
from auditor.model import PERSON_OUTCOMES, PersonDecision, Review

OUTCOMES: dict[str, tuple[str, str]] = {
    "accept": ("Accept", "the study serves as it is"),
    "accept-short": ("Accept short", "less than ordered, and it serves"),
    "extend": ("Extend", "the patient records on"),
    "repeat": ("Repeat", "a new study is needed"),
    "void": ("Void", "not to be used, not to be billed"),
}
assert OUTCOMES.keys() == PERSON_OUTCOMES.keys()
ROLES = {"technologist": "Technologist", "coder": "Coder"}
LONGEST_NAME = 80
LONGEST_NOTE = 1000


class Decided(Struct, frozen=True):
    """Every decision about a study, oldest first, and who read it (review, latest audit)."""

    decisions: tuple[PersonDecision, ...] = ()
    reviews: tuple[tuple[Review, bool], ...] = ()

    def reviewed(self, role: str) -> Review | None:
        """Who read the latest audit in this role, last."""
        found = [review for review, latest in self.reviews if latest and review.role == role]
        return found[-1] if found else None


def decided_of(shelf: Shelf) -> Mapping[str, Decided]:
    """Study -> what people said of it."""
    with shelf.history() as history:
        decisions, reviews = history.decisions(), history.reviews()
    return {
        study: Decided(decisions.get(study, ()), reviews.get(study, ()))
        for study in decisions.keys() | reviews.keys()
    }


def name_and_note(by: str, note: str) -> tuple[str, str]:
    """A person's name and note as they are kept. Raises ``UsageError`` for what cannot be."""
    by = " ".join(storable(by).split())
    note = storable(note).strip()
    if not by:
        raise UsageError("Your name", "is empty", "Say who decides: a name or initials.")
    if len(by) > LONGEST_NAME or len(note) > LONGEST_NOTE:
        raise UsageError(
            "Your name or note",
            f"is too long (at most {LONGEST_NAME} and {LONGEST_NOTE} characters)",
            "Shorten it.",
        )
    return by, note
