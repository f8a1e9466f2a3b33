"""edfio as a third reader, for the comparison table."""

from __future__ import annotations

import warnings
from datetime import datetime
from importlib.metadata import version
from pathlib import Path

from auditor.core.clock import civil_ns
from auditor.core.units import NS
from auditor.study.second_readers import Answer

EDFIO = f"edfio {version('edfio')}"


def ask_edfio(path: Path, bdf: bool) -> Answer:
    """What edfio reads of a file of ours (in this process: only for files that we trust)."""
    import edfio

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            edf = (edfio.read_bdf if bdf else edfio.read_edf)(str(path))
            recorded, records = round(edf.duration * NS), edf.num_data_records
            _ = edf.is_continuous  # reads every record's time-keeping
        except Exception as error:  # whatever it raises is its answer
            return Answer(refused=f"{type(error).__name__}: {error}"[:200])
        try:
            start = civil_ns(datetime.combine(edf.startdate, edf.starttime))
        except (ValueError, IndexError):  # its own AnonymizedDateError is a ValueError
            start = None
    return Answer(recorded_ns=recorded, start_civil_ns=start, records=records)
