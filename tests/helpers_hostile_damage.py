"""Seeded ways to damage a study in memory: its files, folders, order and logs."""

from __future__ import annotations

import random
from collections.abc import Callable

from helpers_edf import MAIN_FIELDS, SIGNAL_FIELDS
from helpers_edf_invariants import mutate
from helpers_hostile import MARKUP, Folder
from msgspec.structs import replace

LARGEST = 3_000_000
"""A study is not grown beyond so many bytes: the search is for kinds of damage, not for size."""
MOST_FILES = 40

NUMBERS = (
    "-1", "0", "1", "2", "99999999", "-9999999", "1E9", "nan", "inf", "0,5", "", "0.000001", "3600",
    "86400", "0.1", "0.333333", "9999", "65535", "1e-7", "+5", " 7", "١٢",
)  # fmt: skip
DATES = (
    "01.01.85",
    "31.12.84",
    "02.03.27",
    "03.03.27",
    "14.03.27",
    "07.11.27",
    "28.03.27",
    "99.99.99",
    "yy.yy.yy",
    "29.02.27",
)
TIMES = (
    "00.00.00",
    "23.59.59",
    "01.59.59",
    "02.30.00",
    "09.30.00",
    "09.30.01",
    "24.00.00",
    "aa.bb.cc",
)
ONSETS = (
    "+0",
    "+1",
    "+5.5",
    "-3",
    "+3600",
    "+86400",
    "+259200.25",
    "+631152000",
    "-631152000",
    "+9" + "9" * 300,
    "1",
    "+0.9999999999",
)
ZONES = (
    "America/Denver",
    "Europe/Vienna",
    "Australia/Lord_Howe",
    "UTC",
    "Pacific/Apia",
    "Etc/GMT-14",
    "No/Where",
    "../../etc/passwd",
)
NAMES = (
    b"a\nb.edf", b"a'b\"c.edf", b"..edf", b"...EDF", b"\xff\xfe.edf", b"<zzq>.edf", b"=zzq.EDF", b"x" * 251 + b".edf",
    b"\x1b[2J.bdf", b"-rf.edf", b"$(zzq).edf", b" .edf", b".edf", b"edf", "\u202efde.zzq".encode(), b"CON.edf",
    b"._a.edf", b"a.edf.txt", b"@zzq.dat",
)  # fmt: skip
FOLDERS = (
    b"card",
    b"computer",
    b"<zzq>",
    b"..card",
    b"\xff",
    b"$RECYCLE.BIN",
    b"a\nb",
    b"d" * 200,
    b"=1",
)


def damaged(study: Folder, pool: list[Folder], rng: random.Random) -> Folder:
    """``study`` after one to four seeded changes; parts may come from others of ``pool``."""
    kinds: list[Callable[[Folder, list[Folder], random.Random], Folder]] = [
        _bytes, _bytes, _bytes, _splice, _fields, _fields, _labels, _lists, _lists, _stamps, _rename,
        _copy_file, _drop, _other_study, _odd, _order, _order, _order_bytes, _logs, _zone, _long_gap,
    ]  # fmt: skip
    for _ in range(rng.choice((1, 1, 2, 2, 3, 4))):
        changed = rng.choice(kinds)(study, pool, rng)
        if changed.size <= LARGEST and len(changed.files) <= MOST_FILES and changed.files:
            study = changed
    return study


def _one(study: Folder, rng: random.Random) -> bytes:
    return rng.choice(sorted(study.files))


def _with(study: Folder, name: bytes, raw: bytes) -> Folder:
    return replace(study, files={**study.files, name: raw})


def _bytes(study: Folder, pool: list[Folder], rng: random.Random) -> Folder:
    """Bits, cuts, insertions, swapped and overwritten fields."""
    name = _one(study, rng)
    return _with(study, name, mutate(study.files[name], rng))


def _splice(study: Folder, pool: list[Folder], rng: random.Random) -> Folder:
    """The head of one file before the tail of another."""
    name = _one(study, rng)
    other = rng.choice(pool)
    head, tail = study.files[name], other.files[_one(other, rng)]
    return _with(
        study, name, head[: rng.randrange(len(head) + 1)] + tail[rng.randrange(len(tail) + 1) :]
    )


def _put(raw: bytes, at: int, width: int, text: str) -> bytes:
    value = text.encode("utf-8")[:width].ljust(width)
    return raw[:at] + value + raw[at + width :]


def _fields(study: Folder, pool: list[Folder], rng: random.Random) -> Folder:
    """One field of the main header."""
    name = _one(study, rng)
    raw, at = study.files[name], 0
    wanted = rng.randrange(1, len(MAIN_FIELDS))
    for number, (_, width) in enumerate(MAIN_FIELDS):
        if number == wanted:
            text = rng.choice(MARKUP) if width > 8 else rng.choice(NUMBERS)
            return _with(study, name, _put(raw, at, width, text))
        at += width
    return study


def _labels(study: Folder, pool: list[Folder], rng: random.Random) -> Folder:
    """One field of one signal."""
    name = _one(study, rng)
    raw = study.files[name]
    signals = raw[252:256].strip()
    if not signals.isdigit() or not 0 < int(signals) < 100:
        return study
    at, count = 256, int(signals)
    wanted, which = rng.randrange(len(SIGNAL_FIELDS)), rng.randrange(count)
    for number, (_, width) in enumerate(SIGNAL_FIELDS):
        if number == wanted:
            texts = MARKUP if width > 8 else NUMBERS
            return _with(study, name, _put(raw, at + which * width, width, rng.choice(texts)))
        at += width * count
    return study


def _lists(study: Folder, pool: list[Folder], rng: random.Random) -> Folder:
    """A random annotation list over one that is there, or anywhere."""
    name = _one(study, rng)
    raw = study.files[name]
    if not raw:
        return study
    found = [i for i in range(len(raw) - 1) if raw[i] == 0x14 and raw[i + 1] == 0x14][:4000]
    at = rng.choice(found) - rng.choice((2, 3, 4, 0)) if found else rng.randrange(len(raw))
    texts = [rng.choice(MARKUP) for _ in range(rng.randrange(3))]
    made = rng.choice(ONSETS).encode()
    if rng.random() < 0.3:
        made += b"\x15" + rng.choice(ONSETS).encode().lstrip(b"+")
    made += b"\x14" + b"".join(t.encode() + b"\x14" for t in texts)
    made += b"\x14" * (rng.random() < 0.5) + b"\0" * (rng.random() < 0.8)
    at = max(0, at)
    return _with(study, name, raw[:at] + made + raw[at + len(made) :])


def _stamps(study: Folder, pool: list[Folder], rng: random.Random) -> Folder:
    """Another start stamp, in both fields that hold one or in one of them."""
    name = _one(study, rng)
    raw = _put(study.files[name], 168, 8, rng.choice(DATES))
    if rng.random() < 0.7:
        raw = _put(raw, 88, 80, "X X X X X")
    if rng.random() < 0.6:
        raw = _put(raw, 176, 8, rng.choice(TIMES))
    return _with(study, name, raw)


def _long_gap(study: Folder, pool: list[Folder], rng: random.Random) -> Folder:
    """Another year in the recording field: files decades apart."""
    name = _one(study, rng)
    year = rng.choice((1900, 1985, 2026, 2028, 2084, 2200))
    return _with(study, name, _put(study.files[name], 88, 80, f"Startdate 02-MAR-{year} X X N-3"))


def _fits(study: Folder, name: bytes) -> bool:
    """Whether ``name`` can be written beside the others."""
    parts = name.split(b"/")
    if not all(p and p not in (b".", b"..") and len(p) <= 255 and b"\0" not in p for p in parts):
        return False
    taken = [*study.files, *study.odd]
    above = {b"/".join(parts[:i]) for i in range(1, len(parts))}
    return (
        len(name) < 1500
        and name not in taken
        and not above & set(taken)
        and not any(t.startswith(name + b"/") for t in taken)
    )


def _new_name(study: Folder, rng: random.Random) -> bytes:
    folders = [rng.choice(FOLDERS) for _ in range(rng.choice((0, 0, 1, 2)))]
    return b"/".join([*folders, rng.choice((*NAMES, b"a.edf", b"b.bdf", b"z.edf"))])


def _rename(study: Folder, pool: list[Folder], rng: random.Random) -> Folder:
    name, new = _one(study, rng), _new_name(study, rng)
    files = {k: v for k, v in study.files.items() if k != name}
    left = replace(study, files=files)
    return _with(left, new, study.files[name]) if _fits(left, new) else study


def _copy_file(study: Folder, pool: list[Folder], rng: random.Random) -> Folder:
    name, new = _one(study, rng), _new_name(study, rng)
    return _with(study, new, study.files[name]) if _fits(study, new) else study


def _drop(study: Folder, pool: list[Folder], rng: random.Random) -> Folder:
    name = _one(study, rng)
    if rng.random() < 0.3:
        return _with(study, name, b"")
    return replace(study, files={k: v for k, v in study.files.items() if k != name})


def _other_study(study: Folder, pool: list[Folder], rng: random.Random) -> Folder:
    """Files of another study among these, some of them or all in a folder of their own."""
    other = rng.choice(pool)
    under = rng.choice((b"", b"card/", b"computer/", b"left/"))
    for name, raw in other.files.items():
        if rng.random() < 0.7 and _fits(study, under + name):
            study = _with(study, under + name, raw)
    return study


def _odd(study: Folder, pool: list[Folder], rng: random.Random) -> Folder:
    name = _new_name(study, rng)
    kind = rng.choice(("link", "link", "pipe", "socket", "folder"))
    target = rng.choice((b".", b"..", b"nowhere", b"/dev/zero", name, _one(study, rng)))
    return replace(study, odd={**study.odd, name: (kind, target)}) if _fits(study, name) else study


def _order(study: Folder, pool: list[Folder], rng: random.Random) -> Folder:
    """An order made anew, with values at and beyond their limits."""
    hours = ("0.01", "0.002", "1", "24", "72", "8784", "2", "26.000001", "1e3", "0", "-1", "nan")
    lines = ["[order]", f"ordered_hours = {rng.choice(hours[: rng.choice((6, 9, 12))])}"]
    hookups = ("2027-03-02T09:30:00", "2027-03-14T02:30:00", "2027-03-02", "1999-01-01T00:00:00",
               "9999-12-31T23:59:59", "0001-01-01T00:00:00", "2027-03-01T09:30:00.123456789")  # fmt: skip
    text = rng.choice(MARKUP).encode("unicode_escape").decode("ascii")
    text = "".join(c for c in text if c not in '"\\')
    optional = [
        f"hookup = {rng.choice(hookups)}", f'timezone = "{rng.choice(ZONES)}"',
        f'study_id = "{text}"', 'patient_code = "P-2041"', f'patient_code = "{text}"',
        f"video = {rng.choice(('true', 'false'))}",
        f'monitoring = "{rng.choice(("unmonitored", "intermittent", "continuous"))}"',
        f"minimum_channels = {rng.choice((1, 2, 8, 1024))}",
    ]  # fmt: skip
    keys: set[str] = set()
    for line in rng.sample(optional, rng.randrange(len(optional))):
        if line.split(" ")[0] not in keys:
            keys.add(line.split(" ")[0])
            lines.append(line)
    if rng.random() < 0.4:
        lines += ["[power]", f"batteries = {rng.choice((0, 1, 2, 100))}",
                  f"hours_per_battery = {rng.choice((0, 0.001, 36, 10000))}",
                  f"external_hours = {rng.choice((0, 100))}",
                  f'mode = "{rng.choice(("card", "card+computer"))}"',
                  f"mode_share = {rng.choice((0, 0.5, 1))}"]  # fmt: skip
    if rng.random() < 0.4:
        lines += ["[logs]", 'monitoring = "checks.csv"', 'video = "video.csv"']
        study = _logs(study, pool, rng)
    return replace(study, order=("toml", "\n".join(lines).encode()))


def _order_bytes(study: Folder, pool: list[Folder], rng: random.Random) -> Folder:
    """The order's bytes damaged as a file's."""
    if study.order is None:
        return replace(study, order=rng.choice([p.order for p in pool]))
    ending, raw = study.order
    for _ in range(rng.randrange(1, 3)):
        raw = mutate(raw, rng)
    return replace(study, order=(ending, raw))


def _logs(study: Folder, pool: list[Folder], rng: random.Random) -> Folder:
    """Logs of checks and of video with cells of every kind."""
    moments = ("2027-03-02T09:30:10", "2027-03-02 10:00", "09:45", "03/02/2027 9:31 AM", "25:00", "x",
               "2027-03-02T09:31:00Z", "", "9999-12-31T23:59", "5", "1e400", "-1", "nan")  # fmt: skip
    good = moments[:1] if rng.random() < 0.7 else moments
    mark = rng.choice((",", ",", ";", "\t"))

    def rows(columns: tuple[str, ...]) -> bytes:
        made = [mark.join(columns)]
        for i in range(rng.randrange(30)):
            cells = [
                rng.choice(good).replace(":10", f":{10 + i}") if c in ("time", "start", "end", "onset", "duration")
                else rng.choice(MARKUP)
                for c in columns
            ]  # fmt: skip
            made.append(mark.join(cells))
        raw = "\n".join(made).encode(rng.choice(("utf-8", "utf-8-sig", "utf-16")))
        return mutate(raw, rng) if rng.random() < 0.3 else raw

    checks = rows(
        rng.choice((("time", "by", "note"), ("time",), ("onset", "duration", "trial_type")))
    )
    video = rows(rng.choice((("start", "end"), ("onset", "duration"))))
    return replace(study, logs={"checks.csv": checks, "video.csv": video})


def _zone(study: Folder, pool: list[Folder], rng: random.Random) -> Folder:
    return replace(study, zone=rng.choice((None, *ZONES)))
