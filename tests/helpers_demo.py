"""The demo's studies and their audits, made once for all tests that look at them."""

from __future__ import annotations

import contextlib
import pickle
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # conftest imports this for every test: what costs time waits until it is asked
    from auditor.demo import DemoStudy
    from auditor.model import Audit


@contextlib.contextmanager
def alone(path: Path) -> Iterator[None]:
    """One process at a time, where the system has such locks: others find what the first made."""
    with path.open("wb") as file:
        with contextlib.suppress(ImportError):
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX)
        yield


class Demo:
    """The demo: all of it under ``shared``, single studies under ``own``, of one process.

    Tests read its files and never change them.
    """

    def __init__(self, shared: Path, own: Path) -> None:
        self._shared, self._own = shared, own
        self._studies: dict[str, DemoStudy] = {}
        self._audits: dict[str, Audit] = {}
        self._whole = False

    def all(self) -> tuple[DemoStudy, ...]:
        """Every study, as ``auditor demo`` makes them."""
        from auditor.demo import make_demo

        if not self._whole:
            self._shared.mkdir(parents=True, exist_ok=True)
            kept = self._shared / "made.pickle"
            with alone(self._shared / "lock"):
                if not kept.exists():
                    kept.write_bytes(pickle.dumps(make_demo(self._shared)))
                self._studies = {s.study_id: s for s in pickle.loads(kept.read_bytes())}
            self._whole = True
        return tuple(self._studies.values())

    def study(self, study_id: str) -> DemoStudy:
        """One study."""
        from auditor.demo import make_study

        if study_id not in self._studies:
            self._studies[study_id] = make_study(self._own, study_id)
        return self._studies[study_id]

    def audit(self, study_id: str) -> Audit:
        """The audit of one study, without second readers."""
        from auditor.inputs.order import read_order
        from auditor.pipeline import Options, audit_study
        from auditor.policy import load_policy

        if study_id not in self._audits:
            study = self.study(study_id)
            self._audits[study_id] = audit_study(
                [study.folder],
                order=read_order(study.order),
                policy=load_policy(),
                options=Options(second_readers=False),
            )
        return self._audits[study_id]
