"""The scan of a whole study: the one entry to this room."""

from __future__ import annotations

from auditor.core.progress import Progress, Silent
from auditor.edf.source import open_bytes
from auditor.model import Coverage, Finding, SignalFacts, Study
from auditor.policy.signal import SignalSettings
from auditor.signal.findings import signal_findings
from auditor.signal.reading import prepare
from auditor.signal.runs import mark_flat, place
from auditor.signal.scan import Opener, scan_files
from auditor.signal.summary import summarise


def scan_study(
    study: Study,
    coverage: Coverage,
    minimum_channels: int,
    settings: SignalSettings,
    *,
    workers: int = 2,
    progress: Progress | None = None,
    opener: Opener = open_bytes,
) -> tuple[SignalFacts, tuple[Finding, ...]]:
    """Usable time of a study's counted files, and what is to be said about their signals.

    Reads every counted sample once, on ``workers`` threads, in memory that does not grow with the
    files but for a byte per channel and second. Never raises for what a file holds: what cannot be
    read or judged is a finding and is not live. ``KeyboardInterrupt`` stops the threads and passes
    through.
    """
    files = study.counted
    scans = [prepare(file.recording, settings) for file in files]
    scan_files(scans, settings, workers, progress or Silent(), opener)
    placed = [place(file, scan) for file, scan in zip(files, scans, strict=True)]
    mark_flat(placed, settings)
    facts = summarise(placed, study, coverage, minimum_channels, settings)
    return facts, signal_findings(facts, placed, study, coverage, settings)
