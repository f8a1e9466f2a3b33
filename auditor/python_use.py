"""Behind ``import auditor``: one study audited, and the audit as pandas tables."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from auditor.audit import Options, audit_study
from auditor.civil import zone_info
from auditor.errors import UsageError
from auditor.export import document
from auditor.export.rows import Row
from auditor.model import Audit, Order
from auditor.order import order_from_hours, read_order
from auditor.outputs import check_free
from auditor.policy import Policy, load_policy
from auditor.remote import place_of
from auditor.urls import is_url

if TYPE_CHECKING:
    import pandas as pd

_TIMES = ("start", "end", "at", "lost_at")
_SPAN = ("start", "end", "duration_s")
_TABLES: dict[str, tuple[Callable[[Row], list[Row]], tuple[str, ...]]] = {
    "files": (
        lambda d: d["files"],
        ("name", "role", "reason", "copy", "format", "start", "end", "records", "record_s",
         "recorded_s", "eeg_channels", "channels", "annotations", "size_bytes", "sha256"),
    ),
    "segments": (lambda d: d["coverage"]["segments"], (*_SPAN, "recorded_s", "copies")),
    "gaps": (
        lambda d: d["coverage"]["gaps"],
        (*_SPAN, "likely_cause", "confidence", "evidence", "against"),
    ),
    "hours": (lambda d: d["hours"], ("start", "recorded_s", "usable_s")),
    "nights": (
        lambda d: d["signal"].get("nights", []), ("start", "end", "recorded_s", "usable_s"),
    ),
    "channels": (
        lambda d: d["signal"].get("channels", []),
        ("label", "eeg", "electrode", "live_s", "flat_s", "railed_s", "hum_s", "large_s",
         "recorded_s", "lost_at"),
    ),
    "annotations": (
        lambda d: d["annotations"], ("at", "duration_s", "text", "file", "in_recording"),
    ),
    "periods": (
        lambda d: (d["billing"] or {}).get("periods", []),
        ("index", "start", "end", "recorded_s", "usable_s"),
    ),
    "second_readers": (
        lambda d: d["second_readers"],
        ("file", "library", "version", "recorded_s", "agrees", "note", "start", "records"),
    ),
    "findings": (
        lambda d: d["findings"],
        ("code", "severity", "where", "text", "expected", "observed", "action", "file"),
    ),
}  # fmt: skip
"""Name of the table: where its rows stand in ``audit.json``, and its columns."""


def audit_from(
    paths: str | Path | Sequence[str | Path],
    *,
    order: str | Path | Order | None,
    ordered_hours: int | float | str | Decimal | None,
    policy: str | Path | None,
    timezone: str | None,
    scan_signal: bool | None,
    second_readers: bool,
) -> Audit:
    """See ``auditor.audit_study``."""
    given = [paths] if isinstance(paths, str | Path) else list(paths)
    if not given:
        raise UsageError("paths", "names no folder and no file", "Name the study's folder.")
    for path in given:
        if not is_url(str(path)) and not Path(path).exists():
            raise UsageError(str(path), "does not exist", "Name the study's folder or its files.")
    if timezone is not None:
        zone_info(timezone)
    rules = load_policy(None if policy is None else Path(policy))
    if scan_signal is None:
        scan_signal = not any(is_url(str(path)) for path in given)
    return audit_study(
        place_of(given),
        order=_order(order, ordered_hours, rules, timezone),
        policy=rules,
        options=Options(timezone=timezone, scan_signal=scan_signal, second_readers=second_readers),
    )


def _order(
    order: str | Path | Order | None,
    ordered_hours: int | float | str | Decimal | None,
    policy: Policy,
    timezone: str | None,
) -> Order | None:
    """The order, with ``ordered_hours`` in place of its hours, as on the command line."""
    if isinstance(order, str | Path):
        order = read_order(
            Path(order),
            default_pack_ns=policy.power.pack_ns,
            default_factor_ppm=policy.power.mode_factor_ppm,
            timezone=timezone,
        )
    if ordered_hours is None:
        return order
    # The shortest decimal text of a float is the number that was written.
    hours = order_from_hours(str(ordered_hours))
    return hours if order is None else replace(order, ordered_ns=hours.ordered_ns)


def audit_tables(audit: Audit) -> dict[str, pd.DataFrame]:
    """See ``auditor.tables``."""
    facts = document(audit)
    utc = audit.study.axis.zone is not None
    return {name: _table(rows(facts), columns, utc) for name, (rows, columns) in _TABLES.items()}


def _table(rows: list[Row], columns: tuple[str, ...], utc: bool) -> pd.DataFrame:
    import pandas as pd

    beside = [
        f"{c}_utc" for c in columns if utc and c in _TIMES and any(f"{c}_utc" in r for r in rows)
    ]
    table = pd.DataFrame([{c: r.get(c) for c in (*columns, *beside)} for r in rows])
    table = table.reindex(columns=[*columns, *beside])
    for column in table.columns:
        if column in _TIMES:
            table[column] = pd.to_datetime(table[column], format="ISO8601").astype("datetime64[ns]")
        elif column.endswith("_utc"):
            table[column] = pd.to_datetime(table[column], format="ISO8601", utc=True)
        elif column.endswith("_s"):
            table[column] = table[column].astype("float64")
    return table


def write_outputs(audit: Audit, out: Path, *, force: bool) -> None:
    """See ``auditor.write_audit``."""
    from auditor.publish import publish

    check_free(out, force=force)
    publish(audit, out)
