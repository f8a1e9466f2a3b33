"""Random study folders, counted twice: by the auditor and by a slow, obvious second implementation.

The second one knows the truth of every file (who recorded what when, by which clock), works in
plain integers, interval by interval, and shares no code with the auditor. From the repository's
root: ``python tests/differential_study.py FIRST LAST`` checks these seeds and prints each
disagreement.
"""

from __future__ import annotations

import random
import shutil
import sys
import tempfile
from collections import Counter
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

from msgspec import Struct
from msgspec.structs import replace

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parent)]

from helpers_studies import Amplifier, Clock, write_piece

from auditor.model import Corrections, Order
from auditor.policy import load_policy
from auditor.study import build_study

SEC = 1_000_000_000
MIN, HR = 60 * SEC, 3600 * SEC
AMPLIFIER = Amplifier(rate=8, labels=("C3", "C4"))
EPOCH = datetime(1970, 1, 1)
Span = tuple[int, int]


class Made(Struct, frozen=True):
    """One file as it was made. Times in nanoseconds; ``runs`` are true, after the study's zero."""

    name: str
    runs: tuple[Span, ...]
    off: int = 0
    """Its clock less true time."""
    source: int = 1
    """Which amplifier's samples it holds."""
    patient: str = "P-2041"
    recorder: str = "N-3"
    twin: str = ""
    """The file of which it is a byte-for-byte copy."""

    @property
    def folder(self) -> str:
        return self.name.rpartition("/")[0]


class Case(Struct, frozen=True):
    """One folder with its order."""

    base: datetime
    zone: str | None
    files: tuple[Made, ...]
    ordered: int
    hookup: int | None
    """After the study's zero, by the wall's clock."""
    code: str | None
    exclude: tuple[str, ...] = ()
    include: tuple[str, ...] = ()


class Answer(Struct, frozen=True):
    """What was concluded."""

    recorded: int
    aside: dict[str, str] = {}
    look: frozenset[str] = frozenset()


LOOKED = {"two_studies_likely", "more_than_ordered", "start_disagrees_with_hookup"}


# ---------------------------------------------------------------- making


def make(seed: int) -> Case:
    """A random study folder."""
    rng = random.Random(seed)
    zone = rng.choice([None, None, "America/Denver", "Europe/Vienna", "Australia/Sydney"])
    base = datetime(2027, rng.choice([3, 4, 6, 10, 11]), rng.randrange(1, 29), rng.randrange(24))
    if zone and rng.random() < 0.5:  # the study lies around a change of the clocks
        base = rng.choice(CHANGES[zone]) - timedelta(minutes=rng.randrange(-60, 400, 5))
    copied = rng.random() < 0.4
    card = "card/" if copied or rng.random() < 0.3 else ""
    files: list[Made] = []
    at = rng.choice([0, 0, 0, -25 * MIN, -50 * MIN, 20 * MIN, 45 * MIN])
    step = 0
    for number in range(rng.randrange(1, 6)):
        runs = [(at, at + rng.randrange(1, 150) * MIN)]
        for _ in range(rng.choice([0, 0, 0, 1, 3])):
            start = runs[-1][1] + hole(rng, whole=copied, most=rng.choice([HR, HR, 20 * HR]))
            runs.append((start, start + rng.randrange(1, 30) * MIN))
        if not copied and not zone and number and rng.random() < 0.1:
            step -= rng.randrange(1, 1800) * SEC
        files.append(Made(f"{card}{number:03d}.edf", tuple(runs), off=step))
        at = runs[-1][1] + hole(rng, whole=copied, most=90 * HR)
    if copied:
        files += second_copy(rng, files)
    own = [f for f in files if f.folder == card.rstrip("/")]
    if rng.random() < 0.15:
        start, length = rng.choice(own).runs[0][0], rng.choice([5, 20, 90, 400]) * MIN
        files.append(Made("z/x.edf", ((start + MIN, start + MIN + length),), source=99))
    if rng.random() < 0.2:
        end = own[0].runs[0][0] - rng.choice([1, 10, 50, 90, 600]) * MIN
        length = rng.choice([2, 14, 16, 200, 1000]) * MIN
        files.append(Made(f"{card}old.edf", ((end - length, end),), source=5))
    if rng.random() < 0.2:
        start = rng.choice(own).runs[-1][0] - rng.choice([0, 5, 40]) * HR
        length = rng.choice([5, 100, 700]) * MIN
        files.append(Made(f"{card}who.edf", ((start, start + length),), source=6, patient="P-7"))
    if rng.random() < 0.1:
        start = own[-1].runs[-1][1] + rng.choice([1, 30]) * MIN
        files.append(Made(f"{card}n7.edf", ((start, start + 20 * MIN),), source=7, recorder="N-7"))
    if rng.random() < 0.15 and not step:
        one = rng.choice(own)
        files.append(replace(one, name=one.name.replace(".edf", " (1).edf"), twin=one.name))
    names = [f.name for f in files]
    by_hand = rng.random()
    total = sum(b - a for a, b in union(r for f in own for r in f.runs))
    return Case(
        base=base,
        zone=zone,
        files=tuple(files),
        ordered=max(HR, rng.choice([total, total // 2, total * 3 // 4, 2 * total])),
        hookup=None if rng.random() < 0.35 else rng.choice([0, 0, 1, -1, 29, 31, -31]) * MIN,
        code=rng.choice(["P-2041", "P-2041", None]),
        exclude=(rng.choice(names),) if by_hand < 0.07 and len(own) > 1 else (),
        include=(rng.choice(names),) if by_hand > 0.9 else (),
    )


def hole(rng: random.Random, *, whole: bool, most: int) -> int:
    """From nothing over microseconds to hours; whole seconds only where copies are compared."""
    kinds = [0, 0, 0, SEC * rng.randrange(1, 120), MIN * rng.randrange(1, 200)]
    if not whole:
        kinds += [rng.randrange(1, 1000) * 1000, rng.randrange(1, 2_000_000) * 1000]
    if most > HR:
        kinds += [HR * rng.randrange(3, 14), HR * rng.randrange(70, 90)]
    return min(most, rng.choice(kinds))


def second_copy(rng: random.Random, files: list[Made]) -> list[Made]:
    """The computer's copy of most of the time, cut elsewhere, by another clock."""
    off = rng.choice([0, 7, -90, 290, 3600]) * SEC
    found = []
    for number, file in enumerate(files):
        first, last = file.runs[0][0], file.runs[-1][1]
        if number == 0 or rng.random() < 0.8:
            lead = rng.choice([0, 0, 30]) * SEC
            more = rng.choice([0, 0, 40 * SEC])
            start = first + min(lead, (last - first) // 4 // SEC * SEC)
            after = files[number + 1].runs[0][0] if number + 1 < len(files) else last + HR
            end = min(last + more, after)
            found.append(Made(f"pc/{number:03d}.edf", ((start, end),), off=off))
    return found


CHANGES = {
    "America/Denver": (datetime(2027, 3, 14, 2), datetime(2027, 11, 7, 2)),
    "Europe/Vienna": (datetime(2027, 3, 28, 2), datetime(2027, 10, 31, 3)),
    "Australia/Sydney": (datetime(2027, 4, 4, 3), datetime(2027, 10, 3, 2)),
}
"""When the clocks change, by the wall's clock."""


def wall(case: Case, true: int) -> int:
    """What the wall's clock shows at a true time, as nanoseconds since 1970."""
    if case.zone is None:
        return since(case.base) + true
    zone = ZoneInfo(case.zone)
    zero = since(case.base.replace(tzinfo=zone).astimezone(UTC).replace(tzinfo=None))
    at = zero + true
    moment = (EPOCH + timedelta(seconds=at // SEC)).replace(tzinfo=UTC).astimezone(zone)
    return since(moment.replace(tzinfo=None)) + at % SEC


def since(moment: datetime) -> int:
    delta = moment - EPOCH
    return (delta.days * 86400 + delta.seconds) * SEC


def write(case: Case, folder: Path) -> None:
    """Every file of the case, twins last."""
    for file in sorted(case.files, key=lambda f: bool(f.twin)):
        path = folder / file.name
        path.parent.mkdir(parents=True, exist_ok=True)
        if file.twin:
            shutil.copyfile(folder / file.twin, path)
            continue
        shown = wall(case, file.runs[0][0] + file.off)
        first = file.runs[0][0] + file.off
        # The header counts whole seconds; the rest goes into the first onset.
        write_piece(
            path,
            *((a / SEC, b / SEC) for a, b in file.runs),
            amplifier=replace(AMPLIFIER, seed=file.source),
            clock=Clock(file.off, base=EPOCH),
            start=EPOCH + timedelta(seconds=(shown - first % SEC) // SEC),
            record_s=60 if all((b - a) % (60 * SEC) == 0 for a, b in file.runs) else 1,
            patient=file.patient,
            equipment=file.recorder,
        )


def order_of(case: Case) -> Order:
    return Order(
        case.ordered,
        "order file",
        patient_code=case.code,
        hookup_civil_ns=None if case.hookup is None else wall(case, case.hookup),
        timezone=case.zone,
        corrections=Corrections(exclude=case.exclude, include=case.include),
    )


# ---------------------------------------------------------------- by the auditor


def audited(case: Case, folder: Path) -> Answer:
    study = build_study([folder], order_of(case), POLICY)
    spans = [
        (a, b)
        for f in study.counted
        for a, b in zip(f.run_starts.tolist(), f.run_ends.tolist(), strict=True)
    ]
    return Answer(
        sum(b - a for a, b in union(spans)),
        {f.recording.name: f.reason_code or "" for f in study.set_aside},
        frozenset(f.code for f in study.findings if f.question == "files") & frozenset(LOOKED),
    )


POLICY = load_policy()


# ---------------------------------------------------------------- by hand


def union(spans: object) -> list[Span]:
    out: list[Span] = []
    for a, b in sorted(spans):  # type: ignore[call-overload]
        if out and a <= out[-1][1]:
            out[-1] = out[-1][0], max(out[-1][1], b)
        elif a < b:
            out.append((a, b))
    return out


def length(spans: object) -> int:
    return sum(b - a for a, b in union(spans))


def shared(one: list[Span], other: list[Span]) -> int:
    return sum(max(0, min(b, d) - max(a, c)) for a, b in union(one) for c, d in union(other))


def readings(case: Case, civil: int) -> list[int]:
    """Every instant at which the wall's clock shows ``civil``; in the skipped hour the one that
    goes by the time before the change."""
    if case.zone is None:
        return [civil]
    zone = ZoneInfo(case.zone)
    moment = EPOCH + timedelta(seconds=civil // SEC)
    found = set()
    for fold in (0, 1):
        aware = moment.replace(tzinfo=zone, fold=fold).astimezone(UTC)
        if aware.astimezone(zone).replace(tzinfo=None, fold=0) == moment:
            found.add(since(aware.replace(tzinfo=None)) + civil % SEC)
    if found:
        return sorted(found)
    aware = moment.replace(tzinfo=zone, fold=0).astimezone(UTC)
    return [since(aware.replace(tzinfo=None)) + civil % SEC]


def by_stamp(case: Case) -> dict[str, list[Span]]:
    """Each file's time by its stamp; the first of two readings where there are two."""
    placed = {}
    for file in case.files:
        first = file.runs[0][0] + file.off
        stamp = wall(case, first) - first % SEC
        start = readings(case, stamp)[0] + first % SEC
        placed[file.name] = [(start + a - file.runs[0][0], start + b - file.runs[0][0])
                             for a, b in file.runs]  # fmt: skip
    return placed


def in_doubt(case: Case) -> bool:
    """Whether a stamp has no or two readings: the table of messy studies tells of those."""
    for file in case.files:
        first = file.runs[0][0] + file.off
        stamp = wall(case, first) - first % SEC
        seen = readings(case, stamp)
        if len(seen) > 1 or (case.zone and wall_of(case, seen[0]) != stamp):
            return True
    return case.hookup is not None and len(readings(case, wall(case, case.hookup))) > 1


def wall_of(case: Case, instant: int) -> int:
    zone = ZoneInfo(case.zone or "UTC")
    moment = (EPOCH + timedelta(seconds=instant // SEC)).replace(tzinfo=UTC).astimezone(zone)
    return since(moment.replace(tzinfo=None)) + instant % SEC


def groups_of(placed: dict[str, list[Span]], names: list[str], apart: int) -> list[list[str]]:
    """Names in time order, split where a silence of ``apart`` or more lies between."""
    out: list[list[str]] = []
    end = 0
    for name in sorted(names, key=lambda n: (placed[n][0][0], n)):
        if out and placed[name][0][0] - end < apart:
            out[-1].append(name)
            end = max(end, placed[name][-1][1])
        else:
            out.append([name])
            end = placed[name][-1][1]
    return out


def concluded(case: Case) -> Answer:
    """What practice and contract say, rule by rule."""
    files = {f.name: f for f in case.files}
    at = by_stamp(case)
    hookup = None if case.hookup is None else readings(case, wall(case, case.hookup))[0]
    aside = dict.fromkeys(case.exclude, "excluded_by_hand")

    def total(names: object) -> int:
        return length(s for n in names for s in at[n])  # type: ignore[attr-defined]

    # Another patient's.
    left = [n for n in files if n not in aside]
    codes = {files[n].patient for n in left}
    if len(codes) > 1:
        by_order = case.code in codes
        own = (
            case.code
            if by_order
            else max(codes, key=lambda c: (
                total(n for n in left if files[n].patient == c),
                max(at[n][0][0] for n in left if files[n].patient == c), c.casefold()))
        )  # fmt: skip
        aside |= {
            n: "other_patient" for n in left if files[n].patient != own and n not in case.include
        }
    # Days away.
    left = [n for n in left if n not in aside]
    groups = groups_of(at, left, 72 * HR + 1)

    def away(group: list[str]) -> int:
        start, end = at[group[0]][0][0], max(at[n][-1][1] for n in group)
        return max(0, start - (hookup or 0) - case.ordered, (hookup or 0) - end)

    main = max(groups, key=lambda g: (total(g), groups.index(g)))
    if hookup is not None:
        nearest = min(groups, key=lambda g: (away(g), -total(g), groups.index(g)))
        main = nearest if away(nearest) <= 72 * HR else main
    far = {}
    for group in groups:
        if group is not main:
            before = hookup is not None and all(at[n][-1][1] < hookup for n in group)
            before = before and at[main[-1]][-1][1] >= (hookup or 0)
            far |= {
                n: "before_hookup" if before else "far_in_time"
                for n in group
                if n not in case.include
            }
    left = [n for n in left if n not in far]
    # Devices: a folder and a recorder each.
    devices: dict[tuple[str, str], list[str]] = {}
    for n in left:
        devices.setdefault((files[n].folder, files[n].recorder), []).append(n)

    def matches(one: list[str], other: list[str]) -> bool:
        return any(
            files[a].source == files[b].source
            and shared(list(files[a].runs), list(files[b].runs)) >= 20 * SEC
            for a in one
            for b in other
        )

    def first(key: tuple[str, str]) -> int:
        return min(at[n][0][0] for n in devices[key])

    study = [min(devices, key=lambda k: (-total(devices[k]), first(k), k[0]))]
    growing = True
    while growing:
        growing = False
        for key, names in devices.items():
            if key not in study and any(matches(names, devices[k]) for k in study):
                study.append(key)
                growing = True
    # Whose clock: the one at the hook-up, the card's, the longest.
    choice = list(study)
    if hookup is not None:
        at_hookup = [
            k for k in choice if any(abs(at[n][0][0] - hookup) <= 30 * MIN for n in devices[k])
        ]
        choice = at_hookup or choice
    card = [k for k in choice if k[0] == "card"]
    if len(choice) > 1 and len(card) == 1:
        choice = card
    reference = min(choice, key=lambda k: (-total(devices[k]), k[0]))
    off = {key: files[devices[key][0]].off - files[devices[reference][0]].off for key in study}
    counted = {}
    for key in study:
        for n in devices[key]:
            shift = off[key] if key != reference else 0
            counted[n] = [(a - shift, b - shift) for a, b in at[n]]
    own_recorder = reference[1]
    for key in sorted((k for k in devices if k not in study), key=lambda k: (first(k), k[0])):
        names = devices[key]
        mine = [s for n in names for s in at[n]]
        all_counted = [s for spans in counted.values() for s in spans]
        common = shared(mine, all_counted)
        conflict = common > 0 and common * 20 >= min(length(mine), length(all_counted))
        for n in names:
            if n in case.include or (key[1] == own_recorder and not conflict):
                counted[n] = at[n]
            else:
                aside[n] = "other_recorder" if key[1] != own_recorder else "copy_not_matched"
    # Files far away by their stamps belong where another copy holds their samples.
    for group in groups:
        distant: dict[tuple[str, str], list[str]] = {}
        for n in group:
            if n in far:
                distant.setdefault((files[n].folder, files[n].recorder), []).append(n)
        for names in distant.values():
            if matches(names, list(counted)):
                shift = files[names[0]].off - files[devices[reference][0]].off
                counted |= {n: [(a - shift, b - shift) for a, b in at[n]] for n in names}
            else:
                aside |= {n: far[n] for n in names}
    # Before the hook-up.
    if hookup is not None:
        ended = [n for n, s in counted.items() if s[-1][1] < hookup and n not in case.include]
        stay = {n: s for n, s in counted.items() if n not in ended}
        if stay:
            folder = {n: files[n].folder for n in counted}
            early = []
            copy_of = {n: "A" if folder[n] not in {k[0] for k in study} - {reference[0]}
                       else folder[n] for n in counted}  # fmt: skip
            for n in sorted(ended, key=lambda n: (counted[n][0][0], n), reverse=True):
                goes_on = any(
                    abs(s[0][0] - counted[n][-1][1]) <= 2 * SEC and copy_of[m] == copy_of[n]
                    for m, s in stay.items()
                )
                if goes_on and counted[n][0][0] >= hookup - 30 * MIN:
                    stay[n] = counted[n]
                else:
                    early.append(n)
            test = length(s for n in early for s in counted[n]) <= 15 * MIN and all(
                hookup - counted[n][-1][1] <= 2 * HR for n in early
            )
            aside |= dict.fromkeys(early, "test_recording" if test else "before_hookup")
            counted = stay
    spans = [s for found in counted.values() for s in found]
    recorded = length(spans)
    look = set()
    if any(c - b >= 12 * HR for (_, b), (c, _) in pairwise(union(spans))):
        look.add("two_studies_likely")
    if recorded - case.ordered >= 2 * HR and 4 * (recorded - case.ordered) >= case.ordered:
        look.add("more_than_ordered")
    if hookup is not None and abs(min(a for a, _ in spans) - hookup) > 30 * MIN:
        look.add("start_disagrees_with_hookup")
    return Answer(recorded, aside, frozenset(look))


def check(seed: int) -> str:
    """'' where both agree, 'skipped' where a stamp can be read in two ways, else what differs."""
    case = make(seed)
    if in_doubt(case):
        return "skipped"
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        write(case, folder)
        one, other = audited(case, folder), concluded(case)
    if one == other:
        return ""
    return f"seed {seed}: auditor {one}; by hand {other}"


def main(first: int, last: int) -> int:
    counts: Counter[str] = Counter()
    for seed in range(first, last):
        found = check(seed)
        counts["differ" if found.startswith("seed") else found or "agree"] += 1
        if found.startswith("seed"):
            print(found, flush=True)
    print(dict(counts))
    return counts["differ"]


if __name__ == "__main__":
    sys.exit(bool(main(int(sys.argv[1]), int(sys.argv[2]))))
