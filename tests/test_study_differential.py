"""Random study folders: the auditor and a slow second implementation count the same."""

from __future__ import annotations

from collections import Counter

import pytest
from differential_study import check, concluded, make

_EACH = 40


@pytest.mark.parametrize("part", range(6))
def test_random_folders_are_counted_as_by_hand(part: int) -> None:
    found = [check(seed) for seed in range(part * _EACH, (part + 1) * _EACH)]
    assert [f for f in found if f not in ("", "skipped")] == []
    assert found.count("skipped") < _EACH // 4


def test_the_random_folders_hold_what_returned_studies_hold() -> None:
    reasons: Counter[str] = Counter()
    looks: Counter[str] = Counter()
    for seed in range(400):
        answer = concluded(make(seed))
        reasons.update(answer.aside.values())
        looks.update(answer.look)
    assert reasons.keys() >= {
        "other_patient", "before_hookup", "test_recording", "far_in_time", "other_recorder",
        "copy_not_matched", "excluded_by_hand",
    }  # fmt: skip
    assert looks.keys() == {
        "two_studies_likely", "more_than_ordered", "start_disagrees_with_hookup",
    }  # fmt: skip
