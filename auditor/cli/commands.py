"""What each command does. Standard output is the result; progress goes to standard error."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path

from auditor.core.clock import zone_info
from auditor.core.errors import UsageError
from auditor.core.progress import Progress, Silent
from auditor.core.statuses import ACT, COMPLETE
from auditor.core.text import path_part, printable
from auditor.inputs.order import OPTIONS, order_of_folder, order_with, read_order
from auditor.inputs.storage import is_url, shown_url
from auditor.model import Order
from auditor.policy import load_policy


def run(arguments: argparse.Namespace) -> int:
    """Run the command that was asked for; the exit status."""
    status: int = globals()[f"run_{arguments.command}"](arguments)
    return status


def run_study(arguments: argparse.Namespace) -> int:
    """``auditor study``."""
    from auditor.inputs.remote import place_of
    from auditor.outputs.files import check_free
    from auditor.outputs.publish import publish
    from auditor.outputs.terminal import summary
    from auditor.pipeline import Options, examine, judge

    place = place_of(arguments.paths)
    if arguments.timezone is not None:
        zone_info(arguments.timezone)
    policy = load_policy(_path(arguments.policy))
    order = _order(arguments)
    out = _out(arguments, order, place.name)
    check_free(out, force=arguments.force)
    options = Options(
        timezone=arguments.timezone,
        # By default not where every sample would have to be fetched from elsewhere.
        scan_signal=arguments.signal == "full"
        or (arguments.signal is None and not any(map(is_url, arguments.paths))),
        second_readers=arguments.second_readers == "on",
    )
    with _progress(quiet=arguments.quiet) as progress:
        facts = examine(place, order=order, policy=policy, options=options, progress=progress)
    if arguments.redact:
        from auditor.outputs.redact import redacted

        audit = redacted(facts, policy, options, dates=arguments.redact == "dates")
    else:
        audit = judge(facts, policy, options)
    publish(audit, out)
    if not arguments.quiet:
        text = summary(audit)
        if arguments.order is None and order is not None and order.path is not None:
            name = "a file beside the study" if arguments.redact else printable(order.path)
            text += f"\nThe order was taken from {name}"
        place_of_audit = "written" if arguments.redact else f"in {printable(str(out))}"
        _show(f"{text}\nThe audit is {place_of_audit}\n")
    return COMPLETE if audit.decision.outcome == "complete" else ACT


def _show(text: str) -> None:
    """Print what is on the disk already: an output that takes no text does not undo that."""
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except OSError as error:
        silence_output()
        if not isinstance(error, BrokenPipeError):
            sys.stderr.write("auditor: the audit is written; its summary could not be printed\n")


def silence_output() -> None:
    """Whoever read the standard output went away; no second error at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def run_batch(arguments: argparse.Namespace) -> int:
    """``auditor batch``."""
    from auditor.batch.command import batch

    if is_url(arguments.root):
        raise UsageError(
            shown_url(arguments.root),
            "is a URL; a worklist is made of the studies in a folder on this machine",
            "Audit one study by URL with 'auditor study'.",
        )
    arguments.signal = arguments.signal or "full"
    with _progress(quiet=arguments.quiet) as progress:
        return batch(arguments, progress)


def run_decide(arguments: argparse.Namespace) -> int:
    """``auditor decide``."""
    from auditor.batch.decide import decide

    study, outcome = arguments.study, arguments.outcome
    told = decide(Path(arguments.out), study, outcome, arguments.by, arguments.note)
    _say(told, quiet=arguments.quiet)
    return COMPLETE


def run_trends(arguments: argparse.Namespace) -> int:
    """``auditor trends``."""
    from auditor.batch.trends import trends

    _say(trends(Path(arguments.out)), quiet=arguments.quiet)
    return COMPLETE


def run_plan(arguments: argparse.Namespace) -> int:
    """``auditor plan``."""
    from auditor.causes.power import needed, plan_power
    from auditor.outputs.terminal import plan_text

    policy = load_policy(_path(arguments.policy))
    order = _order(arguments)
    if order is None:
        raise UsageError("plan", "no ordered time was given", "Give --ordered-hours or --order.")
    plan = plan_power(order.power, order.ordered_ns, policy.power)
    if plan is None:
        raise UsageError(
            "plan",
            f"needs {' and '.join(needed(order.power, policy.power))}",
            "Enter your manufacturer's figures in the order's [power], or in the [power] of your "
            "policy. None of them has a default, since they describe one recorder.",
        )
    _say(plan_text(plan), quiet=arguments.quiet)
    return COMPLETE if plan.enough else ACT


def run_rules(arguments: argparse.Namespace) -> int:
    """``auditor rules``."""
    from auditor.decision.rules import rule_lines
    from auditor.outputs.terminal import rules_text

    policy = load_policy(_path(arguments.policy))
    about = policy.about
    sys.stdout.write(rules_text(rule_lines(policy), about.name, policy.sha256, about.checked))
    return COMPLETE


def run_schema(arguments: argparse.Namespace) -> int:
    """``auditor schema``."""
    from auditor.outputs.data import schema

    sys.stdout.write(json.dumps(schema(), indent=2, ensure_ascii=False) + "\n")
    return COMPLETE


def run_methods(arguments: argparse.Namespace) -> int:
    """``auditor methods``."""
    from importlib import resources

    page = resources.files("auditor.decision") / "methods.md"
    sys.stdout.write(page.read_text(encoding="utf-8"))
    return COMPLETE


def run_demo(arguments: argparse.Namespace) -> int:
    """``auditor demo``; with ``--desk`` the studies, not audited yet, in a desk of their own."""
    from auditor.demo import demo, make_demo

    out = Path(arguments.out)
    with _progress(quiet=arguments.quiet) as progress:
        if not arguments.desk:
            text = demo(out, progress)
        else:
            make_demo(out.absolute(), progress)
    if not arguments.desk:
        _say(text, quiet=arguments.quiet)
        return COMPLETE
    from auditor.desk.server import Start
    from auditor.desk.server import run_desk as serve

    out = out.absolute()
    start = Start(folder=out / "desk", roots=(out / "studies",), opens=not arguments.no_open)
    serve(start, partial(_say, quiet=arguments.quiet))
    return COMPLETE


def run_desk(arguments: argparse.Namespace) -> int:
    """``auditor desk``."""
    from auditor.desk.server import Start, standard_roots
    from auditor.desk.server import run_desk as serve

    start = Start(
        folder=_path(arguments.folder),
        roots=standard_roots(arguments.root),
        watched=standard_roots(arguments.watch),
        port=arguments.port,
        opens=not arguments.no_open,
    )
    serve(start, partial(_say, quiet=arguments.quiet))
    return COMPLETE


def _say(text: str, *, quiet: bool) -> None:
    """Print the lines of ``text``, harmless on a terminal, where they are wanted."""
    if not quiet:
        lines = text.removesuffix("\n").split("\n")
        sys.stdout.write("".join(f"{printable(line)}\n" for line in lines))
        sys.stdout.flush()


def _path(text: str | None) -> Path | None:
    return None if text is None else Path(text)


def _order(arguments: argparse.Namespace) -> Order | None:
    """The order of the file, given or found beside the study, with the options in place."""
    path = _path(arguments.order) or _found_order(arguments)
    zone = getattr(arguments, "timezone", None)  # 'plan' has no such option
    order = None if path is None else read_order(path, timezone=zone)
    options = {key: getattr(arguments, key, None) for key in OPTIONS}
    options["still_recording"] = getattr(arguments, "so_far", False)
    options["clock"] = dict(_named_clock(text) for text in options["clock"] or ())
    return order_with(order, options)


def _found_order(arguments: argparse.Namespace) -> Path | None:
    """The order that lies with the one folder that is audited."""
    paths = getattr(arguments, "paths", [])
    if len(paths) != 1 or is_url(paths[0]) or not os.path.isdir(paths[0]):  # noqa: PTH112
        return None
    return order_of_folder(Path(paths[0]).absolute())


def _named_clock(text: str) -> tuple[str, str]:
    name, equals, shift = text.rpartition("=")
    if not equals or not name:
        raise UsageError(
            "--clock", f"{printable(text, 60)!r} names no file", f"Write {OPTIONS['clock'][1]}."
        )
    return name, shift


def _out(arguments: argparse.Namespace, order: Order | None, name: str) -> Path:
    """The folder for the audit; ``name`` is that of the study's folder."""
    if arguments.out:
        return Path(arguments.out)
    if order is not None and order.study_id:
        return Path(f"audit-{_as_it_stands(order.study_id)}")
    if arguments.redact:
        return Path("audit-study")
    return Path(f"audit-{_as_it_stands(name)}")


def _as_it_stands(name: str) -> str:
    """``name`` where any file system takes it as it is, else the part of it that can stand."""
    plain = name.isprintable() and not set(name) & set('/\\:*?"<>|')
    fits = name == name.strip(" .") and 0 < len(name.encode()) <= 120
    return name if plain and fits else path_part(name)


@contextlib.contextmanager
def _progress(*, quiet: bool) -> Iterator[Progress]:
    if quiet or not sys.stderr.isatty():
        yield Silent()
        return
    from auditor.outputs.terminal import TerminalProgress

    with TerminalProgress() as progress:
        yield progress
