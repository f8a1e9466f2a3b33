"""Thousands of damaged files: each ends in a sound recording or in an error that says why."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest
from helpers_edf_invariants import bases, check, field_edges, mutate

BASES = bases()


@pytest.mark.parametrize("name", BASES)
def test_the_undamaged_bases_are_read(name: str) -> None:
    assert check(BASES[name]) is not None


@pytest.mark.parametrize("name", BASES)
def test_seeded_damage_never_breaks_the_reader(name: str) -> None:
    rng = random.Random(f"{name} 2027")
    outcomes = [check(mutate(BASES[name], rng)) is not None for _ in range(350)]
    # Both happen: damage that is survived and damage that is refused.
    assert 20 < sum(outcomes) < 350


@pytest.mark.parametrize("name", BASES)
def test_a_cut_at_every_edge_of_a_header_field_is_refused(name: str) -> None:
    raw = BASES[name]
    for edge in field_edges(raw):
        for at in (edge - 1, edge, edge + 1):
            if 0 <= at < 256 * (int(raw[252:256]) + 1):
                assert check(raw[:at]) is None


@pytest.mark.parametrize("name", BASES)
def test_a_cut_anywhere_in_the_data_keeps_the_whole_records(name: str) -> None:
    whole = check(BASES[name])
    assert whole is not None
    for at in range(whole.data_offset, len(BASES[name]), 7):
        cut = check(BASES[name][:at])
        held = (at - whole.data_offset) // whole.record_bytes
        assert (cut is None) == (held == 0) or name == "never closed"
        if cut is not None:
            assert cut.records <= held


@pytest.mark.parametrize("value", [b"\0", b" ", b"\xff", b"9", b"-", b"\x14"])
def test_every_header_field_overwritten_with_one_value(value: bytes) -> None:
    for raw in (BASES["EDF+D"], BASES["BDF"]):
        edges = list(field_edges(raw))
        for begin, end in pairwise(edges):
            check(raw[:begin] + value * (end - begin) + raw[end:])


def test_two_fields_swapped() -> None:
    raw = BASES["EDF+C"]
    edges = list(field_edges(raw))
    fields = [raw[a:b] for a, b in pairwise(edges)]
    for i in range(len(fields)):
        for j in range(i + 1, len(fields)):
            if len(fields[i]) == len(fields[j]) and fields[i] != fields[j]:
                swapped = [*fields]
                swapped[i], swapped[j] = fields[j], fields[i]
                check(b"".join(swapped) + raw[edges[-1] :])
