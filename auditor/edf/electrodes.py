"""Which channels carry EEG, told from their labels.

Standard electrode names (10-20, 10-10 and 10-05 systems) are those of mne's built-in montage. The
form of a label comes from the EDF+ specification, additional specifications, item 9 ("standard
texts": the kind of signal, a space, the specification of the sensor, as in ``EEG Fpz-Cz``), from
memory; many files leave the kind out. The older names T3, T4, T5 and T6 are the same places as T7,
T8, P7 and P8.
"""

from __future__ import annotations

import re

from auditor.model.recording import EARS

_SAME_PLACE = {"T3": "T7", "T4": "T8", "T5": "P7", "T6": "P8"}
_MORE_PLACES = ("T1", "T2", "Sp1", "Sp2", "Pg1", "Pg2")
"""Anterior temporal, sphenoidal and nasopharyngeal electrodes: clinical places outside the 10-05
names (common practice, no source). Taken only where the label itself says EEG."""

_REFERENCE = re.compile(
    r"(?:v?ref\w{0,3}|avg|ave?|avr|car|le|lm|linked|com|gnd|g[12]|org|r|"
    r"\(?[am]1\s?[+/]?\s?[am]2\)?(?:/2)?|[am]12)",
    re.IGNORECASE,
)
"""Ways to write a common reference (common practice, no source)."""

_VOLTAGE = re.compile(r"[npuµμm]?V(?:olts?)?", re.IGNORECASE)  # both code points that look like µ
_KIND = re.compile(r"EEG(?=[\s_:-]|$)[\s_:-]*", re.IGNORECASE)

_ROWS = (
    ("Fp O I OI", range(1, 3), "z"),
    ("AFp AF AFF F P PPO PO POO", range(1, 11), "z"),
    ("FFC FC FCC C CCP CP CPP", range(1, 7), "z"),
    ("FFT FT FTT T TTP TP TPP", range(7, 11), ""),
)
"""Rows of the 10-05 system, the numbers in them, and the middle where they cross it. An h behind a
number stands for the place half way from it to the middle."""
_NAMES = {
    name.lower(): name
    for rows, numbers, middle in _ROWS
    for row in rows.split()
    for end in (*middle, *(f"{n}{half}" for n in numbers for half in ("", "h")))
    for name in [row + end]
} | {name.lower(): name for name in (*_SAME_PLACE, *sorted(EARS))}
"""The names of mne's 10-05 montage, which a test compares; mne itself takes longer to load than a
whole study of an hour takes to audit."""


def electrode_name(label: str, dimension: str = "") -> str | None:
    """The standard name of the EEG electrode that a channel records, or ``None`` for no EEG.

    ``label`` is the header's label: ``Fp1``, ``FP1``, ``EEG Fp1``, ``EEG Fp1-Ref``, ``Fp1-A2``.
    Older names give the newer name of the same place (``T3`` gives ``T7``). A derivation between
    two electrodes, neither of them an ear, is an EEG channel of its own and is named by both
    (``EEG Fpz-Cz`` gives ``Fpz-Cz``). ``dimension`` is the header's unit; a channel in anything but
    volts is no EEG whatever its label (``O2`` in ``%`` is an oximeter). Never raises.
    """
    unit = dimension.strip()
    if unit and not _VOLTAGE.fullmatch(unit):
        return None
    text = label.strip().rstrip(".")
    kind = _KIND.match(text)
    if kind:
        text = text[kind.end() :]
    first, dash, second = (part.strip().rstrip(".") for part in _split(text))
    place = _place(first, bool(kind))
    if place is None or not dash:
        return place
    other = _place(second, bool(kind))
    if other is not None:
        return place if other in EARS and place not in EARS else f"{place}-{other}"
    if kind or _REFERENCE.fullmatch(second):
        return place
    return None


def as_labelled(label: str, electrode: str) -> str:
    """``electrode`` (a standard name of ``label``) with the older names that the label itself uses.

    ``EEG T3-Ref`` and ``T7`` give ``T3``: a lab's lists speak of places as its own files do.
    """
    parts = electrode.split("-")
    older = {new: old for old, new in _SAME_PLACE.items()}
    words = {word.upper() for word in re.split(r"[\s:_–-]+", label)}
    return "-".join(older[p] if older.get(p, "").upper() in words else p for p in parts)


def _split(text: str) -> tuple[str, str, str]:
    """The active electrode, the mark between, and what it is measured against."""
    for mark in ("-", "–", ":", "_", " "):
        first, found, second = text.partition(mark)
        if found:
            return first, found, second
    return text, "", ""


def _place(name: str, says_eeg: bool) -> str | None:
    key = name.lower()
    found = _NAMES.get(key)
    if found is None and says_eeg:
        found = next((more for more in _MORE_PLACES if more.lower() == key), None)
    return found if found is None else _SAME_PLACE.get(found, found)
