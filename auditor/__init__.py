"""Tells an EEG lab, from the files alone, whether a returned study covered its ordered time.

Use from Python::

    import auditor

    audit = auditor.audit_study("S-2041", order="S-2041/order.toml", timezone="America/Denver")
    audit.decision.outcome              # 'complete', 'review' or 'repeat'
    audit.coverage.recorded_ns          # integer nanoseconds, as every time and duration
    auditor.tables(audit)["gaps"]       # a pandas DataFrame: start, end, duration_s, likely_cause

``audit_study`` returns frozen dataclasses (``auditor.model``) and writes nothing; ``tables`` gives
the same facts as pandas tables; ``write_audit`` writes what ``auditor study`` writes. Errors that a
person can act on are ``auditor.AuditorError``.
"""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from auditor.errors import AuditorError

if TYPE_CHECKING:
    from decimal import Decimal

    import pandas as pd

    from auditor.model import Audit, Order

__version__ = "0.1.0"
__all__ = ["AuditorError", "__version__", "audit_study", "tables", "write_audit"]


def _python_use() -> Any:
    """The module behind these functions, imported when the first of them is called.

    'auditor --help' imports this package too, and must not wait for numpy; and modules below that
    one import this package, so it is named here and not imported.
    """
    return importlib.import_module("auditor.python_use")


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

    Nothing is written. Raises ``AuditorError``: ``UsageError`` for a path or number that cannot be,
    ``SettingsError`` for an order, policy or log file, ``NothingReadable`` where there is no
    recording.
    """
    audit: Audit = _python_use().audit_from(
        paths,
        order=order,
        ordered_hours=ordered_hours,
        policy=policy,
        timezone=timezone,
        scan_signal=scan_signal,
        second_readers=second_readers,
    )
    return audit


def tables(audit: Audit) -> dict[str, pd.DataFrame]:
    """The audit as pandas tables by name, with the names and meanings of ``audit.json``.

    ``files``, ``segments``, ``gaps``, ``hours``, ``nights``, ``channels``, ``annotations``,
    ``periods``, ``second_readers`` and ``findings``. Durations are seconds (float64, columns that
    end in ``_s``); times are civil times at the patient (datetime64[ns]), with ``…_utc`` beside
    them where the time zone is known. A table without rows keeps its columns.
    """
    found: dict[str, pd.DataFrame] = _python_use().audit_tables(audit)
    return found


def write_audit(audit: Audit, out: str | Path, *, force: bool = False) -> None:
    """Write ``audit.html``, ``audit.json`` and the CSV files into the folder ``out``.

    Raises ``OutputError`` where ``out`` already holds an audit (unless ``force``) or the disk
    refuses.
    """
    _python_use().write_outputs(audit, Path(out), force=force)
