"""Tells an EEG lab, from the files alone, whether a returned study covered its ordered time.

Use from Python::

    import auditor

    audit = auditor.audit_study("S-2041", order="S-2041/order.toml", timezone="America/Denver")
    audit.decision.outcome              # 'complete', 'review', 'repeat' or 'so_far'
    audit.coverage.recorded_ns          # integer nanoseconds, as every time and duration
    auditor.tables(audit)["gaps"]       # a pandas DataFrame: start, end, duration_s, likely_cause

``audit_study`` returns frozen values (``auditor.model``) and writes nothing; ``tables`` gives
the same facts as pandas tables; ``write_audit`` writes what ``auditor study`` writes. Errors that a
person can act on are ``auditor.AuditorError``.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from auditor.core import __version__
from auditor.core.errors import AuditorError

if TYPE_CHECKING:
    from decimal import Decimal

    import pandas as pd

    from auditor.model import Audit, Order

__all__ = ["AuditorError", "__version__", "audit_study", "tables", "write_audit"]


def audit_study(
    paths: str | Path | Sequence[str | Path],
    *,
    order: str | Path | Order | None = None,
    ordered_hours: int | float | str | Decimal | None = None,
    policy: str | Path | None = None,
    timezone: str | None = None,
    scan_signal: bool | None = None,
    second_readers: bool = True,
) -> Audit:
    """Audit one returned study: a folder, searched to the bottom, or its files; or URLs of them.

    ``order`` is an order file (TOML, or a FHIR R4 ServiceRequest in JSON) or an ``Order``;
    ``ordered_hours`` takes the place of its hours. ``policy`` is a policy file whose keys replace
    the defaults; ``timezone`` the patient's IANA zone. Without ``scan_signal`` the samples are not
    looked at (by default they are, but for URLs); without ``second_readers`` mne and pyedflib are
    not asked.

    Nothing is written. Raises ``AuditorError``: ``UsageError`` for a path that cannot be,
    ``SettingsError`` for hours, an order, policy or log file, ``NothingReadable`` where there is no
    recording.
    """
    from auditor.core.clock import zone_info
    from auditor.inputs.remote import place_of
    from auditor.inputs.storage import is_url
    from auditor.pipeline import Options
    from auditor.pipeline import audit_study as audit_place
    from auditor.policy import load_policy

    given = [paths] if isinstance(paths, str | Path) else list(paths)
    place = place_of(given)
    if timezone is not None:
        zone_info(timezone)
    rules = load_policy(None if policy is None else Path(policy))
    if scan_signal is None:
        scan_signal = not any(is_url(str(path)) for path in given)
    return audit_place(
        place,
        order=_order(order, ordered_hours, timezone),
        policy=rules,
        options=Options(timezone=timezone, scan_signal=scan_signal, second_readers=second_readers),
    )


def tables(audit: Audit) -> dict[str, pd.DataFrame]:
    """The audit as pandas tables by name, with the names and meanings of ``audit.json``.

    ``files``, ``segments``, ``gaps``, ``hours``, ``nights``, ``channels``, ``annotations``,
    ``periods``, ``second_readers`` and ``findings``. Durations are seconds (float64, columns that
    end in ``_s``); times are civil times at the patient (datetime64[ns]), with ``…_utc`` beside
    them where the time zone is known. A table without rows keeps its columns.
    """
    from auditor.outputs.data import audit_tables

    return audit_tables(audit)


def write_audit(audit: Audit, out: str | Path, *, force: bool = False) -> None:
    """Write ``audit.html``, ``audit.json`` and the CSV files into the folder ``out``.

    Raises ``OutputError`` where ``out`` already holds an audit (unless ``force``) or the disk
    refuses.
    """
    from auditor.outputs.files import check_free
    from auditor.outputs.publish import publish

    check_free(Path(out), force=force)
    publish(audit, Path(out))


def _order(
    order: str | Path | Order | None,
    ordered_hours: int | float | str | Decimal | None,
    timezone: str | None,
) -> Order | None:
    """The order, with ``ordered_hours`` in place of its hours, as on the command line."""
    from auditor.inputs.order import order_with, read_order

    if isinstance(order, str | Path):
        order = read_order(Path(order), timezone=timezone)
    # The shortest decimal text of a float is the number that was written.
    hours = None if ordered_hours is None else str(ordered_hours)
    return order_with(order, {"ordered_hours": hours})
