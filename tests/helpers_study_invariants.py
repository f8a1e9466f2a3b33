"""What must hold for any study folder at all: a sound audit or an error of the family.

``check`` writes a folder, audits it in this process, and checks the audit and every output. The
sums are worked out here again, in plain Python, from the files' own records.
"""

from __future__ import annotations

import csv
import functools
import hashlib
import io
import json
import os
import random
import re
import stat
from collections.abc import Callable, Iterable, Iterator
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from typing import Any

import jsonschema
from helpers_hostile import Folder, write
from msgspec import Struct
from msgspec.structs import fields, replace
from selectolax.lexbor import LexborHTMLParser

from auditor import __file__ as package
from auditor.core.errors import AuditorError
from auditor.core.units import NS
from auditor.inputs.order import read_order
from auditor.model import Audit, Facts, Interval, StudyFile
from auditor.outputs.data import schema
from auditor.outputs.publish import audit_texts
from auditor.outputs.redact import redacted
from auditor.outputs.terminal import summary
from auditor.pipeline import Options, examine, judge
from auditor.policy import load_policy

TEMPLATES = Path(package).resolve().parents[1] / "report_templates"
CONTROLS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufeff\ud800-\udfff]")
NUMBER = re.compile(r"-?\d+(\.\d+)?")
Span = tuple[int, int]


@functools.cache
def policy() -> Any:
    return load_policy()


@functools.cache
def validator() -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(schema())


def check(
    study: Folder, at: Path, rng: random.Random, *, second: bool = False,
    shown: Callable[[str], bool] = lambda result: True,
) -> str:  # fmt: skip
    """Audit ``study`` under ``at``; its outcome in a word or two: outcome and findings, or error.

    ``shown`` says of a result whether its outputs are made and looked through.

    Raises ``AssertionError`` where something that must hold does not, and whatever the auditor
    raised that is not of its family.
    """
    folder, order_path = write(study, at)
    before = fingerprint(at)
    hidden = rng.random() < 0.25
    again = rng.random() < 0.1
    options = Options(
        timezone=study.zone,
        scan_signal=rng.random() < 0.85,
        second_readers=second,
        generated_utc="2027-03-09T08:00:00Z",
    )
    try:
        facts = _facts(folder, order_path, options)
        audit = judge(facts, policy(), options)
        sound(audit, study, options)
        result = " ".join([audit.decision.outcome, *sorted({f.code for f in audit.findings})])
        if shown(result):
            texts = audit_texts(audit)
            outputs(audit, texts)
            if hidden:
                without_patient(redacted(facts, policy(), options), audit)
            if again:
                second_audit = judge(_facts(folder, order_path, options), policy(), options)
                assert audit_texts(second_audit) == texts, "two runs differ"
    except AuditorError as error:
        if not error.problem or not str(error).endswith(error.action):
            raise AssertionError("an error that says nothing") from error
        result = f"{type(error).__name__} {getattr(error, 'code', '')}".strip()
    assert fingerprint(at) == before, "an input was changed"
    return result


def _facts(folder: Path, order_path: Path | None, options: Options) -> Facts:
    order = None
    if order_path is not None:
        order = read_order(
            order_path,
            timezone=options.timezone,
        )
    return examine([folder], order=order, policy=policy(), options=options)


def fingerprint(at: Path) -> list[tuple[bytes, int, int, int, str]]:
    """Every entry under ``at``: name, kind and mode, size, time of change, checksum."""
    found = []
    for folder, folders, files in os.walk(at):
        for name in (*folders, *files):
            path = Path(folder) / name
            status = path.lstat()
            whole = path.read_bytes() if stat.S_ISREG(status.st_mode) else b""
            digest = hashlib.sha256(whole).hexdigest()
            row = (os.fsencode(path), status.st_mode, status.st_size, status.st_mtime_ns, digest)
            found.append(row)
    return sorted(found)


# ---------------------------------------------------------------- the audit


def joined(spans: Iterable[Span]) -> list[Span]:
    """The union of ``spans``, the slow and obvious way."""
    out: list[Span] = []
    for start, end in sorted(spans):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        elif start < end:
            out.append((start, end))
    return out


def length(spans: Iterable[Span]) -> int:
    return sum(end - start for start, end in spans)


def sound(audit: Audit, study: Folder, options: Options) -> None:
    """The invariants of an audit of ``study``."""
    _files(audit, study)
    _coverage(audit)
    _shortfall(audit)
    _hours(audit)
    _signal(audit)
    _decision(audit)


def _files(audit: Audit, study: Folder) -> None:
    seen = [f.recording.name for f in audit.study.files]
    seen += [f.name for f in audit.study.unreadable]
    assert len(set(seen)) == len(seen), "a file is listed twice"
    roles = {f.role for f in audit.study.files}
    assert roles <= {"counted", "set_aside"}
    # Every file named like a recording is accounted for, each by its own name or as another's.
    everything = {*seen, *audit.study.other_files}
    assert len(everything) == len(study.files) + _seen_odd(audit, study), "a file was lost"
    for file in audit.study.files:
        recording = file.recording
        held = (recording.size_bytes - recording.data_offset) // recording.record_bytes
        assert 0 < recording.records <= held
        assert 0 < recording.data_offset <= recording.size_bytes
        _bound(file, recording.records * recording.record_ns)
        _bound(file, held * recording.record_ns)
        raw = study.files.get(os.fsencode(recording.name))
        if raw is not None:
            assert recording.size_bytes == len(raw)
            plain = capacity(raw)
            if plain is not None and not any(f.severity != "info" for f in recording.findings):
                _bound(file, plain)


def _seen_odd(audit: Audit, study: Folder) -> int:
    """Entries beyond the regular files that the audit lists: pipes, sockets and links."""
    kinds = 0
    root = os.fsencode(audit.study.root)
    for name, (kind, _) in study.odd.items():
        path = root + b"/" + name
        kinds += (
            kind != "folder" and os.path.lexists(path) and not stat.S_ISDIR(os.lstat(path).st_mode)
        )
    return kinds


def _bound(file: StudyFile, most: int) -> None:
    """``file`` counts no more than ``most``.

    A copy whose clock was measured against the reference lies on the reference's time line, where
    its seconds may be longer; no clock that recorders have is off by more than a thousandth.
    """
    allowed = most
    if file.map.rate_num != file.map.rate_den:
        allowed += most // 1000 + 2 * len(file.run_starts)
    assert file.recorded_ns <= file.records_ns <= allowed, "more time than the bytes can hold"


def capacity(raw: bytes) -> int | None:
    """Nanoseconds that the bytes hold by a header that is plain to read; ``None`` otherwise.

    Independent of the reader: EDF specification, header record.
    """

    def number(at: int, width: int) -> int | None:
        text = raw[at : at + width].strip()
        return int(text) if text.isdigit() else None

    signals = number(252, 4)
    if not signals or number(184, 8) != 256 * (signals + 1) or len(raw) < 256 * (signals + 1):
        return None
    duration = raw[244:252].strip()
    if not re.fullmatch(rb"\d+(\.\d+)?", duration):
        return None
    samples = [number(256 + 216 * signals + 8 * i, 8) for i in range(signals)]
    if not all(n is not None for n in samples) or not any(samples):
        return None
    size = sum(n or 0 for n in samples) * (3 if raw[:1] == b"\xff" else 2)
    records = (len(raw) - 256 * (signals + 1)) // size
    return int(records * Decimal(duration.decode()) * NS)


def _coverage(audit: Audit) -> None:
    c = audit.coverage
    floor = policy().coverage.gap_floor_ns
    runs = [
        (a, b)
        for f in audit.study.counted
        for a, b in zip(f.run_starts.tolist(), f.run_ends.tolist(), strict=True)
    ]
    union = joined(runs)
    assert union == list(zip(c.union_starts.tolist(), c.union_ends.tolist(), strict=True))
    assert c.recorded_ns == length(union) > 0
    assert (c.first_start, c.last_end) == (union[0][0], union[-1][1])
    holes = [(a[1], b[0]) for a, b in pairwise(union)]
    gaps = [h for h in holes if h[1] - h[0] >= floor]
    assert [(g.start, g.end) for g in c.gaps] == gaps
    assert (c.gaps_ns, c.dropouts_ns) == (length(gaps), length(holes) - length(gaps))
    assert c.dropouts_count == len(holes) - len(gaps)
    assert c.recorded_ns + c.gaps_ns + c.dropouts_ns == c.span_ns
    assert c.recorded_ns <= c.span_ns
    assert sum(f.records_ns for f in audit.study.counted) == c.recorded_ns + c.overlap_ns
    assert c.overlap_ns >= 0
    assert sum(s.recorded_ns for s in c.segments) == c.recorded_ns
    assert sum(s.duration for s in c.segments) + c.gaps_ns == c.span_ns
    assert c.longest_run_ns == max(s.recorded_ns for s in c.segments)
    assert c.recorded_ns <= sum(copy.recorded_ns for copy in c.copies)
    assert sum(copy.only_here_ns for copy in c.copies) <= c.recorded_ns


def _shortfall(audit: Audit) -> None:
    found = audit.shortfall
    assert (found is None) == (audit.order is None)
    if found is None:
        return
    parts = (found.late_start_ns, found.gaps_ns, found.dropouts_ns, found.early_stop_ns)
    assert min(parts) >= 0
    assert sum(parts) == found.ordered_ns - found.recorded_inside_ns
    assert found.window.duration == found.ordered_ns
    recorded = audit.coverage.recorded_ns
    inside = length(_inside(audit, found.window))
    assert (found.recorded_inside_ns, found.outside_window_ns) == (inside, recorded - inside)
    assert found.short_ns == max(0, found.ordered_ns - recorded)


def _inside(audit: Audit, window: Interval) -> Iterator[Span]:
    c = audit.coverage
    for a, b in zip(c.union_starts.tolist(), c.union_ends.tolist(), strict=True):
        low, high = max(a, window.start), min(b, window.end)
        if low < high:
            yield low, high


def _hours(audit: Audit) -> None:
    hours, c = audit.hours, audit.coverage
    assert sum(h.recorded_ns for h in hours) == c.recorded_ns
    for hour in hours:
        assert 0 <= hour.recorded_ns <= hour.end - hour.start <= 3600 * NS
        assert c.first_start <= hour.start < hour.end <= c.last_end
        if hour.usable_ns is not None:
            assert 0 <= hour.usable_ns <= hour.recorded_ns
    assert all(a.end <= b.start for a, b in pairwise(hours))
    for night in audit.nights:
        assert 0 <= (night.usable_ns or 0) <= night.recorded_ns <= night.end - night.start


def _signal(audit: Audit) -> None:
    found = audit.signal
    if not found.scanned:
        assert all(h.usable_ns is None for h in audit.hours)
        return
    recorded = audit.coverage.recorded_ns
    assert 0 <= found.usable_ns <= recorded
    assert sum(h.usable_ns or 0 for h in audit.hours) == found.usable_ns
    assert found.usable is not None
    starts, ends = found.usable
    usable = list(zip(starts.tolist(), ends.tolist(), strict=True))
    assert usable == joined(usable), "usable stretches overlap"
    assert length(usable) == found.usable_ns
    assert length(joined([*usable, *_inside(audit, audit.coverage.span)])) == recorded
    if found.longest_usable_run is not None:
        assert found.longest_usable_run.duration <= audit.coverage.span_ns
    for channel in found.channels:
        states = (
            channel.signal_ns,
            channel.flat_ns,
            channel.saturated_ns,
            channel.mains_ns,
            channel.large_ns,
        )
        assert 0 <= min(states) <= max(states) <= channel.recorded_ns <= recorded
        assert channel.signal_ns <= channel.recorded_ns - max(channel.flat_ns, channel.saturated_ns)
        for i in range(3 if channel.hourly else 0):
            assert sum(hour[i] for hour in channel.hourly) == states[i]


def _decision(audit: Audit) -> None:
    if any(f.severity == "problem" for f in audit.findings):
        assert audit.decision.outcome != "complete", "complete in spite of a problem"
    if audit.decision.outcome == "complete":
        assert audit.shortfall is not None
        assert audit.order is not None
        short = audit.shortfall.short_ns * 1_000_000
        assert short <= audit.order.ordered_ns * policy().decision.tolerance_ppm
    assert audit.decision.reasons
    assert audit.decision.headline


# ---------------------------------------------------------------- the outputs


def outputs(audit: Audit, texts: dict[str, str]) -> None:
    """The invariants of every output."""
    for text in texts.values():
        text.encode("utf-8")
    _json(audit, texts["audit.json"])
    page(texts["audit.html"])
    for name in ("files.csv", "segments.csv", "gaps.csv", "hours.csv"):
        table(texts[name])
    assert not CONTROLS.search(texts["marks.txt"])
    assert not CONTROLS.search(summary(audit))


def _json(audit: Audit, text: str) -> None:
    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    document = json.loads(text, parse_constant=refuse)
    error = jsonschema.exceptions.best_match(validator().iter_errors(document))
    assert error is None, f"{error.json_path}: {error.message[:300]}"
    c = audit.coverage
    assert document["coverage"]["recorded_s"] == c.recorded_ns / NS
    assert document["coverage"]["span_s"] == c.span_ns / NS
    assert len(document["coverage"]["gaps"]) == len(c.gaps)
    assert len(document["files"]) == len(audit.study.files) + len(audit.study.unreadable)


@functools.cache
def _words() -> tuple[frozenset[str], frozenset[str]]:
    """Tag and attribute names that the templates and their filters write."""
    tags, names = {"html", "head", "body", "tbody"}, set[str]()
    for path in [
        *TEMPLATES.glob("*.html"),
        *(Path(package).parent / "outputs" / "html").glob("*.py"),
    ]:
        text = re.sub(r"\{[#%{].*?[#%}]\}", " ", path.read_text("utf-8"), flags=re.DOTALL)
        tags |= {t.lower() for t in re.findall(r"<([a-zA-Z][\w-]*)", text)}
        for inside in re.findall(r"<[a-zA-Z][^<>]*>", text):
            names |= {a.lower() for a in re.findall(r"[a-zA-Z][\w:.-]*", inside)}
    return frozenset(tags), frozenset(names)


def page(text: str) -> None:
    """Nothing of the input is markup: no tag and no attribute that is not the templates' own."""
    assert not CONTROLS.search(text.replace("\n", ""))
    tags, names = _words()
    scripts = 0
    tree = LexborHTMLParser(text)
    for node in tree.css("*"):
        assert (node.tag or "").lower() in tags, f"tag {node.tag}"
        scripts += node.tag == "script"
        for name, value in node.attributes.items():
            assert name.lower() in names, f"attribute {name} of {node.tag}"
            assert not name.startswith("on")
            if name in ("href", "src", "action", "xlink:href"):
                assert (value or "").startswith("#") or value == "data:,", f"{name} {value}"
    assert scripts <= 2
    assert "<zzq" not in text.lower()


def table(text: str) -> None:
    """Rows of one width, and no cell that a spreadsheet would run."""
    rows = list(csv.reader(io.StringIO(text)))
    assert len({len(row) for row in rows}) == 1
    for row in rows[1:]:
        for value in row:
            assert not CONTROLS.search(value)
            assert not value.startswith(("=", "+", "@", "\t", "\r", "\n"))
            assert not value.startswith("-") or NUMBER.fullmatch(value)


def without_patient(plain: Audit, audit: Audit) -> None:
    """``--redact``: outputs are made, and no text holds a name or code of a readable header."""
    texts = audit_texts(plain)
    outputs(plain, texts)
    known = set()
    for file in audit.study.files:
        patient = file.recording.header.patient_field
        known |= {w for w in (patient.code, patient.name) if w and len(w) > 5}
        base = file.recording.name.rsplit("/", 1)[-1]
        known |= {base} if len(base) > 8 else set()
    words = [w.casefold() for w in known if w.isascii() and w.isprintable()]
    shown = replace(plain, rules=(), cautions=())
    for text in _strings(shown):
        held = next((w for w in words if w in text.casefold().replace("[text withheld]", "")), None)
        assert held is None, f"{held!r} left in {text[:200]!r}"


def _strings(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, tuple):
        for v in value:
            yield from _strings(v)
    elif isinstance(value, Struct):
        for f in fields(value):
            yield from _strings(getattr(value, f.name))
