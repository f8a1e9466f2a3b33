"""Which of the six formats a header names, and what contradicts it.

Sources: EDF+ specification, section 2.1 (reserved field); the description of BDF (byte 255,
'BIOSEMI', '24BIT').
"""

from __future__ import annotations

import re
from typing import get_args

from auditor.core.text import printable
from auditor.edf.notes import Notes
from auditor.model import Format, HeaderClaim

EDF_VERSION = b"0       "
BDF_VERSION = b"\xffBIOSEMI"
_FORMS = (
    (168, 8, rb"\d\d\D\d\d\D(\d\d|yy)"),
    (176, 8, rb"\d\d\D\d\d\D\d\d"),
    (184, 8, rb" *\d+[ \0]*"),
    (236, 8, rb" *-?\d+[ \0]*"),
    (244, 8, rb" *\d+([.,]\d*)?[ \0]*"),
    (252, 4, rb" *\d+[ \0]*"),
)
"""Main header fields (first byte, width) whose form tells a recording from other files."""


def looks_like_recording(head: bytes) -> bool:
    """Whether ``head`` (a file's first 256 bytes or more) begins as a recording does.

    With the right version two well-formed fields are enough, with a damaged one five of six.
    """
    if len(head) < 256:
        return False
    fitting = sum(
        re.fullmatch(form, head[at : at + width], re.DOTALL) is not None
        for at, width, form in _FORMS
    )
    return fitting >= (2 if head[:8] in (EDF_VERSION, BDF_VERSION) else 5)


def decide_format(version: bytes, claim: HeaderClaim, notes: Notes) -> tuple[Format, int]:
    """The format and the bytes per sample. The version tells EDF from BDF, the reserved field
    plain from plus; where the version is damaged the reserved field tells both.
    """
    reserved = claim.reserved
    kind = reserved[:5].upper()
    says_bdf = kind in ("BDF+C", "BDF+D", "24BIT")
    bdf = version == BDF_VERSION or (version != EDF_VERSION and says_bdf)
    family = "BDF" if bdf else "EDF"
    if version not in (EDF_VERSION, BDF_VERSION):
        notes.add(
            "version_wrong",
            "problem",
            f"The file does not begin with the mark of EDF or BDF. It is read as {family}, as the "
            "rest of its header suggests.",
            at="field 'version' (byte 0)",
            expected="'0' and 7 spaces (EDF), or byte 255 and 'BIOSEMI' (BDF)",
            observed=printable(version.decode("latin-1")),
            action="The header is damaged: copy the file again from the recorder's card.",
        )
    if kind[:3] in ("EDF", "BDF") and kind[3:] in ("+C", "+D"):
        form: Format = next(f for f in get_args(Format) if f == family + kind[3:])
    else:
        form = "BDF" if bdf else "EDF"
        if (reserved or bdf) and not (bdf and kind == "24BIT"):
            _note_unknown(form, reserved, notes)
    if says_bdf != bdf and (says_bdf or kind[:4] == "EDF+"):
        notes.add(
            "format_contradiction",
            "problem" if says_bdf else "caution",
            f"The version field says {family}, the reserved field another format. The samples are "
            f"read as {family} has them, {3 if bdf else 2} bytes each.",
            at="fields 'version' (byte 0) and 'reserved' (byte 192)",
            expected=f"'{form}'",
            observed=printable(reserved[:8]),
            action="If the number of records looks wrong, the file is of the other format.",
        )
    return form, 3 if bdf else 2


def _note_unknown(form: Format, reserved: str, notes: Notes) -> None:
    if reserved[:4].upper() in ("EDF+", "BDF+", "24BI"):
        notes.add(
            "reserved_unknown",
            "caution",
            "The reserved field begins like the mark of a known format but is none. The file is "
            f"read as {form}; where its records state their own starts, these are taken.",
            at="field 'reserved' (byte 192)",
            expected="EDF+C, EDF+D, BDF+C, BDF+D, 24BIT or blank",
            observed=reserved[:8],
            action="Find out whether the recording has interruptions.",
        )
    elif form == "BDF":
        notes.add(
            "reserved_unknown",
            "info",
            "The reserved field lacks the mark of BDF; the version field has it, and the file is "
            "read as BDF.",
            at="field 'reserved' (byte 192)",
            expected="24BIT, BDF+C or BDF+D",
            observed=reserved[:8],
            action="Nothing to do.",
        )
