"""CSV files: seconds in full decimals, the same as h:mm:ss, billing by period. Data are invented."""

from __future__ import annotations

import csv
import io

import helpers_audit as h
import pytest
from msgspec.structs import replace

from auditor.core.units import HOUR
from auditor.outputs.data import csv_pieces


def rows(audit_name: str, file: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO("".join(csv_pieces(h.SCENARIOS[audit_name]())[file]))))


def test_recorded_time_as_text_is_rounded_down_and_an_interruption_up() -> None:
    audit = h.build(
        {"A": [(h.HOOKUP, h.HOOKUP + HOUR - 1), (h.HOOKUP + 2 * HOUR, h.HOOKUP + 3 * HOUR)]}
    )
    texts = csv_pieces(replace(audit, gap_causes=audit.gap_causes[:1]))
    (gap,) = csv.DictReader(io.StringIO("".join(texts["gaps.csv"])))
    assert (gap["duration_s"], gap["duration_hms"]) == ("3600.000000001", "1:00:01")
    first = next(csv.DictReader(io.StringIO("".join(texts["segments.csv"]))))
    assert (first["duration_s"], first["recorded_hms"]) == ("3599.999999999", "0:59:59")


def test_billing_periods_stand_on_a_line_each_with_their_dates() -> None:
    found = rows("normal", "periods.csv")
    audit = h.normal()
    assert audit.billing is not None
    assert [r["period"] for r in found] == [str(p.index) for p in audit.billing.periods]
    assert found[0]["technical"].startswith("1 x 957")
    assert found[0]["start_utc"].endswith("Z")


@pytest.mark.parametrize("name", ["files", "segments", "gaps", "hours", "periods"])
def test_an_audit_without_order_or_scan_keeps_every_table_and_its_headings(name: str) -> None:
    for scenario in ("no_order", "signal_off"):
        text = "".join(csv_pieces(h.SCENARIOS[scenario]())[f"{name}.csv"])
        assert text.splitlines()[0].count(",") >= 4
