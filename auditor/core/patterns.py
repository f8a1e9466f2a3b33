"""Texts of annotations and logs against the policy's patterns."""

from __future__ import annotations

import re
from collections.abc import Sequence

_LONGEST_TEXT = 500
"""Characters of a text that patterns look at: texts are untrusted and may be long."""


def matches(patterns: Sequence[str], text: str) -> bool:
    """Whether any of ``patterns`` (regular expressions, any case) is found in ``text``."""
    return any(re.search(p, text[:_LONGEST_TEXT], re.IGNORECASE) for p in patterns)
