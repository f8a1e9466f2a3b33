"""SQLite's own system calls fail, one at a time, while a decision or a batch is recorded.

    python tests/faults_sqlite.py [--command decide|batch] [--most N]

Needs strace (Linux). For each call that SQLite makes on the history's files (write, sync, open,
truncate, read, unlink), its n-th occurrence fails with EIO or ENOSPC, n = 1, 2, … until a run meets
none. Afterwards the history must be sound, hold what the message says and no more, and the same
command, undisturbed, must succeed. Prints how many calls failed in how many runs; the first run
that breaks a rule raises. No part of the suite: each run starts an interpreter.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from helpers_batch import EPOCH, make_study  # noqa: E402

CALLS = ("pwrite64", "fdatasync", "fsync", "openat", "ftruncate", "pread64", "unlink")
ERRORS = ("EIO", "ENOSPC")
FILES = ("history.sqlite", "history.sqlite-wal", "history.sqlite-shm")
QUICK = ("--signal", "off", "--second-readers", "off", "--workers", "1", "--quiet")


def run(
    command: list[str], out: Path, call: str = "", error: str = "", number: int = 0
) -> tuple[int, str, int]:
    """Exit status, standard error and how many calls failed."""
    told = out.parent / "strace.txt"
    told.unlink(missing_ok=True)
    traced = []
    if call:
        traced = ["strace", "-f", "-qq", "-o", str(told), f"-etrace={call}"]
        for name in FILES:
            traced += ["-P", str(out / name)]
        traced.append(f"-einject={call}:error={error}:when={number}")
    done = subprocess.run(
        [*traced, sys.executable, "-m", "auditor", *command],
        capture_output=True, text=True, timeout=900, check=False,
        env={**os.environ, "SOURCE_DATE_EPOCH": EPOCH, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    failed = told.read_text().count("(INJECTED)") if told.exists() else 0
    return done.returncode, done.stderr, failed


def rows(out: Path, table: str) -> int:
    """How many rows a table of the history holds; raises where the file is damaged."""
    if not (out / FILES[0]).exists():
        return 0
    with contextlib.closing(sqlite3.connect(out / FILES[0])) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        try:
            (count,) = db.execute(f"SELECT count(*) FROM {table}").fetchone()
        except sqlite3.OperationalError:  # the tables were not made
            return 0
    return int(count)


def main() -> int:
    """Every call in turn; 0 where nothing broke."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--command", choices=("decide", "batch"), default="decide")
    parser.add_argument("--most", type=int, default=1000, help="of each call")
    given = parser.parse_args()
    failed: Counter[str] = Counter()
    states: Counter[str] = Counter()
    runs = 0
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        root, first, out = home / "returned", home / "first", home / "outputs" / "worklist"
        make_study(root, "S-2041")
        batch = ["batch", str(root), "--out", str(out), *QUICK]
        assert run([*batch[:3], str(first), *QUICK], first)[0] in (0, 1)
        command = {
            "decide": ["decide", "S-2041", "--outcome", "repeat", "--by", "T-12", "--out",
                       str(out), "--quiet"],
            "batch": batch,
        }[given.command]  # fmt: skip
        table = "decisions" if given.command == "decide" else "audits"
        for call in CALLS:
            for number in range(1, given.most + 1):
                error = ERRORS[number % 2]
                shutil.rmtree(out.parent, ignore_errors=True)
                out.parent.mkdir()
                if given.command == "decide":
                    shutil.copytree(first, out)
                status, said, count = run(command, out, call, error, number)
                runs += 1
                failed[call] += count
                held = rows(out, table)
                assert "should not happen" not in said, (call, number, error, said)
                assert "Traceback" not in said, (call, number, error, said)
                assert status in (0, 1, 2), (call, number, error, status)
                if status == 2:
                    assert said.startswith("auditor: "), (call, number, error, said)
                if given.command == "decide":
                    recorded = status == 0 or "the decision is recorded" in said
                    assert held == recorded, (call, number, error, held, said)
                elif status != 2:
                    assert held == 1, (call, number, error, held)
                states[f"status {status}, {held} recorded"] += 1
                again, said, _ = run(command, out)
                assert again in (0, 1), (call, number, error, said)
                assert rows(out, table) >= 1
                assert given.command == "batch" or rows(out, table) == 1
                if not count:
                    break
            print(f"{call}: {failed[call]} failed", file=sys.stderr, flush=True)
    print(f"{given.command}: {runs} runs, {sum(failed.values())} calls failed ({dict(failed)})")
    print("; ".join(f"{name}: {n}" for name, n in sorted(states.items())))
    return 0


if __name__ == "__main__":
    sys.exit(main())
