"""Annotation lists: bytes of an annotation signal to annotations. Never raises on any bytes.

Source: EDF+ specification, sections 2.2.2 (time-stamped annotations lists) and 2.2.4
(time-keeping). A list is a signed onset, optionally byte 21 and an unsigned duration, byte 20, then
texts each ended by byte 20, and byte 0 at the end.
"""

from __future__ import annotations

import re

from msgspec import Struct

from auditor.core.units import DAY, NS

MAX_ONSET_NS = 20 * 366 * DAY
"""Onsets and durations beyond 20 years are no times of a recording; they are unreadable."""

_LIST = re.compile(rb"[^\0]+")
_NUMBER = re.compile(rb"(\d{1,300})(?:\.(\d{0,300}))?")


class AnnotationList(Struct, frozen=True):
    """One list as read. ``texts`` are untrusted; the empty ones are kept here."""

    onset_ns: int
    duration_ns: int | None
    texts: tuple[str, ...]


class Parsed(Struct, frozen=True):
    """What the annotation bytes of one record hold.

    ``time_keeping_ns`` is the record's own onset, ``None`` where the first list is not an empty
    annotation with a readable onset. ``faults`` are the words of ``FAULTS`` met, in order.
    """

    time_keeping_ns: int | None
    lists: tuple[AnnotationList, ...]
    faults: tuple[str, ...]


FAULTS = {
    "unfinished": "a list without its closing bytes",
    "onset": "an onset that is no signed number of seconds",
    "sign": "an onset without its sign, taken as positive",
    "too_far": "an onset or duration of more than 20 years",
    "duration": "a duration that is no unsigned number of seconds",
    "gap": "bytes 0 before or between lists",
    "text": "a text that is not UTF-8",
    "long": "more than 1 MiB of annotations in one record, of which the rest was not read",
}


def parse_annotations(data: bytes) -> Parsed:
    """Read the bytes of one annotation signal in one record; linear in their length."""
    lists: list[AnnotationList] = []
    faults: list[str] = []
    time_keeping: int | None = None
    expected_at = 0
    for match in _LIST.finditer(data):
        if match.start() != expected_at:
            faults.append("gap")
        found = _parse_list(match.group(), faults)
        if match.end() == len(data):
            faults.append("unfinished")  # no closing zero: the list was cut at the record's end
        if found is not None:
            if not expected_at and (not found.texts or not found.texts[0]):
                time_keeping = found.onset_ns
            lists.append(found)
        expected_at = match.end() + 1
    return Parsed(time_keeping, tuple(lists), tuple(faults))


def _parse_list(piece: bytes, faults: list[str]) -> AnnotationList | None:
    stamp, mark, rest = piece.partition(b"\x14")
    if not mark:
        faults.append("unfinished")
        return None
    onset_text, has_duration, duration_text = stamp.partition(b"\x15")
    onset = signed_ns(onset_text)
    if onset is None:
        # The specification itself has an example without the sign (section 3.4, visual EP).
        onset = unsigned_ns(onset_text)
        if onset is not None:
            faults.append("sign")
    if onset is None:
        faults.append("onset")
        return None
    if abs(onset) > MAX_ONSET_NS:
        faults.append("too_far")
        return None
    duration: int | None = None
    if has_duration:
        duration = unsigned_ns(duration_text)
        if duration is None:
            faults.append("duration")
        elif duration > MAX_ONSET_NS:
            faults.append("too_far")
            duration = None
    *texts, tail = rest.split(b"\x14")
    if tail or not texts:
        faults.append("unfinished")
        texts.append(tail)
    decoded = []
    for text in texts:
        try:
            decoded.append(text.decode("utf-8"))
        except UnicodeDecodeError:
            faults.append("text")
            decoded.append(text.decode("utf-8", "backslashreplace"))
    return AnnotationList(onset, duration, tuple(decoded))


def signed_ns(text: bytes) -> int | None:
    """Nanoseconds of a signed decimal number of seconds, ``None`` where it is none."""
    if text[:1] not in (b"+", b"-"):
        return None
    value = unsigned_ns(text[1:])
    return value if value is None or text[:1] == b"+" else -value


def unsigned_ns(text: bytes) -> int | None:
    """Nanoseconds of an unsigned decimal number of seconds, to the nearest; ``None`` if none."""
    match = _NUMBER.fullmatch(text) if len(text) <= 600 else None
    if match is None:
        return None
    whole, fraction = match.group(1), match.group(2) or b""
    tenth = 1 if fraction[9:10] >= b"5" else 0
    return int(whole) * NS + int(fraction[:9].ljust(9, b"0")) + tenth
