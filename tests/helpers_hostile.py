"""Whole studies as values in memory, and on disk.

A ``Folder`` is what a returned study's folder holds: file names (bytes, as a card may have them)
with their content, odd entries such as links and pipes, an order and its logs. ``write``
puts it on disk; ``helpers_hostile_damage`` changes one in a seeded way.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import helpers_cases as cases
from helpers_edf import Sig, edf, event
from helpers_edf_invariants import bases
from helpers_studies import Amplifier, Clock, s, write_piece
from msgspec import Struct

FIXTURES = Path(__file__).resolve().parents[1] / "fixtures"
MARKUP = (
    "<zzq onclick=zzqx()>", '"><zzq a="', "' zzqx='1", "</script><zzq>", "<svg/onload=zzqx>",
    "--><zzq>", "]]><zzq>", "{{ zzqx }}", "{% zzqx %}", "&lt;zzq&gt;<zzq>", "javascript:zzqx()",
    "</style><zzq>", "\u202ezzq\u2066", "=HYPERLINK(\"zzq\")", "+1+1", "@zzq", "-2+3", "\t=1", "\r=1",
    "\x1b]0;zzq\x07\x1b[2J", "\x9b31m", "\x00zzq", "\ufeffzzq", "%s%n{0}", "../../zzq", "é中🧠",
)  # fmt: skip
"""Texts that must never be more than text, whatever shows them. Nothing of ours is called zzq."""


class Folder(Struct, frozen=True):
    """What is in a study's folder. ``odd`` entries: name -> (kind, target of a link).

    ``order`` is the order file's (ending, content) beside the folder, with ``logs`` beside it.
    ``zone`` is given on the command line.
    """

    files: dict[bytes, bytes]
    odd: dict[bytes, tuple[str, bytes]] = {}
    order: tuple[str, bytes] | None = None
    logs: dict[str, bytes] = {}
    zone: str | None = None

    @property
    def size(self) -> int:
        """Bytes of all files."""
        return sum(map(len, self.files.values()))


# ---------------------------------------------------------------- seeds


def fixtures() -> list[Folder]:
    """Each fixture as a study of its own."""
    found = [p for p in sorted(FIXTURES.iterdir()) if p.suffix in (".edf", ".bdf", ".dat")]
    return [Folder({os.fsencode(p.name): p.read_bytes()}) for p in found]


def small_files() -> list[Folder]:
    """The parsers' small bases, and files whose every text is an attack."""
    made = [Folder({b"card/a.edf": raw}) for raw in bases().values()]
    signals = [
        Sig(f"EEG {name}", 16) for name in ("Fp1", "Fp2", "C3", "C4", "T3", "T4", "O1", "O2")
    ]
    lists = {i: [event(i, text)] for i, text in enumerate(MARKUP) if "\0" not in text}
    for text in MARKUP[:12]:
        head = text.encode("utf-8").decode("latin-1")
        made.append(
            Folder(
                {
                    b"card/a.edf": edf(
                        onsets=[*range(20), *range(90, 120)], signals=signals, patient=head,
                        recording=f"Startdate 02-MAR-2027 {head}", events=lists,
                        annotation_bytes=128, signal_fields={("label", 0): head[:16]},
                    )
                }
            )
        )  # fmt: skip
    return made


def messy(folder: Path) -> list[Folder]:
    """Studies of several files, written under ``folder`` and read back."""
    lean = Amplifier(rate=8, labels=("C3", "C4"), level=600)
    eight = Amplifier(rate=16)
    makers: list[Callable[[Path], object]] = [
        lambda p: cases.two_copies(p, hours=1),
        lambda p: cases.two_copies_rescaled(p, hours=2),
        lambda p: cases.unmatched_folders(p, hours=1),
        lambda p: cases.duplicated_export(p, hours=2),
        lambda p: cases.clock_put_back(p, hours=1),
        lambda p: cases.left_overs(p, hours=3),
        lambda p: cases.regular_pieces(p, hours=4, every_h=1),
        cases.patient_code_mistyped,
        cases.never_closed_and_cut,
        cases.stopped_by_hand,
        lambda p: [
            write_piece(p / f"{i}.edf", (i * 60, i * 60 + 50), amplifier=eight) for i in range(12)
        ],
        lambda p: [
            write_piece(p / f"{k}/{i}.edf", (i * 40, i * 40 + 40 - 5 * k), amplifier=lean,
                        clock=Clock(s(3.25 * k), 1_000_000 * k))
            for i in range(4) for k in range(3)
        ],
    ]  # fmt: skip
    made = []
    for number, make in enumerate(makers):
        at = folder / f"seed-{number}"
        make(at)
        order = at / "order.toml"
        text = order.read_bytes() if order.exists() else None
        order.unlink(missing_ok=True)
        made.append(
            Folder(
                {
                    os.fsencode(p.relative_to(at).as_posix()): p.read_bytes()
                    for p in sorted(at.rglob("*"))
                    if p.is_file()
                },
                order=None if text is None else ("toml", text),
            )
        )
    return made


def requests() -> list[Folder]:
    """A fixture with a hospital's request as its order."""
    raw = (FIXTURES / "edfplus_d_gap.edf").read_bytes()
    return [
        Folder({b"a.edf": raw}, order=("json", p.read_bytes()))
        for p in sorted((FIXTURES / "service-requests").glob("*.json"))
    ]


# ---------------------------------------------------------------- to disk


def write(study: Folder, at: Path) -> tuple[Path, Path | None]:
    """Write ``study`` under ``at``; the study's folder and its order file."""
    folder, beside = at / "study", at / "beside"
    folder.mkdir(parents=True)
    beside.mkdir()
    for name, raw in study.files.items():
        path = folder / os.fsdecode(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(raw)
    for name, (kind, target) in study.odd.items():
        path = folder / os.fsdecode(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        with suppress(OSError):
            if kind == "link":
                path.symlink_to(os.fsdecode(target))
            elif kind == "pipe":
                os.mkfifo(path)
            elif kind == "folder":
                path.mkdir()
            else:
                with socket.socket(socket.AF_UNIX) as end:
                    end.bind(os.fsencode(path))
    for log, raw in study.logs.items():
        (beside / log).write_bytes(raw)
    if study.order is None:
        return folder, None
    order = beside / f"order.{study.order[0]}"
    order.write_bytes(study.order[1])
    return folder, order
