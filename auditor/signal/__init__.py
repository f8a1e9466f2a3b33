"""What could be read: usable and clean time by channel and hour, from one pass over the samples."""

from __future__ import annotations

from auditor.model import Coverage, Finding, Order, SignalFacts, Study
from auditor.policy import Policy
from auditor.signal.findings import Found, signal_findings, study_findings
from auditor.signal.runs import mark_flat, place
from auditor.signal.scan import FileScan
from auditor.signal.summary import channel_times, count_channels, fewest_channels, summarise

__all__ = ["StudyScan", "fewest_channels", "study_findings"]


class StudyScan:
    """The scan of a study's counted files; their blocks come in from elsewhere, each read once.

    Memory does not grow with the files but for a byte per channel and second. What a file holds
    never raises: what cannot be read or judged is not usable, and a finding.
    """

    def __init__(self, study: Study, policy: Policy, *, scan: bool = True) -> None:
        """Prepare the scan; nothing is read yet. Without ``scan`` only the channels are counted."""
        self._study, self._policy, self._scan = study, policy, scan
        self._files = {
            file.recording.name: FileScan(file.recording, policy.signal)
            for file in (study.counted if scan else ())
        }

    @property
    def files(self) -> dict[str, FileScan]:
        """The files whose blocks are to be judged, by name; the order in which does not matter."""
        return {name: file for name, file in self._files.items() if file.plans}

    def measure(
        self, coverage: Coverage, order: Order | None
    ) -> tuple[SignalFacts, tuple[Finding, ...]]:
        """Usable and clean time, and what is to be said about the signals; once all is judged."""
        study, policy = self._study, self._policy
        settings = policy.signal
        asked = None if order is None else order.minimum_channels
        channels = count_channels(study, asked, settings)
        if not self._scan:
            return SignalFacts(False, channels[0], montage_channels=channels[1]), ()
        placed = []
        for file in study.counted:
            scan = self._files[file.recording.name]
            scan.settle()
            placed.append(place(file, scan))
        mark_flat(placed, settings)
        times = channel_times(placed, (coverage.union_starts, coverage.union_ends))
        facts = summarise(placed, times, channels, study, coverage, settings)
        # What usable and clean time are a share of: the order's time, else all there is so far.
        whole = order is not None and not order.still_recording
        wanted = order.ordered_ns if order is not None and whole else coverage.recorded_ns
        least = wanted * policy.decision.usable_ppm // 1_000_000
        found = Found(facts, times, study, coverage, settings, least)
        return facts, tuple(signal_findings(found, placed))
