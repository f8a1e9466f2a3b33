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


_STANDARD = """
Fp1 Fpz Fp2 AF9 AF7 AF5 AF3 AF1 AFz AF2 AF4 AF6 AF8 AF10 F9 F7 F5 F3 F1 Fz F2 F4 F6 F8 F10
FT9 FT7 FC5 FC3 FC1 FCz FC2 FC4 FC6 FT8 FT10 T9 T7 C5 C3 C1 Cz C2 C4 C6 T8 T10 TP9 TP7 CP5
CP3 CP1 CPz CP2 CP4 CP6 TP8 TP10 P9 P7 P5 P3 P1 Pz P2 P4 P6 P8 P10 PO9 PO7 PO5 PO3 PO1 POz
PO2 PO4 PO6 PO8 PO10 O1 Oz O2 I1 Iz I2 AFp9h AFp7h AFp5h AFp3h AFp1h AFp2h AFp4h AFp6h AFp8h
AFp10h AFF9h AFF7h AFF5h AFF3h AFF1h AFF2h AFF4h AFF6h AFF8h AFF10h FFT9h FFT7h FFC5h FFC3h
FFC1h FFC2h FFC4h FFC6h FFT8h FFT10h FTT9h FTT7h FCC5h FCC3h FCC1h FCC2h FCC4h FCC6h FTT8h
FTT10h TTP9h TTP7h CCP5h CCP3h CCP1h CCP2h CCP4h CCP6h TTP8h TTP10h TPP9h TPP7h CPP5h CPP3h
CPP1h CPP2h CPP4h CPP6h TPP8h TPP10h PPO9h PPO7h PPO5h PPO3h PPO1h PPO2h PPO4h PPO6h PPO8h
PPO10h POO9h POO7h POO5h POO3h POO1h POO2h POO4h POO6h POO8h POO10h OI1h OI2h Fp1h Fp2h AF9h
AF7h AF5h AF3h AF1h AF2h AF4h AF6h AF8h AF10h F9h F7h F5h F3h F1h F2h F4h F6h F8h F10h FT9h
FT7h FC5h FC3h FC1h FC2h FC4h FC6h FT8h FT10h T9h T7h C5h C3h C1h C2h C4h C6h T8h T10h TP9h
TP7h CP5h CP3h CP1h CP2h CP4h CP6h TP8h TP10h P9h P7h P5h P3h P1h P2h P4h P6h P8h P10h PO9h
PO7h PO5h PO3h PO1h PO2h PO4h PO6h PO8h PO10h O1h O2h I1h I2h AFp9 AFp7 AFp5 AFp3 AFp1 AFpz
AFp2 AFp4 AFp6 AFp8 AFp10 AFF9 AFF7 AFF5 AFF3 AFF1 AFFz AFF2 AFF4 AFF6 AFF8 AFF10 FFT9 FFT7
FFC5 FFC3 FFC1 FFCz FFC2 FFC4 FFC6 FFT8 FFT10 FTT9 FTT7 FCC5 FCC3 FCC1 FCCz FCC2 FCC4 FCC6
FTT8 FTT10 TTP9 TTP7 CCP5 CCP3 CCP1 CCPz CCP2 CCP4 CCP6 TTP8 TTP10 TPP9 TPP7 CPP5 CPP3 CPP1
CPPz CPP2 CPP4 CPP6 TPP8 TPP10 PPO9 PPO7 PPO5 PPO3 PPO1 PPOz PPO2 PPO4 PPO6 PPO8 PPO10 POO9
POO7 POO5 POO3 POO1 POOz POO2 POO4 POO6 POO8 POO10 OI1 OIz OI2 T3 T5 T4 T6 M1 M2 A1 A2
"""
"""The names of mne's 10-05 montage, which a test compares; mne itself takes longer to load than a
whole study of an hour takes to audit."""
_NAMES = {name.lower(): name for name in _STANDARD.split()}


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
