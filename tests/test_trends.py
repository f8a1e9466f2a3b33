"""Trends: sums in nanoseconds, shares with Wilson intervals, no pattern out of three studies."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest
from helpers_cli import run
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest
from selectolax.lexbor import LexborHTMLParser as HTMLParser

from auditor.batch.history import History
from auditor.batch.rates import compared, wilson
from auditor.batch.summary import failed
from auditor.batch.trends import group_all
from auditor.core.units import HOUR

NOW = "2027-04-01T08:00:00Z"


def summary(**changed: Any) -> dict[str, Any]:
    return {
        **failed(""), "error": None, "outcome": "complete", "stop": "as_ordered",
        "recorder": "N-3", "power": "2 batteries, card", "first_start": "2027-03-02T09:30:00",
        "ordered_ns": 72 * HOUR, "recorded_ns": 72 * HOUR, "reasons": ["covers_the_order"],
        "electrodes": ["C3", "C4"], **changed,
    }  # fmt: skip


def short(**changed: Any) -> dict[str, Any]:
    return summary(
        **{"outcome": "repeat", "stop": "early", "reasons": ["below_minimum_share"],
           "recorded_ns": 40 * HOUR + 1, **changed}
    )  # fmt: skip


@given(st.integers(1, 3000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_the_interval_is_that_of_scipy_rounded_outward(pair: tuple[int, int]) -> None:
    count, of = pair
    expected = binomtest(count, of).proportion_ci(confidence_level=0.95, method="wilson")
    share = wilson(count, of)
    assert 0 <= expected.low * 1e6 - share.low_ppm < 1 + 1e-6
    assert 0 <= share.high_ppm - expected.high * 1e6 < 1 + 1e-6


def test_the_interval_of_published_numbers() -> None:
    # Newcombe RG, Stat Med 1998;17:857-872, method 3 (from memory): 81/263 and 0/20, 1/29.
    for count, of, low, high in (
        (81, 263, 0.2553, 0.3662),
        (0, 20, 0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ):
        share = wilson(count, of)
        assert round(share.low_ppm / 1e6, 4) == pytest.approx(low, abs=1e-4)
        assert round(share.high_ppm / 1e6, 4) == pytest.approx(high, abs=1e-4)


def test_nothing_is_said_of_no_study() -> None:
    share = compared(wilson(0, 0), wilson(1, 2), 1)
    assert (share.ppm, share.low_ppm, share.high_ppm, share.apart) == (0, 0, 0, False)


def test_three_short_studies_of_one_unit_are_not_yet_a_pattern() -> None:
    audited = [short(recorder="N-11") for _ in range(2)] + [summary(recorder="N-11")]
    audited += [summary() for _ in range(10)] + [short() for _ in range(4)]
    _, trends = group_all(audited)
    (recorder,) = (t for t in trends if t.key == "recorder")
    n11 = next(g for g in recorder.groups if g.name == "N-11")
    assert (n11.short.count, n11.short.of) == (2, 3)
    assert not n11.short.apart


@given(st.integers(1, 400), st.integers(0, 400), st.integers(1, 60), st.integers(0, 60))
def test_apart_is_never_likelier_by_chance_than_scipys_exact_test(
    all_of: int, all_count: int, of: int, count: int
) -> None:
    every, share = wilson(min(all_count, all_of), all_of), wilson(min(count, of), of)
    if compared(share, every, 4).apart:
        test = binomtest(share.count, share.of, every.count / every.of, alternative="greater")
        assert test.pvalue <= 0.025 / 4 + 1e-9
        assert share.of >= 5


def test_thirty_short_studies_of_one_unit_are_and_stand_first() -> None:
    audited = [short(recorder="N-11") for _ in range(24)] + [summary(recorder="N-11")] * 6
    audited += [summary() for _ in range(100)] + [short(recorder="N-7")]
    _, trends = group_all(audited)
    (recorder,) = (t for t in trends if t.key == "recorder")
    assert [g.name for g in recorder.groups] == ["N-11", "N-7", "N-3"]
    assert [g.short.apart for g in recorder.groups] == [True, False, False]


def test_hours_are_summed_exactly_and_compared_with_their_own_orders_alone() -> None:
    everything, _ = group_all([short(), short(), summary(ordered_ns=None, stop="unknown")])
    assert everything.ordered_ns == 144 * HOUR
    assert everything.compared_ns == 80 * HOUR + 2
    assert everything.recorded_ns == 152 * HOUR + 2
    assert (everything.short.count, everything.short.of) == (2, 2)
    assert (everything.early.count, everything.early.of) == (2, 2)


def test_an_electrode_counts_where_it_was_recorded() -> None:
    audited = [
        summary(electrodes=["C3", "C4"], electrodes_lost=["C4"]),
        summary(electrodes=["C3", "C4", "T7"], electrodes_lost=["C4", "T7"]),
        summary(electrodes=[]),  # not scanned
    ]
    everything, trends = group_all(audited)
    electrodes = {g.name: (g.lost.count, g.lost.of) for g in trends[-1].groups}
    assert electrodes == {"C4": (2, 2), "T7": (1, 1), "C3": (0, 2)}
    assert (everything.lost.count, everything.lost.of) == (2, 2)


def test_months_stand_in_their_order() -> None:
    audited = [summary(first_start=f"{m}-09T10:00:00") for m in ("2027-03", "2026-12", "2027-01")]
    (month,) = (t for t in group_all(audited)[1] if t.key == "month")
    assert [g.name for g in month.groups] == ["2026-12", "2027-01", "2027-03"]


def test_page_and_table_hold_the_same_numbers(tmp_path: Path) -> None:
    with History(tmp_path, create=True) as history:
        for number in range(3):
            history.add_audit(f"S-{number}", NOW, "f", [], short(recorder="=N<b>3"))
        history.add_audit(
            "S-2", NOW, "f", [], summary()
        )  # audited again: counts once, as it is now
        history.add_audit("S-4", NOW, "f", [], failed("no recording"))
        history.add_decision("S-0", "accept-short", "M-1", "enough for the question", NOW)
    assert run("trends", "--out", tmp_path, "--quiet") == 0
    with (tmp_path / "trends.csv").open(newline="", encoding="utf-8") as file:
        rows = {(r["by"], r["group"]): r for r in csv.DictReader(file)}
    every = rows["all", "all studies"]
    assert (every["studies"], every["short"], every["short_of"]) == ("3", "2", "3")
    assert every["repeat"] == "1"  # of the two short ones a person accepted one
    assert every["recorded_s"] == str((80 + 72) * 3600) + ".000000002"
    assert rows["recorder", "'=N<b>3"]["short"] == "2"  # no spreadsheet runs it
    page = HTMLParser((tmp_path / "trends.html").read_text(encoding="utf-8"))
    assert "1 study could not be audited" in page.body.text()
    assert page.css_first("b[n]") is None
    bars = {n.attributes["aria-label"] for n in page.css("svg[role=img]")}
    assert any(bar.startswith("=N<b>3: 2 of 2, 100.0 %, interval 34.2 % to") for bar in bars)
    for table in page.css("table"):
        assert table.css_first("caption").text()
    assert page.css("[style], link[rel=stylesheet], script[src], img") == []


def test_a_history_without_audits_is_status_2(tmp_path: Path) -> None:
    with History(tmp_path, create=True):
        pass
    assert run("trends", "--out", tmp_path) == 2
