"""Invented studies: a simulator of returned recordings, and the demo made with it."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from msgspec import Struct

from auditor.core.errors import OutputError, system_errors
from auditor.core.progress import Progress, Silent
from auditor.core.units import HOUR, NS
from auditor.demo.studies import Plan, plans
from auditor.inputs.order import read_order
from auditor.outputs.files import made_beside, replace_file
from auditor.outputs.publish import publish
from auditor.pipeline import Options, audit_study
from auditor.policy import load_policy

__all__ = ["DemoStudy", "demo", "make_demo", "make_study"]

_WORKERS = 2

NOTICE = """Everything in this folder is invented: a fictional lab, patients that are codes only,
and synthetic signals at a reduced rate. Nothing here was recorded from a person.
"""


class DemoStudy(Struct, frozen=True):
    """One invented study. ``folder`` holds its recordings, logs and ``order``.

    ``recorded_ns`` and ``ordered_ns`` are true by construction; ``story`` is one line.
    """

    study_id: str
    folder: Path
    order: Path
    story: str
    ordered_ns: int
    recorded_ns: int


def make_demo(out: Path, progress: Progress | None = None) -> tuple[DemoStudy, ...]:
    """Write the invented studies under ``out/studies``, about 140 MB, the same bytes each time.

    Raises ``OutputError`` where something else is in the way or the disk refuses.
    """
    progress = progress or Silent()
    todo = plans()
    root = out / "studies"
    progress.stage(
        "Making invented studies",
        sum(b - a for p in todo for _, files in p.devices for f in files for a, b in f.runs),
    )
    action = "Give another folder with --out; the demo needs about 150 MB."
    with system_errors(OutputError, out, "cannot be written", action):
        root.mkdir(parents=True, exist_ok=True)
        replace_file(out / "INVENTED.txt", NOTICE, mode=0o644)
        # Threads: numpy and the disk do the work, and neither holds the interpreter's lock long.
        with ThreadPoolExecutor(2) as pool:
            return tuple(pool.map(lambda plan: _make(root, plan, progress), todo))


def make_study(out: Path, study_id: str, progress: Progress | None = None) -> DemoStudy:
    """Write one of the invented studies under ``out/studies``. Raises ``KeyError`` for no such."""
    plan = {plan.study_id: plan for plan in plans()}[study_id]
    root = out / "studies"
    root.mkdir(parents=True, exist_ok=True)
    return _make(root, plan, progress or Silent())


def _make(root: Path, plan: Plan, progress: Progress) -> DemoStudy:
    folder = root / plan.study_id
    with made_beside(folder) as beside:
        for device, files in plan.devices:
            for file in files:
                device.write(beside, file, progress)
        for name, text in {**plan.logs, "order.toml": plan.order}.items():
            (beside / name).write_text(text, encoding="utf-8")
    return DemoStudy(
        plan.study_id, folder, folder / "order.toml", plan.story, round(plan.ordered_hours * HOUR),
        sum(b - a for a, b in plan.runs) * NS,
    )  # fmt: skip


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
