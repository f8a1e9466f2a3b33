"""Words that ``audit.json`` uses as codes, each with its meaning."""

from __future__ import annotations

from auditor.model.codes import CAUSES as CAUSE_CODES
from auditor.model.codes import FINDINGS, REASONS
from auditor.model.codes.study import SET_ASIDE


def words(*codes: str) -> dict[str, str]:
    """Codes that say themselves what they mean."""
    return dict.fromkeys(codes, "")


CODES: dict[str, str] = {str(code): entry.meaning for code, entry in FINDINGS.items()}
CAUSES: dict[str, str] = {str(c): text for c, text in CAUSE_CODES.items()}
REASON_CODES = CODES | {str(c): text for c, text in SET_ASIDE.items()}
"""Why a file is set aside, or the finding that says why it could not be read."""
ANY_REASON = CODES | {str(c): text for c, text in REASONS.items()}
LEVELS = words("unmonitored", "intermittent", "continuous")
OUTCOMES = {
    "complete": "All four answers are yes.",
    "review": "A person must look.",
    "repeat": "The files suggest a repeat: not enough was recorded or can be read, and the files "
    "themselves are in no doubt.",
    "so_far": "The study goes on; this is what was uploaded so far.",
}
QUESTIONS = {
    "order": "Was the ordered time recorded?",
    "readable": "Is there EEG to read?",
    "billing": "Is the minimum of what was ordered met, as documented?",
    "files": "Are the files this patient's, all there, and the clock right?",
}
STATES = {
    "yes": "Nothing to do.",
    "look": "A person must look.",
    "no": "It is not so.",
    "unknown": "It cannot be told.",
}
ROLES = {
    "counted": "Its time counts.",
    "set_aside": "A readable recording that is not counted; the reason says why.",
    "unreadable": "Named like a recording, but none could be read from it.",
}
STOPS = {
    "as_ordered": "It ended at its planned end, within the policy's tolerance.",
    "early": "It ended before the planned end.",
    "late": "It ran on after the planned end.",
    "so_far": "The study goes on.",
    "unknown": "The planned end is not known.",
}
SEVERITIES = {
    "info": "Worth knowing.",
    "caution": "Worth a look at the place it names.",
    "problem": "It puts a number in doubt, or recorded data are missing or not to be trusted.",
}
RANKS = {
    "witness": "Something in the files says it.",
    "pattern": "A pattern of the files shows it.",
    "coincidence": "It only fits the times.",
}
