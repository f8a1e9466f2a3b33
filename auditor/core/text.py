"""Untrusted text: made harmless for the place where it is shown, and compared with patterns."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence

# C0 and C1 controls, lone surrogates, and the marks that reorder or hide text (bidirectional
# controls, zero-width characters, the line and paragraph separators, the byte-order mark).
_UNSAFE = re.compile(
    "[\x00-\x1f\x7f-\x9f\u00ad\u061c\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff\ufff9-\ufffb"
    "\ud800-\udfff\U000e0000-\U000e007f]"
)
_SURROGATE = re.compile("[\ud800-\udfff]")
LOOKED_AT = 500
"""Characters of a text that patterns look at: texts are untrusted and may be long."""
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


class Own(str):
    """Text that this program wrote itself: numbers, times, our own words.

    A redacted audit shows it; any other text came from a file, an order or a person, and is
    withheld. Joining and formatting give plain ``str`` again, so the mark is never kept by chance.
    """

    __slots__ = ()


def _escaped(match: re.Match[str]) -> str:
    code = ord(match.group())
    if 0xDC80 <= code <= 0xDCFF:  # a byte that was not UTF-8, kept by 'surrogateescape'
        return f"\\x{code - 0xDC00:02x}"
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"


def printable(text: str, limit: int | None = None) -> str:
    """``text`` with every control, surrogate and reordering character written as an escape.

    Safe for a terminal and for one line of a page; cut to ``limit`` characters with an ellipsis.
    """
    if limit is not None and len(text) > limit:
        text = text[: limit - 1] + "…"
    return _UNSAFE.sub(_escaped, text)


def given_twice(names: Iterable[str]) -> str | None:
    """The first of ``names`` that stands among them more than once."""
    return next((name for name, count in Counter(names).items() if count > 1), None)


def shortened(text: str, most: int) -> str:
    """``text`` in at most ``most`` bytes of UTF-8, its middle left out where it is longer."""
    raw = text.encode("utf-8", "surrogatepass")
    if len(raw) <= most:
        return text
    half = (most - 3) // 2
    head = raw[:half].decode("utf-8", "ignore")
    return f"{head}…{raw[-half:].decode('utf-8', 'ignore')}"


def storable(text: str, backslash: str = "\\") -> str:
    """``text`` as valid Unicode (no lone surrogates), otherwise unchanged; for JSON.

    ``backslash`` is how a backslash is written in ``text``.
    """
    return _SURROGATE.sub(lambda match: backslash + _escaped(match)[1:], text)


def cell(text: str) -> str:
    """``text`` for a CSV cell: printable, and never taken for a formula by a spreadsheet.

    A leading = + - @, tab or return is preceded by an apostrophe (OWASP, CSV injection).
    """
    shown = printable(text)
    return "'" + shown if text.startswith(_FORMULA) else shown


def path_part(text: str) -> str:
    """``text`` as one part of an output path: letters, digits, '-', '_' and '.'; never hidden."""
    kept = re.sub(r"[^\w.-]+", "_", text, flags=re.ASCII).strip("._-")
    return kept[:80] or "study"


def quantity(
    count: int, noun: str, singular: str = "", plural: str = "", *, plural_noun: str = ""
) -> Own:
    """'1 file carries', '3 files carry': a count, its noun and, where given, a verb to match.

    ``plural_noun`` where more than an s is added to ``noun``.
    """
    words = [str(count), noun if count == 1 else plural_noun or f"{noun}s"]
    verb = singular if count == 1 else plural
    return Own(" ".join([*words, verb] if verb else words))


def number_step(a: str, b: str) -> int:
    """The last number in file name ``b`` less that in ``a``; 0 where they differ in more."""
    first, second = _numbered(a), _numbered(b)
    if first is None or second is None or (first[0], first[2]) != (second[0], second[2]):
        return 0
    return second[1] - first[1]


def _numbered(name: str) -> tuple[str, int, str] | None:
    """A file name's last number, with what stands before and after it; ``None`` without one."""
    folder, slash, last = name.rpartition("/")
    stem = last.rpartition(".")[0] or last
    match = re.search(r"(\d{1,9})(\D*)$", stem)
    if match is None:
        return None
    return f"{folder}{slash}{stem[: match.start()]}", int(match.group(1)), match.group(2)


def plain_words(text: str) -> str:
    """``text`` as words for comparison: underscores are spaces, case does not matter."""
    return " ".join(text.replace("_", " ").split()).casefold()


def words(code: str) -> str:
    """A code as words: 'power_exhausted' is 'power exhausted'."""
    return code.replace("_", " ")


def some_of(names: Sequence[str], most: int = 8) -> str:
    """The first ``most`` of ``names`` in a sentence."""
    shown = ", ".join(names[:most])
    return f"{shown} and {len(names) - most} more" if len(names) > most else shown


def matches(patterns: Sequence[str], text: str) -> bool:
    """Whether any of ``patterns`` (regular expressions, any case) is found in ``text``."""
    return any(re.search(p, text[:LOOKED_AT], re.IGNORECASE) for p in patterns)
