"""The demo's studies and their audits, made once for all tests that look at them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # conftest imports this for every test: what costs time waits until it is asked
    from auditor.demo import DemoStudy
    from auditor.model import Audit


class Demo:
    """The demo under ``root``. Tests read its files and never change them."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self._studies: dict[str, DemoStudy] = {}
        self._audits: dict[str, Audit] = {}
        self._whole = False

    def all(self) -> tuple[DemoStudy, ...]:
        """Every study, as ``auditor demo`` makes them."""
        from auditor.demo import make_demo

        if not self._whole:
            self._studies = {study.study_id: study for study in make_demo(self.root)}
            self._whole = True
        return tuple(self._studies.values())

    def study(self, study_id: str) -> DemoStudy:
        """One study."""
        from auditor.demo import make_study

        if study_id not in self._studies:
            self._studies[study_id] = make_study(self.root, study_id)
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
