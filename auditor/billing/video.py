"""How much of the recorded EEG time video covers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from auditor.core import intervals as iv
from auditor.core.durations import in_words
from auditor.model import Coverage, Interval, Video
from auditor.policy.monitoring import VideoSettings

_PPM = 1_000_000


def measure_video(
    stretches: Sequence[Interval], coverage: Coverage, settings: VideoSettings
) -> Video:
    """Video over recorded EEG time: exactly the time that both hold.

    Stretches may overlap and may lie outside the recording; time counts once, and only where EEG
    was recorded. A log without any stretch documents nothing. ``meets`` compares whole
    nanoseconds, so exactly the share is enough.
    """
    recorded = coverage.union_starts, coverage.union_ends
    video = iv.union(
        np.array([s.start for s in stretches], np.int64),
        np.array([s.end for s in stretches], np.int64),
    )
    both = iv.total(iv.intersection(recorded, video))
    threshold = settings.minimum.ppm
    fraction = both * _PPM // coverage.recorded_ns if coverage.recorded_ns else 0
    meets = both * _PPM >= coverage.recorded_ns * threshold
    share = f"{fraction // 100 / 100:.2f} %"
    return Video(
        recorded_ns=both,
        fraction_ppm=fraction,
        meets=meets,
        threshold_ppm=threshold,
        stretches=iv.intervals(video),
        note="The video log holds no stretch: video is not documented."
        if not len(video[0])
        else f"{in_words(both)} of {in_words(coverage.recorded_ns)} recorded had video, {share}; "
        f"the codes with video need at least {threshold / 10_000:g} %.",
    )
