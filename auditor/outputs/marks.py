"""Gaps and bad stretches as annotations for the reader's own tools.

Written in the open text form that ``mne.read_annotations`` reads (a file name ending in ``.txt``):
comment lines, then ``onset,duration,description`` with the onset in seconds after ``orig_time``.
Descriptions begin with ``BAD_``, by which mne leaves such stretches out of an analysis.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache

from auditor.core.clock import civil_datetime
from auditor.core.durations import exact_seconds
from auditor.core.units import NS
from auditor.model import Cause, Coverage, SignalFacts

_OTHER = re.compile(r"[^A-Za-z0-9 _.:+/()-]")


def marks(
    coverage: Coverage, causes: Sequence[Cause], signal: SignalFacts, start_civil_ns: int
) -> str:
    """Gaps (``causes`` in their order) and bad stretches as the text of an annotation file.

    ``orig_time`` is the first record's start as the patient's clock showed it (``start_civil_ns``),
    because mne takes a recording's start stamp for UTC as it stands: so marks and recording line
    up. Onsets are time elapsed. Where several files make up the study, or a file holds gaps, mne
    itself shows the records one after another, so load the marks of a gapless stretch only.
    """
    # mne's times have microseconds; what is finer stays in the onsets.
    whole = start_civil_ns - start_civil_ns % NS
    zero = coverage.first_start - (start_civil_ns - whole)
    stamp = civil_datetime(whole).isoformat(sep=" ", timespec="microseconds")
    lines = ["# MNE-Annotations", f"# orig_time : {stamp}", "# onset, duration, description"]
    marked = [
        (gap.start, gap.end, f"BAD_gap {cause.likely_cause}")
        for gap, cause in zip(coverage.gaps, causes, strict=True)
    ]
    marked += [
        (one.start, one.end, f"BAD_{one.state} {' '.join(one.channels)}".rstrip())
        for one in signal.bad_stretches
    ]
    length = cache(exact_seconds)
    lines += [
        f"{exact_seconds(start - zero)},{length(end - start)},{_plain(text)}"
        for start, end, text in sorted(marked)
    ]
    return "\n".join(lines) + "\n"


@cache
def _plain(text: str) -> str:
    """``text`` without anything that the form has no way to quote: commas, '#', line ends, accents.

    What is left of a hostile label cannot begin another column or line.
    """
    return _OTHER.sub("?", text)[:400]
