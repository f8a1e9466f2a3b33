"""Copies of one study written from true time, and how far an answer is from it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from helpers_studies import BASE, Amplifier, Clock, Piece, civil, write_piece

from auditor.core.units import NS
from auditor.coverage.timeline import measure_coverage
from auditor.model import Order, Study, Track
from auditor.policy import load_policy
from auditor.study import build_study

H = 3600
POLICY = load_policy()
AMPLIFIER = Amplifier(rate=8, labels=("C3", "C4"))
SAMPLE = NS // 8
ZERO = civil(BASE)
TRUE_TIME = Clock()
DRIFT_2S = round(2 * NS / (72 * H))
"""2 s over 72 h, in parts per 10^9."""
OFF_37 = 37_250_000_000


def study_of(folder: Path, order: Order | None = None) -> Study:
    return build_study([folder], order, POLICY)


def recorded(study: Study) -> int:
    tracks = [
        Track(f.copy or "", f.run_starts, f.run_ends, f.records_ns)
        for f in study.counted
        if f.interval
    ]
    return measure_coverage(tracks, POLICY.coverage.gap_floor_ns).recorded_ns


def worst_error(study: Study, pieces: list[Piece]) -> int:
    """The largest distance of any run's edge from the truth, in nanoseconds."""
    truth = {p.path: p for p in pieces}
    worst = 0
    for file in study.counted:
        true = [(ZERO + a, ZERO + b) for a, b in truth[file.recording.path].runs]
        edges = [(int(a), int(b)) for a, b in zip(file.run_starts, file.run_ends, strict=True)]
        if len(edges) == len(true):
            pairs = zip(edges, true, strict=True)
            worst = max(worst, *(abs(x - y) for e, t in pairs for x, y in zip(e, t, strict=True)))
        else:  # record-stamped onsets: every record against its own true place
            starts = file.map.instants(file.recording.offsets_ns)
            step = file.recording.record_ns
            true_starts = np.concatenate([np.arange(a, b, step) for a, b in true])
            worst = max(worst, int(np.abs(starts - true_starts).max()))
    return worst


def codes(study: Study) -> set[str]:
    return {f.code for f in study.findings}


def finding(study: Study, code: str):
    return next(f for f in study.findings if f.code == code)


def write_copy(
    folder: Path,
    hours: list[tuple[float, float]],
    clock: Clock = TRUE_TIME,
    amplifier: Amplifier = AMPLIFIER,
    **options: object,
) -> list[Piece]:
    """One file for each stretch of true hours."""
    folder.mkdir(parents=True, exist_ok=True)
    options.setdefault("record_s", 10)
    return [
        write_piece(
            folder / f"f{i:03d}.edf",
            (a * H, b * H),
            amplifier=amplifier,
            clock=clock,
            **options,  # type: ignore[arg-type]
        )
        for i, (a, b) in enumerate(hours)
    ]


def pieces(*stretches: tuple[float, float], step: float = 6) -> list[tuple[float, float]]:
    """Stretches of hours cut into pieces of at most ``step`` hours."""
    found = []
    for start, end in stretches:
        count = int(-(-(end - start) // step))
        found += [(start + i * step, min(start + (i + 1) * step, end)) for i in range(count)]
    return found
