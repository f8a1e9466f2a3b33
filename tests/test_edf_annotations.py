"""Annotation bytes: the parser for any bytes, and the array reader against it."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.edf.annotations import FAULTS, MAX_ONSET_NS, parse_annotations, signed_ns, unsigned_ns
from auditor.edf.records import UNKNOWN, read_time_keeping

BYTES = st.binary(max_size=80)
LIKELY = st.lists(
    st.sampled_from([b"+", b"-", b".", b"0", b"1", b"59", b"\x14", b"\x14\x14\0", b"\x15", b"\0", b"Lights off", b"\xff", b" "]),
    max_size=20,
).map(b"".join)  # fmt: skip


@pytest.mark.parametrize(
    ("text", "ns"),
    [(b"+0", 0), (b"-0", 0), (b"+1.5", 1_500_000_000), (b"-0.065", -65_000_000), (b"+0.333333333", 333_333_333),
     (b"+0.3333333333", 333_333_333), (b"+0.0000000005", 1), (b"+0.99999999995", 1_000_000_000), (b"+7.", 7_000_000_000),
     (b"+00012", 12_000_000_000), (b"1", None), (b"+", None), (b"+.5", None), (b"+1,5", None), (b"+1e3", None), (b"+ 1", None),
     (b"+1 ", None), (b"++1", None), (b"+nan", None), (b"+inf", None), (b"+1_0", None), ("+١".encode(), None), (b"", None)],
)  # fmt: skip
def test_onsets_are_read_to_the_nearest_nanosecond_or_not_at_all(
    text: bytes, ns: int | None
) -> None:
    assert signed_ns(text) == ns


@settings(deadline=None)
@given(st.integers(0, 10**9), st.text("0123456789", max_size=12))
def test_any_decimal_agrees_with_exact_arithmetic(whole: int, fraction: str) -> None:
    text = f"{whole}.{fraction}" if fraction else str(whole)
    exact = Decimal(text) * 1_000_000_000
    found = unsigned_ns(text.encode())
    assert found is not None
    assert abs(found - exact) <= Decimal("0.5")


@settings(deadline=None)
@given(BYTES | LIKELY)
def test_no_bytes_break_the_parser(data: bytes) -> None:
    parsed = parse_annotations(data)
    assert set(parsed.faults) <= FAULTS.keys()
    for found in parsed.lists:
        assert abs(found.onset_ns) <= MAX_ONSET_NS
        assert found.duration_ns is None or 0 <= found.duration_ns <= MAX_ONSET_NS
        for text in found.texts:
            text.encode("utf-8")
    # No text is longer than its bytes written out as escapes, so nothing grows out of hand.
    assert sum(len(t) for x in parsed.lists for t in x.texts) <= 4 * len(data)


@settings(deadline=None)
@given(st.lists(BYTES | LIKELY, min_size=1, max_size=12), st.sampled_from([3, 16, 24, 25, 60]))
def test_rows_read_as_arrays_agree_with_rows_read_one_by_one(rows: list[bytes], width: int) -> None:
    data = b"".join(r[:width].ljust(width, b"\0") for r in rows)
    onsets = read_time_keeping(np.frombuffer(data, np.uint8).reshape(-1, width))
    for row, onset in zip(rows, onsets.tolist(), strict=True):
        if onset != UNKNOWN:
            parsed = parse_annotations(row[:width].ljust(width, b"\0"))
            assert parsed.time_keeping_ns == onset
            assert parsed.faults == ()
            assert [t for x in parsed.lists for t in x.texts if t] == []


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from("+-"), st.integers(0, 10**8), st.text("0123456789", max_size=9)), min_size=1, max_size=40),
    st.sampled_from([24, 25, 60]),
)  # fmt: skip
def test_every_well_formed_time_keeping_list_is_read_as_an_array(
    parts: list[tuple[str, int, str]], width: int
) -> None:
    texts = [
        f"{sign}{whole}" + (f".{fraction}" if fraction else "") for sign, whole, fraction in parts
    ]
    data = b"".join((t.encode() + b"\x14\x14\0").ljust(width, b"\0") for t in texts)
    onsets = read_time_keeping(np.frombuffer(data, np.uint8).reshape(-1, width))
    assert onsets.tolist() == [int(Decimal(t) * 10**9) for t in texts]


@pytest.mark.parametrize(
    "row",
    [b"+1\x14\x14\0\0+2\x14x\x14\0", b"+1\x14\x14", b"+1\x14\x14x\x14\0", b"+1\x14x\x14\0", b"+1.2.3\x14\x14\0",
     b"+\x14\x14\0", b"\0+1\x14\x14\0", b"1\x14\x14\0", b"+99999999999\x14\x14\0", b"+9999999999\x14\x14\0",
     b"+1\x15\x14\x14\0", b"+1a\x14\x14\0", b"+a.b\x14\x14\0", b"", b"\x14" * 24],
)  # fmt: skip
def test_odd_rows_are_left_to_the_parser(row: bytes) -> None:
    width = max(24, len(row) + len(row) % 2)
    if row == b"+1\x14\x14":
        width = len(row)
    rows = np.frombuffer(row.ljust(width, b"\0"), np.uint8).reshape(1, width)
    assert read_time_keeping(rows).tolist() == [UNKNOWN]


@pytest.mark.parametrize(
    "piece",
    [b"\0", b"\x14", b"+1\x14\0", b"+1\x14a\x14\0", b"9", b"+", b"\0a", b"\x15\x14", b"\xff"],
)
def test_a_megabyte_of_anything_is_read_to_its_end(piece: bytes) -> None:
    parsed = parse_annotations((piece * (1 << 20))[: 1 << 20])
    readable = 0 if not piece.startswith(b"+1") else (1 << 20) // len(piece)
    assert len(parsed.lists) in (readable, readable + 1)
