"""Every word that the audit uses as a code, with its meaning, gathered from the rooms."""

from __future__ import annotations

import importlib
import pkgutil

import auditor
from auditor.decision import outcome as decision

_CAUSE_ROOM = "auditor.causes.stop"
# These rooms declare reasons or causes, or no vocabulary, or are the outer edge.
_NOT_FINDINGS = {decision.__name__, _CAUSE_ROOM}


def reasons() -> dict[str, str]:
    """``decision.reasons[].code`` -> meaning."""
    return dict(sorted(decision.VOCABULARY.items()))


def causes() -> dict[str, str]:
    """``likely_cause`` -> meaning."""
    return dict(sorted(importlib.import_module(_CAUSE_ROOM).VOCABULARY.items()))


def findings() -> dict[str, str]:
    """``findings[].code`` -> meaning, from every room's ``VOCABULARY``."""
    words: dict[str, str] = {}
    for module in pkgutil.walk_packages(auditor.__path__, "auditor."):
        if module.name in _NOT_FINDINGS or module.name == "auditor.__main__":
            continue
        words.update(getattr(importlib.import_module(module.name), "VOCABULARY", {}))
    return dict(sorted(words.items()))
