"""The command line. Standard-library argparse: ``--help`` must start at once, so everything that
costs time is imported by the command that needs it.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

from auditor.core import __version__
from auditor.core.statuses import FAILED, STOPPED


class _Parser(argparse.ArgumentParser):
    """Repeats wrong arguments without control characters and passwords of URLs."""

    def error(self, message: str) -> NoReturn:
        from auditor.core.text import printable
        from auditor.inputs.storage import without_access

        super().error(printable(without_access(message)))


def parser() -> argparse.ArgumentParser:
    """Every command and option."""
    common = _Parser(add_help=False)
    common.add_argument("--quiet", action="store_true", help="no progress and no summary")
    common.add_argument("--debug", action="store_true", help="show the traceback of an error")
    policy = _Parser(add_help=False)
    policy.add_argument(
        "--policy",
        metavar="FILE",
        help="policy file (TOML) of another payer or lab, or the name of one that ships: no-codes",
    )
    worklist = _Parser(add_help=False)
    worklist.add_argument("--out", metavar="DIR", required=True, help="the folder of the worklist")
    reading = _Parser(add_help=False)
    reading.add_argument(
        "--signal",
        choices=("full", "off"),
        help="scan the samples for usable time, or not; by default full for paths on this machine "
        "and off for URLs, where every byte would have to be fetched",
    )
    reading.add_argument("--timezone", metavar="ZONE", help="IANA name, such as America/Denver")
    reading.add_argument(
        "--redact",
        metavar="dates",
        choices=("names", "dates"),
        help="no text of files, orders, logs or people, only numbers, times and our own words; "
        "--redact=dates moves all dates by whole weeks too",
    )

    top = _Parser(
        prog="auditor",
        allow_abbrev=False,
        description="Says whether a returned EEG study covered the time it was ordered for, from "
        "its EDF/EDF+/BDF files alone. Decision support: people decide.",
    )
    top.add_argument("--version", action="version", version=f"auditor {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)

    def command(name: str, words: str, description: str, *parents: _Parser) -> _Parser:
        added: _Parser = commands.add_parser(
            name, parents=[common, *parents], help=words, description=description
        )
        return added

    _desk_options(command(
        "desk", "the local page for staff who use no terminal",
        "Serves a page to this machine's own browser: choose a study's folder, fill in the order, "
        "watch the audit, read the four answers, decide. It ends by its button, or half an hour "
        "after it was last used.",
    ))  # fmt: skip
    study = command(
        "study", "audit one returned study",
        "Audits one returned study and writes audit.html, audit.json and CSV tables. Exit status: "
        "0 complete, 1 a person must act, 2 wrong use or nothing readable.", policy, reading,
    )  # fmt: skip
    study.add_argument(
        "paths",
        nargs="+",
        metavar="PATH",
        help="the study's folder, or its files; or URLs of them (such as s3://bucket/S-2041), of "
        "which only headers and annotation bytes are fetched",
    )
    _order_options(study)
    study.add_argument("--out", metavar="DIR", help="default: audit-<study id or folder name>")
    _second_readers(study, "on", "also read each file with mne and pyedflib, and compare (default)")
    study.add_argument("--force", action="store_true", help="replace an audit that is in DIR")

    batch = command(
        "batch", "audit every study under a folder and write a worklist",
        "Audits every study folder under ROOT and writes a worklist into DIR.", policy, reading,
    )  # fmt: skip
    batch.add_argument("root", metavar="ROOT", help="the folder that holds the studies")
    batch.add_argument("--out", metavar="DIR", required=True, help="where the worklist goes")
    _second_readers(
        batch, "off", "also read each file with mne and pyedflib; off by default: it starts a "
        "process for each study, which costs more than the audit of a small one",
    )  # fmt: skip
    batch.add_argument("--orders", metavar="FILE", help="list of orders (CSV or XLSX)")
    batch.add_argument("--workers", metavar="N", type=int, help="processes (default: one a core)")
    batch.add_argument("--cluster", metavar="ADDRESS", help="address of a running Dask scheduler")
    batch.add_argument("--resume", action="store_true", help="skip studies that did not change")

    decide = command(
        "decide", "record what a person decided about a study",
        "Records a person's decision in the history of DIR; nothing is overwritten.", worklist,
    )  # fmt: skip
    decide.add_argument("study", metavar="STUDY", help="the study's id as the worklist shows it")
    decide.add_argument(
        "--outcome", required=True, choices=("accept", "accept-short", "extend", "repeat", "void")
    )
    decide.add_argument("--by", required=True, metavar="WHO", help="who decided")
    decide.add_argument("--note", default="", metavar="TEXT")

    command(
        "trends", "what keeps failing: by recorder unit, power set-up, month and electrode",
        "Writes trends.html and trends.csv from the history of DIR.", worklist,
    )  # fmt: skip
    plan = command(
        "plan", "whether the batteries and the supply last the ordered time",
        "Says whether the power set-up lasts the ordered time by the lab's own figures, and what "
        "would. Exit status: 0 it lasts with the reserve that the policy asks for, 1 it does not, "
        "2 figures are missing.", policy,
    )  # fmt: skip
    plan.add_argument("--ordered-hours", metavar="N", help="ordered hours")
    plan.add_argument("--order", metavar="FILE", help="order file with a [power] table")

    command(
        "rules", "the thresholds in force, with sources",
        "Prints the thresholds in force, each with its source and when it was checked.", policy,
    )  # fmt: skip
    command(
        "schema", "the JSON Schema of audit.json",
        "Prints the JSON Schema of audit.json with the meaning of every code.",
    )  # fmt: skip
    command(
        "methods", "every definition, rule and source, with one study worked through",
        "Prints how each number is measured, with one study worked through by hand.",
    )  # fmt: skip
    demo = command(
        "demo", "make invented studies and audit them",
        "Makes invented studies, audits them, and says where the audits are.",
    )  # fmt: skip
    demo.add_argument("--out", metavar="DIR", default="demo", help="default: demo")
    demo.add_argument(
        "--desk", action="store_true", help="make the studies and open the desk on them instead"
    )
    demo.add_argument("--no-open", action="store_true", help="with --desk: open no browser")
    return top


def _order_options(study: argparse.ArgumentParser) -> None:
    """The order, single keys in its place, and corrections of files."""
    study.add_argument(
        "--order",
        metavar="FILE",
        help="order file (TOML, or FHIR JSON); by default the order.toml or order.json in the "
        "folder, or a TOML file of the folder's name beside it",
    )
    only = study.add_argument_group("in place of single keys of the order")
    only.add_argument("--ordered-hours", metavar="N", help="ordered hours")
    only.add_argument("--hookup", metavar="TIME", help="local time, such as 2027-03-02T09:30")
    only.add_argument("--video", metavar="yes|no", help="whether video was ordered")
    only.add_argument(
        "--monitoring", metavar="LEVEL", help="unmonitored, intermittent or continuous"
    )
    only.add_argument(
        "--so-far", action="store_true", help="the study goes on: this was uploaded so far"
    )
    files = study.add_argument_group("corrections of files, each shown as set by hand")
    files.add_argument(
        "--exclude", metavar="NAME", action="append", help="not this patient's, or a test"
    )
    files.add_argument(
        "--include", metavar="NAME", action="append", help="counted although the rules do not"
    )
    files.add_argument(
        "--clock", metavar="NAME=+H:MM:SS", action="append", help="added to the file's start"
    )
    files.add_argument("--by", metavar="WHO", help="who corrects")


def _desk_options(desk: argparse.ArgumentParser) -> None:
    desk.add_argument(
        "--root", metavar="DIR", action="append", default=[],
        help="a folder that it may list besides the home folder; may be given again",
    )  # fmt: skip
    desk.add_argument(
        "--watch", metavar="DIR", action="append", default=[],
        help="a folder in which studies arrive: each is audited when it lies still",
    )  # fmt: skip
    desk.add_argument(
        "--folder", metavar="DIR",
        help="where worklist and audits go, such as a share; default: auditor-desk in the home "
        "folder",
    )  # fmt: skip
    desk.add_argument("--port", metavar="N", type=int, default=0, help="default: a free one")
    desk.add_argument("--no-open", action="store_true", help="open no browser")


def _second_readers(command: argparse.ArgumentParser, default: str, words: str) -> None:
    command.add_argument("--second-readers", choices=("on", "off"), default=default, help=words)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; the exit status. No traceback reaches the user without ``--debug``."""
    given = sys.argv[1:] if argv is None else list(argv)
    try:
        _replace_closed_streams()
        # '--redact' alone takes no value: the next word is a path, never its value.
        arguments = parser().parse_args(["--redact=names" if a == "--redact" else a for a in given])
        from auditor.cli import commands

        status = commands.run(arguments)
        sys.stdout.flush()
        return status
    except BrokenPipeError:
        from auditor.cli.commands import silence_output

        silence_output()
    except KeyboardInterrupt:
        print("auditor: stopped; nothing half written was left", file=sys.stderr)  # noqa: T201
        return STOPPED
    except Exception as error:
        if "--debug" in given:
            _show_traceback(error)
        print(f"auditor: {_told(error)}", file=sys.stderr)  # noqa: T201
    return FAILED


def _told(error: Exception) -> str:
    """One sentence for the user."""
    if isinstance(error, MemoryError):
        return "this needs more memory than the machine gives; no audit was written"
    from auditor.core.errors import MOST_BYTES, AuditorError
    from auditor.core.text import printable, shortened
    from auditor.inputs.storage import without_access

    if isinstance(error, AuditorError):
        return shortened(printable(without_access(str(error))), MOST_BYTES)
    if isinstance(error, OSError):
        return f"reading or writing failed ({error.strerror or type(error).__name__})"
    return (
        f"an error that should not happen ({type(error).__name__}). Nothing half written was left. "
        "Run again with --debug and report what it shows."
    )


def _replace_closed_streams() -> None:
    """Whoever starts a program may have closed its output; then what it prints goes nowhere."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: PTH123, SIM115


def _show_traceback(error: BaseException) -> None:
    """The traceback of ``error``, for ``--debug``; harmless on a terminal."""
    import traceback

    from auditor.core.text import printable
    from auditor.inputs.storage import without_access

    for line in "".join(traceback.format_exception(error)).splitlines():
        print(printable(without_access(line)), file=sys.stderr)  # noqa: T201
