"""How much of the recorded EEG time video covers, over the study and period by period."""

from __future__ import annotations

from collections.abc import Sequence

from auditor.billing.periods import Window, portions
from auditor.billing.support import held_by, held_in
from auditor.core import intervals as iv
from auditor.core.durations import in_words
from auditor.core.text import Own
from auditor.core.units import PPM
from auditor.model import Coverage, Interval, Video, VideoPeriod
from auditor.policy.billing import BillingSettings
from auditor.policy.sections import VideoSettings


def measure_video(
    videos: Sequence[Interval],
    coverage: Coverage,
    settings: VideoSettings,
    periods: Sequence[Window],
    billing: BillingSettings,
) -> Video:
    """Video over recorded EEG time: exactly the time that both hold.

    ``videos`` may overlap and may lie outside the recording; time counts once, and only where EEG
    was recorded. A log without any video documents nothing. ``meets`` compares whole nanoseconds,
    so exactly the share is enough. What is left over after the last whole period counts with it.
    """
    recorded = coverage.union_starts, coverage.union_ends
    video, threshold = held_by(videos), settings.minimum.ppm
    both = iv.intersection(recorded, video)
    study = _share(0, coverage.recorded_ns, iv.total(both), threshold)
    counted = [part for part in portions(recorded, periods, billing) if part.counted_ns]
    held = held_in(both, [part.extent for part in counted]).tolist()
    note = "The video log holds no video: video is not documented."
    if len(video[0]):
        note = (
            f"{in_words(study.video_ns)} of {in_words(study.recorded_ns)} recorded had video, "
            f"{study.fraction_ppm // 100 / 100:.2f} %; at least {threshold / 10_000:g} % is needed."
        )
    return Video(
        recorded_ns=study.video_ns,
        fraction_ppm=study.fraction_ppm,
        meets=study.meets,
        threshold_ppm=threshold,
        stretches=iv.intervals(video),
        note=Own(note),
        short_ns=study.short_ns,
        periods=tuple(
            _share(part.window.index, part.counted_ns, shown, threshold)
            for part, shown in zip(counted, held, strict=True)
        ),
    )


def _share(index: int, recorded_ns: int, video_ns: int, threshold_ppm: int) -> VideoPeriod:
    needed = -(-recorded_ns * threshold_ppm // PPM)  # rounded up: the least that meets the share
    return VideoPeriod(
        index,
        recorded_ns,
        video_ns,
        video_ns * PPM // recorded_ns,
        video_ns >= needed,
        max(0, needed - video_ns),
    )
