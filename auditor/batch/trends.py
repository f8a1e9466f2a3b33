"""``auditor trends``: what keeps failing, in plain words and by what studies have in common.

Made from the history: every study once, by its latest audit. Times are sums of integer
nanoseconds; shares carry their Wilson interval, so that three studies do not look like a pattern.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from math import ceil, exp, floor, lgamma, sqrt
from pathlib import Path

from msgspec.structs import fields, replace

from auditor.batch.history import History, Summary
from auditor.core.clock import civil_ns, day_text, now_utc
from auditor.core.durations import exact_seconds, hms, in_words
from auditor.core.errors import NothingReadable
from auditor.core.text import cell
from auditor.core.units import PPM
from auditor.model import Pattern, Share, Trend, TrendGroup
from auditor.outputs.files import write_together
from auditor.outputs.html.lists import render_trends

NOT_STATED = "not stated"
SHARES = {
    "early": "ended early",
    "short": "came back short",
    "repeat": "had to be repeated",
    "lost": "lost an electrode",
}
"""What is counted, as the end of 'n studies …'."""
_LIKELY = 0.05
"""What chance alone would give more often than this is no sentence."""
_MOST_SENTENCES = 12
Z_95 = 1.959963984540054
"""97.5 % quantile of the standard normal distribution: a two-sided interval of 95 %."""
CHANCE = 0.025
FEWEST = 5
"""Fewer studies than this are never called apart (common practice, no source)."""


def trends(out: Path) -> str:
    """Write trends.html and trends.csv from the history of ``out``; what stands out, in words.

    Raises ``UsageError`` where there is no history, ``NothingReadable`` where it holds no audit.
    """
    audited, unreadable = [], 0
    with History(out, create=False) as history:
        decisions = history.decisions()
        for study, summary in history.latest():
            if summary["error"] is not None:
                unreadable += 1
                continue
            if study in decisions:
                decided = decisions[study][-1].outcome
                summary["outcome"] = "repeat" if decided == "repeat" else "complete"
            audited.append(summary)
    if not audited:
        raise NothingReadable(str(out), "the history holds no audit yet", "Run 'auditor batch'.")
    everything, found = group_all(audited)
    failing = patterns(everything, found)
    write_together(
        out,
        {
            "trends.html": render_trends(found, everything, failing, now_utc(), unreadable),
            "trends.csv": csv_text(found, everything),
        },
    )
    lines = [pattern.text for pattern in failing[:3]]
    lines.append(f"Trends over {everything.studies} studies are in {out / 'trends.html'}")
    return "\n".join(lines)


def group_all(audited: Sequence[Summary]) -> tuple[TrendGroup, tuple[Trend, ...]]:
    """The group of all studies, and the trends. ``outcome`` of a summary is what was decided."""
    everything = _group("all studies", audited)
    kinds: tuple[tuple[str, str, str, str, Callable[[Summary], str]], ...] = (
        ("recorder", "By recorder", "Recorder", "early", lambda s: s["recorder"] or NOT_STATED),
        ("power", "By battery set-up", "Batteries", "early", lambda s: s["power"] or NOT_STATED),
        ("hooked_up_by", "By who hooked up", "Hooked up by", "short",
         lambda s: s["hooked_up_by"] or NOT_STATED),
        ("ordered", "By ordered length", "Ordered", "short",
         lambda s: "no order" if s["ordered_ns"] is None else in_words(s["ordered_ns"])),
        ("month", "By month of the first record", "Month", "short",
         lambda s: _month(s["first_start"])),
    )  # fmt: skip
    found = []
    for key, title, column, shown, name_of in kinds:
        studies = audited
        if key == "month":
            studies = sorted(audited, key=lambda s: str(s["first_start"]))
        elif key == "ordered":
            studies = sorted(audited, key=lambda s: s["ordered_ns"] or 0)
        groups = _compared([_group(n, g) for n, g in _by(studies, name_of).items()], everything)
        if key not in ("month", "ordered"):
            groups = _worst_first(groups, shown)
        if all(group.name == NOT_STATED for group in groups):
            groups = []
        found.append(Trend(key, title, column, tuple(groups), _differing(groups), shown))
    early, lost = _causes(audited, everything), _electrodes(audited)
    why = Trend("cause", "By why it ended early", "Likely cause", early, ("early",), "early")
    where = Trend("electrode", "By electrode", "Electrode", lost, ("lost",), "lost", hours=False)
    return everything, (*found[:-1], why, found[-1], where)


def patterns(everything: TrendGroup, found: Iterable[Trend]) -> tuple[Pattern, ...]:
    """What keeps failing in plain words, the least likely by chance first: one for each group."""
    sentences = []
    for trend in found:
        if trend.key == "cause" or len(trend.groups) < 2:
            continue
        for group in trend.groups:
            told = [_told(trend, group, everything, name) for name in trend.shares]
            known = [t for t in told if t is not None]
            sentences += [min(known, key=lambda t: t[0])] if known else []
    sentences.sort(key=lambda s: (not s[2], s[0], s[1]))
    return tuple(Pattern(text, note, apart) for _, text, apart, note in sentences[:_MOST_SENTENCES])


def _told(
    trend: Trend, group: TrendGroup, everything: TrendGroup, name: str
) -> tuple[float, str, bool, str] | None:
    """(chance, sentence, apart, note), or ``None`` where the group does not stand out."""
    share: Share = getattr(group, name)
    every: Share = getattr(everything, name)
    if trend.key == "electrode":
        every = _all_lost(trend.groups)
    rest = others(share, every)
    chance = by_chance(share, every) if share.count > 1 and rest.of else 1.0
    if chance > _LIKELY:
        return None
    text = f"{group.name}: {share.count} of {share.of} studies {SHARES[name]}"
    if trend.key == "electrode":
        text = f"{group.name}: lost in {share.count} of {share.of} studies"
    whom = "the other electrodes" if trend.key == "electrode" else "the others"
    text = f"{text}, {whom} {rest.count} of {rest.of}"
    sure = "chance alone hardly explains it" if share.apart else "it may still be chance"
    low, high = share.low_ppm / 10_000, share.high_ppm / 10_000
    return chance, text, share.apart, f"{trend.title}; interval {low:.0f} % to {high:.0f} %; {sure}"


def _by(
    audited: Iterable[Summary], name_of: Callable[[Summary], str]
) -> Mapping[str, list[Summary]]:
    groups: dict[str, list[Summary]] = {}
    for summary in audited:
        groups.setdefault(name_of(summary), []).append(summary)
    return groups


def _month(first_start: str | None) -> str:
    """'Mar 2027' of an ISO time."""
    if first_start is None:
        return "start not known"
    year, month = first_start[:7].split("-")
    return day_text(civil_ns(datetime(int(year), int(month), 1)))[6:]


def _worst_first(groups: Iterable[TrendGroup], shown: str) -> list[TrendGroup]:
    """By the least that the share can be: a group of one never stands above a sure one."""
    return sorted(groups, key=lambda g: (-getattr(g, shown).low_ppm, -g.studies, g.name))


def _differing(groups: Sequence[TrendGroup]) -> tuple[str, ...]:
    """The shares that are not nothing everywhere."""
    return tuple(name for name in SHARES if any(getattr(g, name).count for g in groups))


def _compared(groups: Sequence[TrendGroup], everything: TrendGroup) -> list[TrendGroup]:
    """``groups`` with every share compared with that of the others."""
    all_of = {name: getattr(everything, name) for name in SHARES}
    return [
        replace(g, **{n: compared(getattr(g, n), all_of[n], len(groups)) for n in SHARES})
        for g in groups
    ]


def _group(name: str, studies: Sequence[Summary]) -> TrendGroup:
    ordered = [s for s in studies if s["ordered_ns"] is not None]
    planned = [s for s in ordered if s["stop"] not in ("unknown", "so_far")]
    scanned = [s for s in studies if s["electrodes"]]
    return TrendGroup(
        name=name,
        studies=len(studies),
        ordered_ns=sum(s["ordered_ns"] for s in ordered),
        recorded_ns=sum(s["recorded_ns"] for s in studies),
        missing_ns=sum(s["short_ns"] or 0 for s in ordered if s["stop"] != "so_far"),
        early=wilson(sum(s["stop"] == "early" for s in planned), len(planned)),
        short=wilson(sum(map(_short, ordered)), len(ordered)),
        repeat=wilson(sum(s["outcome"] == "repeat" for s in ordered), len(ordered)),
        lost=wilson(sum(bool(s["electrodes_lost"]) for s in scanned), len(scanned)),
    )


def _short(summary: Summary) -> bool:
    """Whether less was recorded than the policy's tolerance of the order allows."""
    states = {a["question"]: a["state"] for a in summary["answers"] or ()}
    return states.get("order") in ("look", "no") and summary["stop"] != "so_far"


def _causes(audited: Iterable[Summary], everything: TrendGroup) -> tuple[TrendGroup, ...]:
    """One group for each likely cause of an early end; ``early`` is its share of all studies."""
    early = [s for s in audited if s["stop"] == "early"]
    groups = [
        replace(_group(name, studies), early=wilson(len(studies), everything.early.of))
        for name, studies in _by(early, lambda s: str(s["stop_cause"]).replace("_", " ")).items()
    ]
    return tuple(sorted(groups, key=lambda g: (-g.missing_ns, g.name)))


def _electrodes(audited: Sequence[Summary]) -> tuple[TrendGroup, ...]:
    """One group an electrode; ``lost`` counts that electrode and is compared with the others."""
    names = sorted({name for s in audited for name in s["electrodes"]})
    groups = []
    for name in names:
        carried = [s for s in audited if name in s["electrodes"]]
        lost = sum(name in s["electrodes_lost"] for s in carried)
        groups.append(replace(_group(name, carried), lost=wilson(lost, len(carried))))
    every = _all_lost(groups)
    groups = [replace(g, lost=compared(g.lost, every, len(groups))) for g in groups]
    return tuple(_worst_first(groups, "lost"))


def _all_lost(electrodes: Sequence[TrendGroup]) -> Share:
    return wilson(sum(g.lost.count for g in electrodes), sum(g.lost.of for g in electrodes))


def wilson(count: int, of: int) -> Share:
    """``count`` of ``of`` with the Wilson score interval at 95 %, rounded outward.

    (count + z²/2 ± z √(count (of - count) / of + z²/4)) / (of + z²). Source: Wilson EB, Probable
    inference, the law of succession, and statistical inference, J Am Stat Assoc 1927;22:209-212.
    """
    if not of:
        return Share(0, 0, 0, 0)
    middle = count + Z_95**2 / 2
    half = Z_95 * sqrt(count * (of - count) / of + Z_95**2 / 4)
    whole = of + Z_95**2
    # At the ends the interval reaches exactly 0 or 1; the square root may miss that by a little.
    low = 0 if count == 0 else max(0, floor((middle - half) / whole * PPM))
    high = PPM if count == of else min(PPM, ceil((middle + half) / whole * PPM))
    return Share(count, of, low, high)


def others(share: Share, every: Share) -> Share:
    """The share of all studies that ``share``, a part of ``every``, leaves out."""
    return wilson(every.count - share.count, every.of - share.of)


def by_chance(share: Share, every: Share) -> float:
    """How likely so many or more of ``every``'s counts fall into ``share`` by chance alone.

    Fisher's exact test, one-sided: the tail of the hypergeometric distribution. Source: Fisher RA,
    The logic of inductive inference, J R Stat Soc 1935;98:39-82 (from memory).
    """
    most = min(share.of, every.count)
    least = _choices(every.of, share.of)
    return sum(
        exp(_choices(every.count, k) + _choices(every.of - every.count, share.of - k) - least)
        for k in range(share.count, most + 1)
        if share.of - k <= every.of - every.count
    )


def _choices(n: int, k: int) -> float:
    """Logarithm of the number of ways to choose ``k`` of ``n``."""
    return lgamma(n + 1) - lgamma(k + 1) - lgamma(n - k + 1)


def compared(share: Share, every: Share, groups: int) -> Share:
    """``share``, a part of ``every``, marked as apart where chance hardly explains it.

    It needs ``FEWEST`` studies, an interval wholly above the share of the others, and a probability
    by chance of at most ``CHANCE`` over the number of groups looked at (Bonferroni's correction).
    """
    rest = others(share, every)
    above = rest.of > 0 and share.low_ppm * rest.of > rest.count * PPM
    rare = share.of >= FEWEST and above and by_chance(share, every) <= CHANCE / max(groups, 1)
    return replace(share, apart=rare)


def csv_text(found: Sequence[Trend], everything: TrendGroup) -> str:
    """``trends.csv``: one row a group; durations as seconds and as h:mm:ss, shares from 0 to 1."""
    import pandas as pd

    rows = [_row("all", everything)]
    rows += [_row(trend.key, group) for trend in found for group in trend.groups]
    text: str = pd.DataFrame(rows, dtype=object).to_csv(index=False, lineterminator="\n")
    return text


def _row(kind: str, group: TrendGroup) -> dict[str, object]:
    row: dict[str, object] = {"by": kind, "group": cell(group.name), "studies": group.studies}
    for field in fields(group):
        if field.name.endswith("_ns"):
            name, ns = field.name[:-3], getattr(group, field.name)
            row |= {f"{name}_s": exact_seconds(ns), name: hms(ns, up=name == "missing")}
    for name in SHARES:
        share: Share = getattr(group, name)
        row |= {name: share.count, f"{name}_of": share.of}
        for end, ppm in (("low", share.low_ppm), ("high", share.high_ppm)):
            row[f"{name}_{end}"] = f"{ppm // 1_000_000}.{ppm % 1_000_000:06d}" if share.of else None
        row[f"{name}_apart"] = "yes" if share.apart else "no"
    return row
