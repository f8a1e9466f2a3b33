"""Which of the six formats a header names, and what contradicts it.

Sources: EDF+ specification, section 2.1 (reserved field); the description of BDF (byte 255,
'BIOSEMI', '24BIT').
"""

from __future__ import annotations

import re
from typing import get_args

from auditor.core.text import Own, printable
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
            at="field 'version' (byte 0)",
            family=Own(family),
            version=printable(version.decode("latin-1")),
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
            at="fields 'version' (byte 0) and 'reserved' (byte 192)",
            severity="problem" if says_bdf else "caution",
            family=Own(family),
            sample_bytes=3 if bdf else 2,
            format=Own(form),
            reserved=printable(reserved[:8]),
        )
    return form, 3 if bdf else 2


def _note_unknown(form: Format, reserved: str, notes: Notes) -> None:
    if reserved[:4].upper() in ("EDF+", "BDF+", "24BI"):
        notes.add(
            "reserved_unknown",
            at="field 'reserved' (byte 192)",
            format=Own(form),
            reserved=reserved[:8],
        )
    elif form == "BDF":
        notes.add(
            "reserved_unknown",
            at="field 'reserved' (byte 192)",
            form="plain_version",
            severity="info",
            reserved=reserved[:8],
        )
