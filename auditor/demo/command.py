"""``auditor demo``: invented studies, audited, and where to look."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from auditor.core.progress import Progress
from auditor.demo import DemoStudy, make_demo
from auditor.inputs.order import read_order
from auditor.outputs.publish import publish
from auditor.pipeline import Options, audit_study
from auditor.policy import load_policy

_WORKERS = 2


def demo(out: Path, progress: Progress) -> str:
    """Make the invented studies under ``out``, audit each into ``out/audits``; the text to print.

    Raises ``OutputError`` where the studies or audits cannot be written.
    """
    studies = make_demo(out, progress)
    progress.stage("Auditing invented studies", len(studies))
    lines = ["Invented studies (a fictional lab, synthetic signals), each with its audit:", ""]
    with ProcessPoolExecutor(_WORKERS, mp_context=get_context("spawn")) as pool:
        for study, line in zip(
            studies, pool.map(_audit, studies, [out] * len(studies)), strict=True
        ):
            progress.advance(1)
            lines += [f"{study.study_id}  {study.story}", *line, ""]
    lines.append("Open an audit.html in a browser; nothing is loaded from the network.")
    return "\n".join(lines)


def _audit(study: DemoStudy, out: Path) -> list[str]:
    policy = load_policy()
    order = read_order(study.order)
    audit = audit_study([study.folder], order=order, policy=policy, options=Options(workers=1))
    folder = out / "audits" / study.study_id
    publish(audit, folder)
    decision = audit.decision
    return [f"  {decision.outcome.upper()}: {decision.headline}", f"  {folder / 'audit.html'}"]
