"""Many studies at once: the worklist's rows and the trends' groups."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any, Literal

from msgspec import Struct

from auditor.model.audit import PersonDecision


class StudyFolder(Struct, frozen=True):
    """One study found. ``key`` is its path below the root, with ``/`` between parts.

    ``files`` names the recordings that are meant where the folder's sub-folders are studies of
    their own; empty where the whole folder is the study. ``days`` are the start dates in the
    headers of its recordings, as far as they can be read.
    """

    key: str
    folder: Path
    order: Path | None
    files: tuple[Path, ...] = ()
    days: tuple[date, ...] = ()


Actor = Literal["technologist", "billing", "manager"]


class WorkRow(Struct, frozen=True):
    """One study of the worklist.

    ``link`` to its audit is relative to the worklist, empty without one. ``summary`` holds the
    audit's key facts. ``decided`` is a person's latest decision, which does not change what the
    files suggest.
    """

    study: str
    link: str
    summary: dict[str, Any]
    decided: PersonDecision | None = None

    @property
    def outdated(self) -> bool:
        """Whether the decision was made on other numbers than those of now."""
        return self.decided is not None and not self.decided.made_on_this_audit

    @property
    def settled(self) -> bool:
        """Whether nobody needs to act: complete, or decided by a person on these numbers."""
        if self.decided is not None and not self.outdated:
            return True
        return bool(self.summary["outcome"] == "complete")

    @property
    def acts(self) -> tuple[Actor, ...]:
        """Who must act, by which answer is not yes; nobody where the study is settled."""
        if self.settled:
            return ()
        states = {a["question"]: a["state"] for a in self.summary.get("answers") or ()}
        if self.summary["error"] is not None or not states:
            return ("technologist",)
        open_ = {question for question, state in states.items() if state != "yes"}
        wanted: dict[Actor, bool] = {
            "technologist": bool(open_ & {"order", "readable", "files"}),
            "billing": "billing" in open_,
            "manager": self.summary["outcome"] == "repeat",
        }
        return tuple(actor for actor, must in wanted.items() if must)


class Share(Struct, frozen=True):
    """``count`` of ``of`` with its 95 % interval in parts per million; all 0 where ``of`` is 0.

    ``apart`` says that chance hardly explains that it lies above the share of the others.
    """

    count: int
    of: int
    low_ppm: int
    high_ppm: int
    apart: bool = False

    @property
    def ppm(self) -> int:
        """The share itself in parts per million, rounded down."""
        return self.count * 1_000_000 // self.of if self.of else 0


class TrendGroup(Struct, frozen=True):
    """Studies that have one thing in common. Durations in nanoseconds.

    ``ordered_ns`` sums the orders of the studies that have one, and ``missing_ns`` what each of
    these was short of its own. For an electrode, ``studies`` are
    those that recorded it and ``lost`` counts those of them in which it was lost before the end;
    elsewhere ``lost`` counts studies that lost any electrode.
    """

    name: str
    studies: int
    ordered_ns: int
    recorded_ns: int
    missing_ns: int
    early: Share
    short: Share
    repeat: Share
    lost: Share


class Trend(Struct, frozen=True):
    """Every group of one kind ('Recorder'), and which of its shares differ between them.

    ``shown`` is the share that the picture shows; ``hours`` tells whether hours are told apart.
    """

    key: str
    title: str
    column: str
    groups: tuple[TrendGroup, ...]
    shares: tuple[str, ...]
    shown: str
    hours: bool = True


class Pattern(Struct, frozen=True):
    """What keeps failing, in one plain sentence; ``note`` holds how sure that is."""

    text: str
    note: str
    apart: bool
