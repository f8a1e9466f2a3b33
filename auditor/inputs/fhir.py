"""The few HL7 FHIR R4 types that an order uses, read strictly from JSON.

Elements that the auditor does not use are let pass; those that it uses must have the type that the
standard gives them. Sources: HL7 FHIR R4 (4.0.1), pages Data Types (dateTime, Period, Quantity,
Duration, Timing, Identifier, Reference), JSON representation, and the extension tz-code.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, NoReturn, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from auditor.core.clock import STUDY_YEARS, civil_ns
from auditor.core.errors import SettingsError
from auditor.core.units import DAY, HOUR, MINUTE, NS

UCUM = "http://unitsofmeasure.org"
UNITS = {"s": NS, "min": MINUTE, "h": HOUR, "d": DAY, "wk": 7 * DAY}
"""UCUM codes of fixed length; a month ('mo') or a year ('a') has none."""
_ZONE_EXTENSIONS = (
    "http://hl7.org/fhir/StructureDefinition/tz-code",
    "http://hl7.org/fhir/StructureDefinition/timezone",
)
_MAX_BYTES = 5_000_000
_LONGEST = 366 * DAY
_DATETIME = re.compile(
    r"(\d{4})(?:-(\d\d)(?:-(\d\d)"
    r"(?:T(\d\d):(\d\d):(\d\d)(?:\.(\d+))?(Z|[+-](?:0\d|1[0-4]):[0-5]\d)?)?)?)?"
)


def _decimal(value: object) -> object:
    if isinstance(value, int) and not isinstance(value, bool):
        return Decimal(value)
    return value


Number = Annotated[Decimal, BeforeValidator(_decimal)]
Text = Annotated[str, Field(min_length=1, max_length=1000)]


class Element(BaseModel):
    """Base: other elements of the standard are let pass, those named here are strict."""

    model_config = ConfigDict(extra="ignore", frozen=True, strict=True)


class Extension(Element):
    """An extension of a primitive; only a time zone is used."""

    url: str
    valueCode: str | None = None  # noqa: N815  the standard's own name
    valueString: str | None = None  # noqa: N815


class Primitive(Element):
    """What stands beside a primitive under the same name with a leading underscore."""

    extension: list[Extension] = []

    def zone(self) -> str | None:
        """The IANA time zone that an extension states, if any."""
        for extension in self.extension:
            if extension.url in _ZONE_EXTENSIONS:
                return extension.valueCode or extension.valueString
        return None


class Period(Element):
    """A start and an end."""

    start: Text | None = None
    end: Text | None = None
    start_more: Primitive | None = Field(default=None, alias="_start")


class Quantity(Element):
    """A quantity; a duration where its UCUM code is a unit of time."""

    value: Number | None = None
    comparator: str | None = None
    unit: str | None = None
    system: str | None = None
    code: str | None = None


class Coding(Element):
    """A code of some system."""

    system: str | None = None
    code: str | None = None
    display: str | None = None


class Concept(Element):
    """A concept: codings, or text."""

    coding: list[Coding] = []
    text: str | None = None

    def words(self) -> str:
        """What a person reads: the text, else the first display or code."""
        for word in (self.text, *(c.display or c.code for c in self.coding)):
            if word:
                return word
        return ""


class Identifier(Element):
    """A business identifier."""

    use: str | None = None
    type: Concept | None = None
    system: str | None = None
    value: Text | None = None

    def is_of_type(self, code: str) -> bool:
        """Whether its type has this code of the HL7 v2 table 0203 (such as PLAC or FILL)."""
        return self.type is not None and any(c.code == code for c in self.type.coding)


class Reference(Element):
    """A reference to another resource, by address or by business identifier."""

    reference: Text | None = None
    identifier: Identifier | None = None


class Repeat(Element):
    """Timing.repeat, as far as one uninterrupted recording can use it."""

    boundsDuration: Quantity | None = None  # noqa: N815
    boundsPeriod: Period | None = None  # noqa: N815
    boundsRange: dict[str, Any] | None = None  # noqa: N815
    count: Number | None = None
    countMax: Number | None = None  # noqa: N815
    duration: Number | None = None
    durationMax: Number | None = None  # noqa: N815
    durationUnit: str | None = None  # noqa: N815
    frequency: Number | None = None
    frequencyMax: Number | None = None  # noqa: N815
    period: Number | None = None
    periodMax: Number | None = None  # noqa: N815
    dayOfWeek: list[str] = []  # noqa: N815
    timeOfDay: list[str] = []  # noqa: N815
    when: list[str] = []
    offset: Number | None = None


class Timing(Element):
    """When something happens, once or repeatedly."""

    event: list[Text] = []
    event_more: list[Primitive | None] = Field(default=[], alias="_event")
    repeat: Repeat | None = None
    modifierExtension: list[Any] = []  # noqa: N815


Model = TypeVar("Model", bound=Element)


@dataclass(frozen=True, slots=True)
class Source:
    """Where a resource came from, for errors."""

    file: str

    def error(self, path: str, problem: str, action: str = "") -> SettingsError:
        """The error to raise for the element at ``path``."""
        return SettingsError(f"{self.file}: {path}" if path else self.file, problem, action)

    def check(self, model: type[Model], data: object, path: str = "") -> Model:
        """``data`` as ``model``. Raises ``SettingsError`` naming the first wrong element."""
        try:
            return model.model_validate(data)
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
            keys = [str(k) for k in first["loc"]]
            where = "".join(f"[{k}]" if k.isdigit() else f".{k}" for k in keys).lstrip(".")
            where = f"{path}.{where}" if path and where else path or where
            if first["type"] == "missing":
                raise self.error(
                    where, "is missing", "FHIR R4 requires it: ask for a complete request."
                ) from None
            message = str(first["msg"])
            raise self.error(
                where,
                f"is not of the type that FHIR R4 gives it: {message[:1].lower()}{message[1:]}",
                "Ask for a request that follows FHIR R4.",
            ) from None


def read_json(path: Path) -> tuple[Source, dict[str, Any]]:
    """One JSON object, numbers as ``Decimal`` or ``int``.

    Raises ``SettingsError`` naming the line, or the key that is given twice.
    """
    source = Source(str(path))
    try:
        with path.open("rb") as file:
            raw = file.read(_MAX_BYTES + 1)
    except OSError as error:
        raise source.error(
            "", f"cannot be read ({error.strerror})", "Check its name and permissions."
        ) from None
    if len(raw) > _MAX_BYTES:
        raise source.error("", f"is larger than {_MAX_BYTES} bytes", "Is it the right file?")

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        values = dict(pairs)
        if len(values) < len(pairs):
            keys = [key for key, _ in pairs]
            twice = next(key for key in keys if keys.count(key) > 1)
            raise source.error("", f"the key {twice[:60]!r} is given twice", "Remove one of them.")
        return values

    def constant(word: str) -> NoReturn:
        raise source.error("", f"holds {word}, which is no JSON number", "Correct it.")

    try:
        data = json.loads(
            raw.decode("utf-8-sig"),
            parse_float=Decimal,
            object_pairs_hook=once,
            parse_constant=constant,
        )
    except UnicodeDecodeError as error:
        raise source.error(
            "", f"byte {error.start} is not UTF-8", "Save the file as UTF-8 text."
        ) from None
    except json.JSONDecodeError as error:
        raise source.error(
            f"line {error.lineno}", f"is not valid JSON: {error.msg}", "Correct it."
        ) from None
    except (RecursionError, ArithmeticError, ValueError):
        raise source.error(
            "", "cannot be taken as JSON: a number or nesting in it is too large"
        ) from None
    if not isinstance(data, dict):
        raise source.error("", "holds no JSON object", "A ServiceRequest is one object.")
    return source, data


@dataclass(frozen=True, slots=True)
class Moment:
    """A FHIR dateTime. ``civil`` and ``offset`` (nanoseconds) are ``None`` for a date alone."""

    text: str
    civil: int | None
    offset: int | None

    @property
    def instant(self) -> int | None:
        """Nanoseconds since 1970 in UTC, or ``None`` for a date alone."""
        if self.civil is None or self.offset is None:
            return None
        return self.civil - self.offset


def parse_moment(text: str, source: Source, path: str) -> Moment:
    """A dateTime of FHIR R4: a date, or a time with seconds and an offset.

    Raises ``SettingsError``; a time without an offset is refused, as the standard demands one.
    """
    match = _DATETIME.fullmatch(text)
    shown = text[:40]
    if match is None:
        raise source.error(
            path,
            f"is {shown!r}, which is no dateTime of FHIR R4",
            "Write a date, or a time such as 2027-03-02T09:30:00-07:00.",
        )
    year, month, day, hour, minute, second, fraction, offset = match.groups()
    try:
        moment = datetime(
            int(year), int(month or 1), int(day or 1), int(hour or 0), int(minute or 0),
            int(second or 0),
        )  # fmt: skip
    except ValueError as error:
        raise source.error(path, f"is {shown!r}: {error}", "Correct it.") from None
    if moment.year not in STUDY_YEARS:
        years = f"{STUDY_YEARS.start} to {STUDY_YEARS.stop - 1}"
        raise source.error(path, f"is {shown!r}, not in the years {years}", "Correct it.")
    if hour is None:
        return Moment(text, None, None)
    if offset is None:
        raise source.error(
            path,
            f"is {shown!r}, a time without an offset from UTC",
            "FHIR R4 demands one: write it as in 2027-03-02T09:30:00-07:00.",
        )
    shift = 0
    if offset != "Z":
        shift = (int(offset[1:3]) * 60 + int(offset[4:])) * MINUTE
        shift = -shift if offset[0] == "-" else shift
    return Moment(text, civil_ns(moment, int((fraction or "")[:9].ljust(9, "0"))), shift)


def duration_ns(value: Decimal, code: str | None, source: Source, path: str) -> int:
    """``value`` times the unit of the UCUM ``code``, to the nearest nanosecond.

    Raises ``SettingsError`` for other units, and for what is no length of a study.
    """
    if code not in UNITS:
        raise source.error(
            path,
            f"has the unit {str(code)[:40]!r}, which is no fixed length of time"
            if code
            else "has no UCUM code for its unit",
            "Use one of the UCUM codes s, min, h, d or wk.",
        )
    if value.is_finite() and -20 <= value.adjusted() <= 12:
        length = int((value * UNITS[code]).quantize(Decimal(1)))
        if 0 < length <= _LONGEST:
            return length
    raise source.error(
        path, "is no believable length: more than 0 and at most 8784 hours", "Correct the value."
    )


def quantity_ns(quantity: Quantity, source: Source, path: str) -> int:
    """A Quantity or Duration as nanoseconds. Raises ``SettingsError``."""
    if quantity.value is None:
        raise source.error(f"{path}.value", "is missing", "Give the number of hours.")
    if quantity.comparator is not None:
        raise source.error(
            f"{path}.comparator",
            f"is {quantity.comparator[:10]!r}: that is a limit, not one length",
            "Ask how many hours are ordered.",
        )
    if quantity.code is not None and quantity.system != UCUM:
        raise source.error(
            f"{path}.system",
            f"is not {UCUM!r}, so its code cannot be taken as a unit of time",
            "Ask for a UCUM unit.",
        )
    return duration_ns(quantity.value, quantity.code, source, path)
