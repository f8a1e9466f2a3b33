"""The demo's studies: small enough, the same each time, marked as invented, true to their story."""

from __future__ import annotations

import hashlib
import re
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from helpers_cli import read, run
from helpers_demo import Demo

from auditor.core.errors import OutputError
from auditor.core.progress import Silent
from auditor.core.units import NS
from auditor.demo import DemoStudy, make_demo
from auditor.demo.eeg import POOL_S, Amplifier, Fault
from auditor.demo.recorder import pieces
from auditor.demo.studies import RATE, plans
from auditor.inputs.order import read_order


class Counted(Silent):
    """Adds up what it is told."""

    def __init__(self) -> None:
        self.total = self.done = 0

    def stage(self, name: str, total: int) -> None:
        self.total = total

    def advance(self, amount: int) -> None:
        self.done += amount


def recordings(study: DemoStudy) -> list[Path]:
    return sorted(p for p in study.folder.rglob("*") if p.suffix in (".edf", ".bdf"))


def test_all_studies_together_take_at_most_150_megabytes(demo: Demo) -> None:
    root = demo.all()[0].folder.parent
    assert sum(p.stat().st_size for p in root.rglob("*") if p.is_file()) < 150_000_000


def test_every_file_says_that_it_is_invented_and_names_nobody(
    demo: Demo,
) -> None:
    for study in demo.all():
        for path in recordings(study):
            with path.open("rb") as file:
                head = file.read(512).decode("latin-1")
            assert re.fullmatch(r"P-20\d\d X X X *", head[8:88])
            assert re.fullmatch(r"Startdate \d\d-MAR-2027 X T-12 N-\d+_invented *", head[88:168])
        assert "invented" in study.order.read_text("utf-8").lower()
    assert "invented" in (demo.all()[0].folder.parents[1] / "INVENTED.txt").read_text("utf-8")


def test_every_signal_says_that_it_is_synthetic_and_at_what_rate(
    demo: Demo,
) -> None:
    for study in demo.all():
        for path in recordings(study):
            with path.open("rb") as file:
                head = file.read(8192)
            signals = int(head[252:256])
            at = 256 + 16 * signals
            texts = [head[at + 80 * i : at + 80 * i + 80].decode() for i in range(signals)]
            labels = [head[256 + 16 * i : 272 + 16 * i].decode() for i in range(signals)]
            for label, text in zip(labels, texts, strict=True):
                assert "Annotations" in label or re.search("synthetic.*reduced rate", text)


def test_every_order_is_valid_and_agrees_with_its_study(demo: Demo) -> None:
    for study in demo.all():
        order = read_order(
            study.order,
        )
        assert order.study_id == study.study_id
        assert order.ordered_ns == study.ordered_ns
        for log in (order.monitoring_log, order.video_log):
            assert log is None or Path(log).is_file()


def header(path: Path) -> tuple[int, int, int, int]:
    """Header bytes, record count, record seconds, bytes of a record: read by hand."""
    raw = path.read_bytes()[:8192]
    signals = int(raw[252:256])
    at = 256 + 216 * signals
    samples = sum(int(raw[at + 8 * i : at + 8 * i + 8]) for i in range(signals))
    size = 3 if raw[0] == 255 else 2
    return int(raw[184:192]), int(raw[236:244]), int(raw[244:252]), samples * size


def test_sizes_hold_exactly_the_records_that_the_headers_count(
    demo: Demo,
) -> None:
    for study in demo.all():
        for path in recordings(study):
            head, count, _, record = header(path)
            if study.study_id == "S-2046":
                assert count == -1
                assert (path.stat().st_size - head) % record
            else:
                assert path.stat().st_size == head + count * record


SINGLE = ("S-2041", "S-2042", "S-2044", "S-2046", "S-2047", "S-2048")
"""Studies of one copy without left-over files: their whole records add up to the truth."""


def test_whole_records_add_up_to_the_truth_of_each_single_copy(
    demo: Demo,
) -> None:
    for study in demo.all():
        total = 0
        for path in recordings(study):
            head, _, seconds, record = header(path)
            total += (path.stat().st_size - head) // record * seconds
        if study.study_id in SINGLE:
            assert total * NS == study.recorded_ns, study.study_id
        else:
            assert total * NS > study.recorded_ns, study.study_id


def test_the_two_copies_hold_the_same_samples_41_48_s_apart(demo: Demo) -> None:
    folder = demo.study("S-2043").folder
    card, computer = folder / "card/a.edf", folder / "computer/1.edf"
    head, _, _, record = header(card)
    samples = 8 * RATE * 2
    # The computer began at second 35 of the card's file; compare a record an hour later.
    a = card.read_bytes()[head + 3635 * record :][:samples]
    b = computer.read_bytes()[head + 3600 * record :][:samples]
    assert a == b
    assert len(set(struct.unpack(f"<{samples // 2}h", a))) > 50
    stamps = [p.read_bytes()[176:184] for p in (card, computer)]
    first = computer.read_bytes()[head + samples : head + samples + 8]
    assert stamps == [b"21.00.00", b"21.01.16"]  # 21:00:35 + 41.48 s = 21:01:16.48
    assert first.startswith(b"+0.48\x14\x14")


def test_every_second_is_told_as_progress(tmp_path: Path) -> None:
    device, files = plans()[-1].devices[0]
    progress = Counted()
    for file in files:
        device.write(tmp_path, file, progress)
    assert progress.done == sum(b - a for file in files for a, b in file.runs) == 48 * 3600 + 300


def test_the_same_bytes_are_written_each_time(tmp_path: Path, demo: Demo) -> None:
    for plan in plans()[-2:]:
        for device, files in plan.devices:
            for file in files:
                again = device.write(tmp_path / plan.study_id, file, Silent())
                first = demo.study(plan.study_id).folder / file.name
                digests = {hashlib.sha256(p.read_bytes()).hexdigest() for p in (again, first)}
                assert len(digests) == 1


STORIES: dict[str, tuple[str, str, str, str, tuple[str, ...]]] = {
    "S-2041": ("review", "early", "power_exhausted", "witness",
               ("Have every battery full", "Plan more power")),
    "S-2042": ("complete", "late", "stopped_by_technologist", "witness", ()),
    "S-2043": ("complete", "as_ordered", "stopped_by_technologist", "witness", ()),
    "S-2044": ("review", "as_ordered", "stopped_by_technologist", "witness",
               ("Re-prepare and secure C4, T4, O2.",)),
    "S-2045": ("review", "late", "stopped_by_technologist", "witness",
               ("Clear the card before hook-up", "Lower the impedance of T5")),
    "S-2046": ("review", "early", "recorder_interrupted", "pattern",
               ("End the recording on the recorder",)),
    "S-2047": ("repeat", "early", "stopped_by_patient", "witness",
               ("Tell the patient and the caregivers",)),
    "S-2048": ("complete", "late", "stopped_by_technologist", "witness", ()),
}  # fmt: skip
"""What each story says: outcome, how it ended, why, how strongly shown, and what to do next time."""

GAPS = {
    "S-2042": (("stopped_by_technologist", "witness"), ("power_change", "witness")),
    "S-2044": (("stopped_by_technologist", "witness"),),
    "S-2046": (("not_known", None),),
}


@pytest.mark.parametrize("study_id", STORIES)
def test_the_audit_finds_each_story_to_the_nanosecond(demo: Demo, study_id: str) -> None:
    study, audit = demo.study(study_id), demo.audit(study_id)
    assert audit.coverage.recorded_ns == study.recorded_ns
    outcome, kind, cause, rank, advice = STORIES[study_id]
    stop = audit.stop
    assert (stop.kind, stop.cause.likely_cause, stop.cause.rank) == (kind, cause, rank)
    assert tuple((c.likely_cause, c.rank) for c in audit.gap_causes) == GAPS.get(study_id, ())
    assert len(audit.next_hookup) == len(advice)
    for given, wanted in zip(audit.next_hookup, advice, strict=True):
        assert given.text.startswith(wanted)
    assert audit.decision.outcome == outcome
    codes = {f.code for f in audit.findings}
    assert ("other_patient" in codes) == (study_id == "S-2045")
    assert ("copies_matched" in codes) == (study_id == "S-2043")
    assert ("electrode_lost" in codes) == (study_id == "S-2044")
    assert ("never_closed" in codes) == (study_id == "S-2046")
    assert ("artifact_mains" in codes) == (study_id == "S-2045")


def test_the_ordinary_study_is_green_in_all_four_answers(demo: Demo) -> None:
    audit = demo.audit("S-2048")
    assert [a.state for a in audit.decision.answers] == ["yes"] * 4
    assert {f.severity for f in audit.findings} == {"info"}


def test_a_place_that_cannot_be_written_is_an_error_that_says_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "studies").write_text("in the way", encoding="utf-8")
    with pytest.raises(OutputError, match="--out"):
        make_demo(tmp_path)


def test_a_new_file_every_so_many_seconds_leaves_nothing_out() -> None:
    plan = pieces(0, 25, 10, notes=((0, "a"), (9.9, "b"), (10, "c"), (26, "d")))
    assert [p.runs for p in plan] == [((0, 10),), ((10, 20),), ((20, 25),)]
    assert [[text for _, text in p.notes] for p in plan] == [["a", "b"], ["c"], ["d"]]


LABELS = ("Fp1", "C3", "T5", "O1", "ECG")


def power(values: np.ndarray, rate: int, low: float, high: float) -> float:
    from scipy.signal import welch

    frequency, density = welch(values, rate, nperseg=4 * rate)
    inside = (frequency >= low) & (frequency <= high)
    return float(density[inside].sum() / density[frequency > 0.4].sum())


def test_relaxed_eeg_has_its_alpha_over_the_back_of_the_head() -> None:
    pool = Amplifier(64, LABELS, 1, 9).pools["relaxed"]
    assert pool.shape == (POOL_S * 64, len(LABELS))
    assert power(pool[:, 3], 64, 8, 12) > 0.7
    assert power(pool[:, 3], 64, 8, 12) > 2 * power(pool[:, 0], 64, 8, 12)


def test_night_is_slower_than_day() -> None:
    amplifier = Amplifier(64, LABELS, 1, 12)
    day, night = amplifier.block(0)[:, 1], amplifier.block(12)[:, 1]
    assert power(night, 64, 0.5, 4) > power(day, 64, 0.5, 4)


def test_each_fault_does_what_it_says_from_its_second_on() -> None:
    faults = (
        Fault("C3", "flat", 100, 200),
        Fault("T5", "mains", 300, 400),
        Fault("O1", "drift", 500, 600),
    )
    amplifier = Amplifier(128, LABELS, 1, 12, faults)
    whole, sound = amplifier.block(0), Amplifier(128, LABELS, 1, 12).block(0)
    same = (whole == sound).all(axis=1).reshape(-1, 128).all(axis=1)
    for fault in faults:
        a, b = round(fault.start_s), round(fault.end_s)
        assert same[a - 1]
        assert not same[a:b].any()
        assert same[b]
    assert np.ptp(whole[100 * 128 : 200 * 128, 1]) == 0
    assert power(whole[300 * 128 : 400 * 128, 2], 128, 59, 61) > 0.8
    assert np.ptp(whole[500 * 128 : 600 * 128, 3]) > 2000


def test_samples_are_the_same_however_they_are_asked_for() -> None:
    amplifier = Amplifier(25, LABELS, 3, 23.5)
    edge = 3600 * 25
    across = amplifier.samples(edge - 50, 100)
    assert np.array_equal(across[:50], Amplifier(25, LABELS, 3, 23.5).samples(edge - 50, 50))
    assert np.array_equal(across[50:], Amplifier(25, LABELS, 3, 23.5).samples(edge, 50))


def test_the_command_makes_audits_and_says_where_each_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    two = [plan for plan in plans() if plan.study_id in ("S-2042", "S-2047")]
    monkeypatch.setattr("auditor.demo.plans", lambda: two)
    assert run("demo", "--out", tmp_path / "demo") == 0
    printed = capsys.readouterr().out
    for plan in two:
        folder = tmp_path / "demo" / "audits" / plan.study_id
        decision = read(folder)["decision"]
        assert f"{plan.study_id}  {plan.story}" in printed
        assert f"  {decision['outcome'].upper()}: {decision['headline']}" in printed
        assert f"  {folder / 'audit.html'}\n" in printed
        assert (folder / "audit.html").is_file()


def test_the_demo_in_a_desk_is_not_audited_yet(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[Any] = []
    monkeypatch.setattr("auditor.demo.plans", lambda: plans()[-1:])
    monkeypatch.setattr("auditor.desk.server.run_desk", lambda start, say: started.append(start))
    assert run("demo", "--desk", "--no-open", "--quiet", "--out", tmp_path) == 0
    (start,) = started
    assert (start.folder, start.roots, start.opens) == (
        tmp_path / "desk", (tmp_path / "studies",), False,
    )  # fmt: skip
    assert [p.name for p in (tmp_path / "studies").iterdir()] == [plans()[-1].study_id]
    assert not (tmp_path / "audits").exists()
