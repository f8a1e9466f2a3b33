"""``auditor trends``: what keeps failing, by recorder unit, power set-up, month and electrode.

Made from the history: every study once, by its latest audit. Times are sums of integer
nanoseconds; shares carry their Wilson interval, so that three studies do not look like a pattern.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import fields, replace
from pathlib import Path

from auditor.batch.history import History, Summary
from auditor.batch.rates import compared, wilson
from auditor.core.durations import exact_seconds
from auditor.core.errors import NothingReadable
from auditor.core.text import cell, printable
from auditor.model import Share, Trend, TrendGroup
from auditor.outputs.files import write_together
from auditor.outputs.html import render_trends
from auditor.pipeline import now_utc

NOT_STATED = "not stated"
_SHORT = {"below_tolerance", "below_minimum_share", "below_minimum_but_doubtful"}
_FACTS = ("recorder", "power", "first_start", "outcome", "stop", "reasons", "ordered_ns",
          "recorded_ns", "electrodes", "electrodes_lost")  # fmt: skip
_SHARES = ("early", "short", "repeat", "lost")


def trends(arguments: argparse.Namespace) -> int:
    """Write trends.html and trends.csv from the history of DIR; 0.

    Raises ``UsageError`` where there is no history, ``NothingReadable`` where it holds no audit.
    """
    out = Path(arguments.out)
    audited, unreadable = [], 0
    with History(out, create=False) as history:
        decisions = history.decisions()
        for study, summary in history.latest():
            if summary["error"] is not None:
                unreadable += 1
                continue
            facts = {key: summary[key] for key in _FACTS}
            if study in decisions:
                decided = decisions[study][-1].outcome
                facts["outcome"] = "repeat" if decided == "repeat" else "complete"
            audited.append(facts)
    if not audited:
        raise NothingReadable(str(out), "the history holds no audit yet", "Run 'auditor batch'.")
    everything, found = group_all(audited)
    write_together(
        out,
        {
            "trends.html": render_trends(found, everything, now_utc(), unreadable),
            "trends.csv": csv_text(found, everything),
        },
    )
    if not arguments.quiet:
        said = f"Trends over {everything.studies} studies are in {out / 'trends.html'}"
        sys.stdout.write(printable(said) + "\n")
    return 0


def group_all(audited: Sequence[Summary]) -> tuple[TrendGroup, tuple[Trend, ...]]:
    """The group of all studies, and the trends. ``outcome`` of a summary is what was decided."""
    everything = _group("all studies", audited)
    kinds: tuple[tuple[str, str, str, str, str, Callable[[Summary], str]], ...] = (
        ("recorder", "By recorder unit", "Recorder", "short", "Studies that came back short",
         lambda s: s["recorder"] or NOT_STATED),
        ("power", "By power set-up", "Power set-up", "early", "Studies that stopped early",
         lambda s: s["power"] or NOT_STATED),
        ("month", "By month of the first record", "Month", "short",
         "Studies that came back short", lambda s: str(s["first_start"][:7])),
    )  # fmt: skip
    found = []
    for key, title, column, shown, words, name_of in kinds:
        groups = _compared(
            [_group(name, studies) for name, studies in _by(audited, name_of).items()], everything
        )
        if key == "month":
            groups.sort(key=lambda g: g.name)
        else:
            groups = _worst_first(groups, shown)
        found.append(Trend(key, title, column, tuple(groups), shown, words))
    found.append(
        Trend(
            "electrode",
            "By electrode",
            "Electrode",
            _electrodes(audited),
            "lost",
            "Studies in which the electrode was lost before the end",
        )
    )
    return everything, tuple(found)


def _by(
    audited: Iterable[Summary], name_of: Callable[[Summary], str]
) -> Mapping[str, list[Summary]]:
    groups: dict[str, list[Summary]] = {}
    for summary in audited:
        groups.setdefault(name_of(summary), []).append(summary)
    return groups


def _worst_first(groups: Iterable[TrendGroup], shown: str) -> list[TrendGroup]:
    """By the least that the share can be: a group of one never stands above a sure one."""
    return sorted(groups, key=lambda g: (-getattr(g, shown).low_ppm, -g.studies, g.name))


def _compared(groups: Sequence[TrendGroup], everything: TrendGroup) -> list[TrendGroup]:
    """``groups`` with every share compared with that of all studies."""

    def against(group: TrendGroup, name: str) -> Share:
        return compared(getattr(group, name), getattr(everything, name), len(groups))

    return [
        replace(
            group,
            early=against(group, "early"),
            short=against(group, "short"),
            repeat=against(group, "repeat"),
            lost=against(group, "lost"),
        )
        for group in groups
    ]


def _group(name: str, studies: Sequence[Summary]) -> TrendGroup:
    ordered = [s for s in studies if s["ordered_ns"] is not None]
    planned = [s for s in ordered if s["stop"] != "unknown"]
    scanned = [s for s in studies if s["electrodes"]]
    return TrendGroup(
        name=name,
        studies=len(studies),
        ordered_ns=sum(s["ordered_ns"] for s in ordered),
        compared_ns=sum(s["recorded_ns"] for s in ordered),
        recorded_ns=sum(s["recorded_ns"] for s in studies),
        early=wilson(sum(s["stop"] == "early" for s in planned), len(planned)),
        short=wilson(sum(bool(_SHORT & set(s["reasons"])) for s in ordered), len(ordered)),
        repeat=wilson(sum(s["outcome"] == "repeat" for s in ordered), len(ordered)),
        lost=wilson(sum(bool(s["electrodes_lost"]) for s in scanned), len(scanned)),
    )


def _electrodes(audited: Sequence[Summary]) -> tuple[TrendGroup, ...]:
    """One group an electrode; ``lost`` counts that electrode and is compared with all of them."""
    names = sorted({name for s in audited for name in s["electrodes"]})
    groups = []
    for name in names:
        carried = [s for s in audited if name in s["electrodes"]]
        lost = sum(name in s["electrodes_lost"] for s in carried)
        groups.append(replace(_group(name, carried), lost=wilson(lost, len(carried))))
    every = wilson(sum(g.lost.count for g in groups), sum(g.lost.of for g in groups))
    groups = [replace(g, lost=compared(g.lost, every, len(groups))) for g in groups]
    return tuple(_worst_first(groups, "lost"))


def csv_text(found: Sequence[Trend], everything: TrendGroup) -> str:
    """``trends.csv``: one row a group; seconds in full decimals, shares from 0 to 1."""
    import pandas as pd

    rows = [_row("all", everything)]
    rows += [_row(trend.key, group) for trend in found for group in trend.groups]
    text: str = pd.DataFrame(rows, dtype=object).to_csv(index=False, lineterminator="\n")
    return text


def _row(kind: str, group: TrendGroup) -> dict[str, object]:
    row: dict[str, object] = {"by": kind, "group": cell(group.name), "studies": group.studies}
    for field in fields(group):
        if field.name.endswith("_ns"):
            row[f"{field.name[:-3]}_s"] = exact_seconds(getattr(group, field.name))
    for name in _SHARES:
        share: Share = getattr(group, name)
        row |= {name: share.count, f"{name}_of": share.of}
        for end, ppm in (("low", share.low_ppm), ("high", share.high_ppm)):
            row[f"{name}_{end}"] = f"{ppm // 1_000_000}.{ppm % 1_000_000:06d}" if share.of else None
        row[f"{name}_apart"] = "yes" if share.apart else "no"
    return row
