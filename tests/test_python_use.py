"""``import auditor``: the documented examples run, and the tables hold what audit.json holds."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import textwrap
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from helpers_studies import write_piece

import auditor
from auditor.core.units import HOUR, NS
from auditor.model import Audit, Order
from auditor.outputs.data import json_pieces

ROOT = Path(__file__).resolve().parent.parent
ORDER = """
[order]
study_id = "S-2041"
patient_code = "P-2041"
ordered_hours = 2
hookup = 2027-03-02T09:30:00
timezone = "America/Denver"
"""


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """S-2041: an hour, a gap of ten minutes, half an hour; one file left over that is none."""
    folder = tmp_path_factory.mktemp("lab") / "S-2041"
    events = [(60.0, "Lights off"), (600.0, "Button", 2.0)]
    write_piece(folder / "01.edf", (0, 3600), fmt="EDF+C", events=events)
    write_piece(folder / "02.edf", (4200, 6000), fmt="EDF+C")
    (folder / "03.edf").write_bytes(b"no recording")
    (folder / "order.toml").write_text(ORDER, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def audit(study: Path) -> Audit:
    return auditor.audit_study(study, order=study / "order.toml")


def examples() -> list[str]:
    """Python blocks that the package's own text and the README show."""
    own = auditor.__doc__ or ""
    found = [textwrap.dedent(own.split("::\n", 1)[1].split("\n\n``audit_study``")[0])]
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    return found + re.findall(r"```python\n(.*?)```", readme, re.DOTALL)


@pytest.mark.parametrize("code", examples())
def test_a_documented_example_runs_as_it_stands(
    code: str, study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(study.parent)
    names: dict[str, object] = {}
    exec(compile(code, "example", "exec"), names)
    assert "import auditor" in code
    assert any(isinstance(value, Audit) for value in names.values())


def test_the_values_are_frozen_with_exact_nanoseconds(audit: Audit) -> None:
    assert audit.coverage.recorded_ns == 5400 * NS
    assert [g.duration for g in audit.coverage.gaps] == [600 * NS]
    assert audit.order is not None
    assert audit.order.ordered_ns == 2 * HOUR
    with pytest.raises(AttributeError):
        audit.order.ordered_ns = 3 * HOUR  # type: ignore[misc]


def test_the_tables_say_what_audit_json_says(audit: Audit) -> None:
    facts = json.loads("".join(json_pieces(audit)))
    tables = auditor.tables(audit)
    where = {
        "files": facts["files"],
        "segments": facts["coverage"]["segments"],
        "gaps": facts["coverage"]["gaps"],
        "hours": facts["hours"],
        "nights": facts["signal"]["nights"],
        "channels": facts["signal"]["channels"],
        "annotations": facts["annotations"],
        "periods": facts["billing"]["periods"],
        "second_readers": facts["second_readers"],
        "findings": facts["findings"],
    }
    assert set(tables) == set(where)
    for name, rows in where.items():
        table = tables[name]
        assert len(table) == len(rows), name
        for column in table.columns:
            for value, row in zip(table[column], rows, strict=True):
                expected = row.get(column)
                if isinstance(value, pd.Timestamp):
                    assert expected is not None
                    assert value == pd.Timestamp(expected), (name, column)
                elif expected is None:
                    assert value is None or value is pd.NaT or np.isnan(value), (name, column)
                else:
                    assert value == expected, (name, column)


def test_times_and_durations_have_types_that_can_be_computed_with(audit: Audit) -> None:
    gaps = auditor.tables(audit)["gaps"]
    assert str(gaps["start"].dtype) == "datetime64[ns]"
    assert "UTC" in str(gaps["start_utc"].dtype)
    assert gaps["duration_s"].sum() == 600
    assert (gaps["end"] - gaps["start"]).sum() == pd.Timedelta(600, "s")
    files = auditor.tables(audit)["files"]
    assert files["recorded_s"].sum() == 5400  # the unreadable file has none


def test_a_table_without_rows_keeps_its_columns(study: Path) -> None:
    one = auditor.audit_study([study / "02.edf"], scan_signal=False, second_readers=False)
    tables = auditor.tables(one)
    assert list(tables["gaps"].columns[:4]) == ["start", "end", "duration_s", "likely_cause"]
    for name in ("gaps", "channels", "nights", "periods", "second_readers"):
        assert len(tables[name].columns) > 3
    assert len(tables["gaps"]) == len(tables["channels"]) == len(tables["second_readers"]) == 0
    assert str(tables["gaps"]["start"].dtype) == "datetime64[ns]"


@pytest.mark.parametrize("hours", [1.5, "1.5", Decimal("1.5"), 1])
def test_ordered_hours_may_be_any_number(hours: object, study: Path) -> None:
    one = auditor.audit_study(
        study,
        ordered_hours=hours,
        scan_signal=False,
        second_readers=False,  # type: ignore[arg-type]
    )
    assert one.order is not None
    assert one.order.ordered_ns == int(Decimal(str(hours)) * HOUR)


def test_an_order_may_be_given_as_a_value_and_its_hours_replaced(study: Path) -> None:
    given = Order(ordered_ns=3 * HOUR, source="order file", study_id="S-2041")
    one = auditor.audit_study(
        study, order=given, ordered_hours=1, scan_signal=False, second_readers=False
    )
    assert one.order is not None
    assert (one.order.ordered_ns, one.study_id) == (HOUR, "S-2041")


def test_an_order_from_the_hospital_is_taken_with_its_time_zone(study: Path) -> None:
    path = ROOT / "fixtures" / "service-requests" / "S-2041-quantity.json"
    one = auditor.audit_study(study, order=path, scan_signal=False, second_readers=False)
    assert one.study.axis.zone == "America/Denver"
    assert one.order is not None
    assert one.order.ordered_ns == 72 * HOUR
    assert one.hookup is not None
    assert one.study.axis.iso(one.hookup) == "2027-03-02T09:30:00"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"paths": []}, "names no folder"),
        ({"paths": "nowhere"}, "cannot be looked at"),
        ({"timezone": "Mars/Olympus"}, "no zone of this name"),
        ({"ordered_hours": "many"}, "must be a number of hours"),
        ({"ordered_hours": -1}, "more than 0"),
        ({"order": "none.toml"}, "cannot be read"),
        ({"policy": "none.toml"}, "cannot be read"),
    ],
)
def test_wrong_use_is_an_error_that_says_what_to_do(
    arguments: dict[str, object], words: str, study: Path
) -> None:
    with pytest.raises(auditor.AuditorError, match=words):
        auditor.audit_study(**{"paths": study, **arguments})  # type: ignore[arg-type]


def test_write_audit_writes_what_the_command_writes_and_overwrites_nothing(
    audit: Audit, tmp_path: Path
) -> None:
    auditor.write_audit(audit, tmp_path / "out")
    names = {p.name for p in (tmp_path / "out").iterdir()}
    assert names >= {
        "audit.html",
        "audit.json",
        "files.csv",
        "segments.csv",
        "gaps.csv",
        "hours.csv",
    }
    assert (tmp_path / "out" / "audit.json").read_text(encoding="utf-8") == "".join(
        json_pieces(audit)
    )
    with pytest.raises(auditor.AuditorError, match="already holds an audit"):
        auditor.write_audit(audit, tmp_path / "out")
    auditor.write_audit(audit, tmp_path / "out", force=True)


def test_importing_the_package_imports_nothing_heavy() -> None:
    code = (
        "import auditor, sys; "
        "print([m for m in ('pandas', 'mne', 'numpy', 'msgspec') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
