"""The order file (TOML), checked at the edge. Nothing is guessed: an unknown key is an error."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from datetime import date, datetime, time
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, Literal

from msgspec import Meta, field
from msgspec.structs import asdict, replace

from auditor.core.clock import STUDY_YEARS, civil_datetime, civil_ns, zone_info
from auditor.core.errors import SettingsError, UsageError
from auditor.core.text import Own
from auditor.core.units import HOUR, MINUTE, NS
from auditor.inputs.stamps import read_stamp
from auditor.model import MOST_ORDERED, Corrections, Finding, Order, PowerSetup, finding
from auditor.policy.toml import read_toml
from auditor.policy.values import (
    After,
    Before,
    Hours,
    Settings,
    Share,
    Written,
    keys_of,
    validate,
    written,
)

_YES = {"yes": True, "true": True, "y": True, "no": False, "false": False, "n": False}

FORMS = {
    "ordered_hours": "ordered_hours = 72",
    "study_id": 'study_id = "S-2041"',
    "patient_code": 'patient_code = "P-2041"',
    "hookup": "hookup = 2027-03-02T09:30:00",
    "timezone": 'timezone = "America/Denver"',
    "video": "video = true",
    "monitoring": 'monitoring = "intermittent"',
    "minimum_channels": "minimum_channels = 8",
    "still_recording": "still_recording = true",
    "reports": 'reports = "daily"',
    "exclude": 'exclude = ["old/003.edf"]',
    "include": 'include = ["0007.edf"]',
    "clock": 'clock = {"0002.edf" = "+1:00:00"}',
    "by": 'by = "the technologist\'s initials"',
    "batteries": "batteries = 2",
    "hours_per_battery": "hours_per_battery = 1, the hours that your manufacturer gives",
    "spare_batteries": "spare_batteries = 0",
    "external_hours": "external_hours = 0",
    "mode": 'mode = "card"',
    "mode_share": "mode_share = 1.0",
    "charges": "charges = [1.0, 0.9]",
}
"""How a right value of each key is written, for errors."""


def _number(units: Mapping[str, int | Decimal] = {}) -> Before:
    """Reads a number that stands as text; the name of one of ``units`` may stand behind it."""

    def read(value: object) -> object:
        if not isinstance(value, str):
            return value
        form = r"\s*([+-]?\d{1,9}(?:\.\d{1,20})?)\s*([a-z%]{0,5})\.?\s*"
        found = re.fullmatch(form, value[:100].lower())
        if found is None or found[2] not in ("", *units):
            return value
        number = Decimal(found[1]) * units.get(found[2], 1)
        return int(number) if number == int(number) else number

    return Before(read)


def _yes_no(value: object) -> object:
    return _YES.get(value.strip().lower(), value) if isinstance(value, str) else value


def _word(value: object) -> object:
    return value.strip().lower() if isinstance(value, str) else value


def _as_text(value: object) -> object:
    """An identifier that was written without quotation marks, as in study_id = 2041."""
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


_Text = Annotated[str, Meta(min_length=1, max_length=200)]
_Code = Annotated[_Text, Before(_as_text)]
_Count = Annotated[int, _number()]
_HOUR_WORDS = dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), 1)
_Hours = Annotated[Hours, _number(_HOUR_WORDS | {"d": 24, "day": 24, "days": 24})]
_Share = Annotated[Share, _number({"%": Decimal("0.01")})]
_YesNo = Annotated[bool, Before(_yes_no)]
_Names = tuple[_Text, ...]


_NO_OFFSET = (
    "must be civil time at the patient, without an offset; name the zone in the key timezone"
)


def hookup_civil(value: object) -> object:
    """A hook-up as a naive datetime; text may give it where it can be read in only one way.

    Raises ``ValueError`` saying what is wrong with it.
    """
    if isinstance(value, str):
        stamp = read_stamp(value)
        readings = stamp.civil_readings()
        if not readings:
            raise ValueError("must be a date and a time of day")
        if len(readings) > 1:
            ways = " or ".join(day.isoformat() for _, day in stamp.dates)
            raise ValueError(f"can be read in more than one way: {ways}")
        if stamp.offset_ns is not None:
            raise ValueError(_NO_OFFSET)
        value = civil_datetime(readings[0])
    if isinstance(value, datetime):
        if value.tzinfo is not None:
            raise ValueError(_NO_OFFSET)
        if value.year not in STUDY_YEARS:
            raise ValueError(f"must lie in the years {STUDY_YEARS.start} to {STUDY_YEARS.stop - 1}")
        return value
    if isinstance(value, date | time):
        raise ValueError("must be a date and a time of day")
    return value


def _known_zone(name: str) -> str:
    try:
        zone_info(name)
    except SettingsError as error:
        meant = error.action.rstrip(".")
        raise ValueError(f"{error.problem} ({meant[:1].lower()}{meant[1:]})") from error
    return name


_LEFT_OUT = {
    "study_id": "identifier: the study's number",
    "patient_code": "subject.identifier: the patient's code (an address on a server is none)",
    "hookup_civil_ns": "occurrence: the date and time of the start",
    "service": "code: which service is ordered",
}
"""Elements of a hospital's request that an audit could use."""


def order_findings(order: Order, zone: str | None) -> Iterator[Finding]:
    """What a hospital's request leaves out, and a zone that has no summer time, such as EST."""
    missing = [words for name, words in _LEFT_OUT.items() if getattr(order, name) in (None, "")]
    if order.source == "service request" and missing:
        yield finding("order_facts_missing", "order", facts=Own("; ".join(missing)))
    if zone is None or ("/" in zone and not zone.startswith("Etc/")):
        return
    year = [datetime(2027, month, 15, tzinfo=zone_info(zone)) for month in range(1, 13)]
    if len({day.utcoffset() for day in year}) == 1:  # EST5EDT and CET have their own
        yield finding("timezone_without_summer_time", "order", zone=Own(zone))


class _OrderTable(Settings, frozen=True, kw_only=True):
    ordered_ns: Annotated[_Hours, Meta(gt=0, le=MOST_ORDERED)] = field(name="ordered_hours")
    study_id: _Code | None = None
    patient_code: _Code | None = None
    hookup: Annotated[datetime | None, Before(hookup_civil)] = None
    timezone: Annotated[str, After(_known_zone)] | None = None
    video: _YesNo | None = None
    monitoring: Annotated[
        Literal["unmonitored", "intermittent", "continuous"] | None, Before(_word)
    ] = None
    minimum_channels: Annotated[_Count, Meta(ge=1, le=1024)] | None = None
    still_recording: _YesNo = False
    reports: Annotated[Literal["daily", "end"] | None, Before(_word)] = None


def _clock(value: object) -> object:
    """'+1:00:00' or '-0:30' in nanoseconds. Raises ``ValueError``."""
    if not isinstance(value, str):
        return value
    found = re.fullmatch(r"\s*([+-])\s*(\d{1,5}):([0-5]\d)(?::([0-5]\d))?\s*", value)
    if found is None:
        raise ValueError("must be a sign, hours, minutes and seconds")
    sign, hours, minutes, seconds = found.groups()
    ns = int(hours) * HOUR + int(minutes) * MINUTE + int(seconds or 0) * NS
    return -ns if sign == "-" else ns


class _FilesTable(Settings, frozen=True, kw_only=True):
    exclude: _Names = ()
    include: _Names = ()
    clock: dict[str, Annotated[int, Before(_clock)]] = field(default_factory=dict)
    by: Annotated[str, Meta(max_length=200)] = ""

    def __post_init__(self) -> None:
        both = sorted(set(self.exclude) & set(self.include))
        if both:
            raise ValueError(f"{both[0]!r} stands under exclude and under include")


_PowerHours = Annotated[_Hours, Meta(ge=0, le=10_000 * HOUR)]


class _PowerTable(Settings, frozen=True, kw_only=True):
    batteries: Annotated[_Count, Meta(ge=0, le=100)] | None = None
    battery_ns: _PowerHours | None = field(default=None, name="hours_per_battery")
    spare_batteries: Annotated[_Count, Meta(ge=0, le=100)] | None = None
    external_ns: _PowerHours | None = field(default=None, name="external_hours")
    mode: Annotated[Literal["card", "card+computer"] | None, Before(_word)] = None
    # No mode leaves nothing of a battery's hours.
    mode_share_ppm: Annotated[_Share, Meta(gt=0)] | None = field(default=None, name="mode_share")
    charges_ppm: tuple[_Share, ...] = field(default=(), name="charges")

    def __post_init__(self) -> None:
        every = (self.batteries or 0) + (self.spare_batteries or 0)
        if self.charges_ppm and len(self.charges_ppm) not in (self.batteries, every):
            raise ValueError("charges must give one share for each battery")


class _LogsTable(Settings, frozen=True, kw_only=True):
    monitoring: _Text | None = None
    video: _Text | None = None


class _OrderFile(Settings, frozen=True, kw_only=True):
    order: _OrderTable
    files: _FilesTable = _FilesTable()
    power: _PowerTable | None = None
    logs: _LogsTable = _LogsTable()


class _CommandLine:
    """Options of the command line, as something written."""

    def place(self, keys: tuple[str, ...]) -> str:
        """The option that gives the key."""
        name = next((key for key in keys[1:] if not key.isdigit()), "")
        return "--so-far" if name == "still_recording" else f"--{name.replace('_', '-')}"


OPTIONS: dict[str, tuple[str, str]] = {
    "ordered_hours": ("order", "--ordered-hours 72"),
    "hookup": ("order", "--hookup 2027-03-02T09:30"),
    "video": ("order", "--video yes"),
    "monitoring": ("order", "--monitoring intermittent"),
    "still_recording": ("order", "--so-far"),
    "exclude": ("files", "--exclude old/003.edf"),
    "include": ("files", "--include 0007.edf"),
    "clock": ("files", "--clock 0002.edf=+1:00:00"),
    "by": ("files", "--by WHO"),
}
"""Keys of an order that the command line may give: their table, and how the option is written."""


def order_with(order: Order | None, options: Mapping[str, object]) -> Order | None:
    """``order`` with single keys of ``OPTIONS`` in place of its own.

    Corrections of files are added to the order's. Raises ``UsageError`` for options that belong to
    an order where there is none, ``SettingsError`` for a value that cannot be taken.
    """
    given = {key: value for key, value in options.items() if value not in (None, [], {}, False)}
    if not given:
        return order
    if order is None and "ordered_hours" not in given:
        raise UsageError(
            OPTIONS[next(iter(given))][1].split()[0],
            "belongs to an order, and no order is given",
            "Give --ordered-hours, or --order with a file.",
        )
    tables: dict[str, dict[str, object]] = {"order": {"ordered_hours": 1}, "files": {}}
    for key, value in given.items():
        tables[OPTIONS[key][0]][key] = value
    forms = {key: form for key, (_, form) in OPTIONS.items()}
    new = replace(
        _order(validate(_OrderFile, tables, _CommandLine(), forms=forms)), source="command line"
    )
    if order is None:
        return new
    fields = {"hookup": ["hookup_civil_ns"], "ordered_hours": ["ordered_ns", "source"]}
    names = [n for key in given if OPTIONS[key][0] == "order" for n in fields.get(key, [key])]
    changed = {name: getattr(new, name) for name in names}
    return replace(order, **changed, corrections=_both(order.corrections, new.corrections))


def _both(first: Corrections, second: Corrections) -> Corrections:
    """``first`` with what ``second`` says; of one file the second counts."""
    exclude = (set(first.exclude) - set(second.include)) | set(second.exclude)
    include = (set(first.include) - set(second.exclude)) | set(second.include)
    return Corrections(
        exclude=tuple(sorted(exclude)),
        include=tuple(sorted(include)),
        clock_ns=tuple(sorted({**dict(first.clock_ns), **dict(second.clock_ns)}.items())),
        by=second.by or first.by,
    )


ORDER_NAMES = ("order.toml", "order.json")
"""An order that lies in the study's folder. The lab's own file goes before a hospital's request."""


def order_of_folder(folder: Path, *, beside: bool = True) -> Path | None:
    """The order that lies in a study's folder, else a TOML file of its own name ``beside`` it."""
    names = [folder / name for name in ORDER_NAMES]
    if beside:
        names.append(folder.parent / f"{folder.name}.toml")
    return next((p for p in names if os.path.isfile(p) and not os.path.islink(p)), None)  # noqa: PTH113, PTH114  raise nothing


def read_order(path: Path, *, timezone: str | None = None) -> Order:
    """Read an order file: TOML, or a hospital's ServiceRequest where the name ends in ``.json``.

    ``timezone`` is the patient's zone where it is known; a ServiceRequest needs it to turn its
    times into civil time. Raises ``SettingsError`` that names the file, the line, the key, the
    value and the form that is wanted.
    """
    beside = path.resolve().parent
    if path.suffix.lower() == ".json":
        from auditor.inputs.service_request import read_service_request

        request = read_service_request(path, timezone=timezone)
        tables = {"order": request.order}
        order = order_of(tables, request, beside, request.sha256, path.name, forms={})
        order = replace(order, source="service request", service=request.service)
    else:
        file = read_toml(path)
        order = order_of(file.data, file, beside, file.sha256, path.name)
    return replace(order, path=str(path.absolute()))


def order_of(
    data: dict[str, Any],
    source: Written,
    beside: Path,
    sha256: str,
    name: str,
    forms: Mapping[str, str] = FORMS,
) -> Order:
    """The order that the tables ``data`` of ``source`` hold; log paths are relative to ``beside``.

    ``forms`` shows how a right value of each key is written. Raises as ``read_order``.
    """
    file = validate(_OrderFile, data, source, forms=forms)
    return replace(
        _order(file),
        monitoring_log=_beside(beside, file.logs.monitoring),
        video_log=_beside(beside, file.logs.video),
        sha256=sha256,
        name=name,
    )


def order_tables(order: Order) -> dict[str, dict[str, Any]]:
    """The tables of an order file that say what ``order`` says, but for corrections of files."""
    hookup = order.hookup_civil_ns
    logs = {"monitoring": order.monitoring_log, "video": order.video_log}
    held: tuple[tuple[str, type[Settings], object], ...] = (
        ("order", _OrderTable, order), ("power", _PowerTable, order.power),
    )  # fmt: skip
    tables = {
        name: {k: written(getattr(value, f.name, None), f.type) for k, f in keys_of(table).items()}
        for name, table, value in held
    }
    tables["order"]["hookup"] = None if hookup is None else civil_datetime(hookup)
    tables["logs"] = {key: path and Path(path).name for key, path in logs.items()}
    if not order.still_recording:
        del tables["order"]["still_recording"]
    kept = {s: {k: v for k, v in keys.items() if v not in (None, [])} for s, keys in tables.items()}
    return {section: keys for section, keys in kept.items() if keys}


def _order(file: _OrderFile) -> Order:
    """Fields of the tables that are called as the order's own hold the same."""
    order, files = asdict(file.order), file.files
    hookup = order.pop("hookup")
    return Order(
        **order,
        source="order file",
        hookup_civil_ns=None if hookup is None else civil_ns(hookup),
        power=None if file.power is None else PowerSetup(**asdict(file.power)),
        corrections=Corrections(
            exclude=tuple(sorted(set(files.exclude))),
            include=tuple(sorted(set(files.include))),
            clock_ns=tuple(sorted(files.clock.items())),
            by=files.by,
        ),
    )


def _beside(folder: Path, name: str | None) -> str | None:
    return None if name is None else str(folder / name)
