"""The scan of a whole study: the one entry to this room."""

from __future__ import annotations

from auditor.core.progress import Progress, Silent
from auditor.edf.source import open_bytes
from auditor.model import Coverage, Finding, Order, SignalFacts, Study
from auditor.policy import Policy
from auditor.signal.findings import Found, signal_findings
from auditor.signal.reading import prepare
from auditor.signal.runs import mark_flat, place
from auditor.signal.scan import Opener, scan_files
from auditor.signal.summary import channel_times, count_channels, summarise


def scan_study(
    study: Study,
    coverage: Coverage,
    order: Order | None,
    policy: Policy,
    *,
    scan: bool = True,
    workers: int = 2,
    progress: Progress | None = None,
    opener: Opener = open_bytes,
) -> tuple[SignalFacts, tuple[Finding, ...]]:
    """Usable and clean time of a study's counted files, and what is to be said about the signals.

    Reads every counted sample once, on ``workers`` threads, in memory that does not grow with the
    files but for a byte per channel and second. Never raises for what a file holds: what cannot be
    read or judged is a finding and is not usable. ``KeyboardInterrupt`` stops the threads and
    passes through. Without ``scan`` only the channels are counted.
    """
    settings = policy.signal
    asked = None if order is None else order.minimum_channels
    channels = count_channels(study, asked, settings)
    if not scan:
        facts = SignalFacts(False, channels[0], montage_channels=channels[1])
        return facts, ()
    files = study.counted
    scans = [prepare(file.recording, settings) for file in files]
    scan_files(scans, settings, workers, progress or Silent(), opener)
    placed = [place(file, scan) for file, scan in zip(files, scans, strict=True)]
    mark_flat(placed, settings)
    times = channel_times(placed, (coverage.union_starts, coverage.union_ends))
    facts = summarise(placed, times, channels, study, coverage, settings)
    # What usable and clean time are a share of: the order's time, else all that is there so far.
    wanted = coverage.recorded_ns if order is None or order.still_recording else order.ordered_ns
    least = wanted * policy.decision.usable_ppm // 1_000_000
    found = Found(facts, times, study, coverage, settings, least)
    return facts, tuple(signal_findings(found, placed))
