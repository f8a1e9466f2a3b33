"""Orders from the hospital: an HL7 FHIR R4 ServiceRequest (JSON) as an order.

Taken from the request: how long to record, when it was to start, the study's and the patient's
identifiers, and what service it names. Nothing is guessed: facts that contradict each other, and
requests that no longer stand, are errors that ask. Elements that are not used are let pass; those
that are must have the type that the standard gives them. What a request does not say (batteries,
logs, channels, the kind of monitoring) stays unknown.

**Start.** A FHIR time carries an offset from UTC; an EDF header holds the civil time at the
patient. With the patient's time zone (``timezone``, or the extension tz-code beside the time) the
start is converted to civil time in that zone. Without one, the civil part of the time is taken as
it is written, unless its offset is zero: then it may be UTC rather than the patient's time, and the
error asks for the zone. A date without a time gives no start.

**Length.** From ``quantityQuantity`` (UCUM unit of time) or ``occurrencePeriod`` (both ends as
times); where both give one they must agree. A period of dates without times gives no length.

Source: HL7 FHIR R4 (4.0.1), resource ServiceRequest, its data types, the JSON representation, the
value sets request-status and request-intent, and the extension tz-code.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, NoReturn, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from auditor.core.clock import STUDY_YEARS, Axis, civil_ns, zone_info
from auditor.core.durations import in_words
from auditor.core.errors import SettingsError
from auditor.core.files import read_written
from auditor.core.text import Own
from auditor.core.units import DAY, HOUR, MINUTE, NS
from auditor.model import MOST_ORDERED, Finding, Order, finding

_UCUM = "http://unitsofmeasure.org"
_UNITS = {"s": NS, "min": MINUTE, "h": HOUR, "d": DAY, "wk": 7 * DAY}
"""UCUM codes of fixed length; a month ('mo') or a year ('a') has none."""
_ZONE_EXTENSIONS = (
    "http://hl7.org/fhir/StructureDefinition/tz-code",
    "http://hl7.org/fhir/StructureDefinition/timezone",
)
_TIME_FORM = "Write a date, or a time such as 2027-03-02T09:30:00-07:00."
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


class _Element(BaseModel):
    """Base: other elements of the standard are let pass, those named here are strict."""

    model_config = ConfigDict(extra="ignore", frozen=True, strict=True)


class _Extension(_Element):
    """An extension of a primitive; only a time zone is used."""

    url: str
    valueCode: str | None = None  # noqa: N815  the standard's own name
    valueString: str | None = None  # noqa: N815


class _Primitive(_Element):
    """What stands beside a primitive under the same name with a leading underscore."""

    extension: list[_Extension] = []

    def zone(self) -> str | None:
        """The IANA time zone that an extension states, if any."""
        for extension in self.extension:
            if extension.url in _ZONE_EXTENSIONS:
                return extension.valueCode or extension.valueString
        return None


class _Period(_Element):
    """A start and an end."""

    start: Text | None = None
    end: Text | None = None
    start_more: _Primitive | None = Field(default=None, alias="_start")


class _Quantity(_Element):
    """A quantity; a duration where its UCUM code is a unit of time."""

    value: Number | None = None
    comparator: str | None = None
    unit: str | None = None
    system: str | None = None
    code: str | None = None


class _Coding(_Element):
    """A code of some system."""

    system: str | None = None
    code: str | None = None
    display: str | None = None


class _Concept(_Element):
    """A concept: codings, or text."""

    coding: list[_Coding] = []
    text: str | None = None

    def words(self) -> str:
        """What a person reads: the text, else the first display or code."""
        for word in (self.text, *(c.display or c.code for c in self.coding)):
            if word:
                return word
        return ""


class _Identifier(_Element):
    """A business identifier."""

    use: str | None = None
    type: _Concept | None = None
    system: str | None = None
    value: Text | None = None

    def is_of_type(self, code: str) -> bool:
        """Whether its type has this code of the HL7 v2 table 0203 (such as PLAC or FILL)."""
        return self.type is not None and any(c.code == code for c in self.type.coding)


class _Reference(_Element):
    """A reference to another resource, by address or by business identifier."""

    reference: Text | None = None
    identifier: _Identifier | None = None


Model = TypeVar("Model", bound=_Element)


@dataclass(frozen=True, slots=True)
class _Source:
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


def _read_json(raw: bytes, source: _Source) -> dict[str, Any]:
    """One JSON object, numbers as ``Decimal`` or ``int``.

    Raises ``SettingsError`` naming the line, or the key that is given twice.
    """

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        values = dict(pairs)
        if len(values) < len(pairs):
            keys = [key for key, _ in pairs]
            twice = next(key for key in keys if keys.count(key) > 1)
            raise source.error("", f"the key {twice[:60]!r} is given twice", "Remove one of them.")
        return values

    def constant(word: str) -> NoReturn:
        raise source.error(
            "", f"holds {word}, which is no JSON number", "Write digits, such as 72."
        )

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
            f"line {error.lineno}", f"is not valid JSON: {error.msg}", "Ask for the file again."
        ) from None
    except (RecursionError, ArithmeticError, ValueError):
        raise source.error(
            "", "cannot be taken as JSON: a number or nesting in it is too large"
        ) from None
    if not isinstance(data, dict):
        raise source.error("", "holds no JSON object", "A ServiceRequest is one object.")
    return data


@dataclass(frozen=True, slots=True)
class _Moment:
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


def _moment(text: str, source: _Source, path: str) -> _Moment:
    """A dateTime of FHIR R4: a date, or a time with seconds and an offset.

    Raises ``SettingsError``; a time without an offset is refused, as the standard demands one.
    """
    shown = text[:40]
    if _DATETIME.fullmatch(text) is None:
        raise source.error(
            path,
            f"is {shown!r}, which is no dateTime of FHIR R4",
            _TIME_FORM,
        )
    try:
        moment = datetime.fromisoformat(text if len(text) > 7 else f"{text}-01-01"[:10])
    except ValueError as error:
        raise source.error(path, f"is {shown!r}: {error}", _TIME_FORM) from None
    if moment.year not in STUDY_YEARS:
        years = f"{STUDY_YEARS.start} to {STUDY_YEARS.stop - 1}"
        raise source.error(path, f"is {shown!r}, not in the years {years}", _TIME_FORM)
    if "T" not in text:
        return _Moment(text, None, None)
    offset = moment.utcoffset()
    if offset is None:
        raise source.error(
            path,
            f"is {shown!r}, a time without an offset from UTC",
            "FHIR R4 demands one: write it as in 2027-03-02T09:30:00-07:00.",
        )
    return _Moment(text, civil_ns(moment), round(offset.total_seconds()) * NS)


def _believable(length: int, source: _Source, path: str) -> int:
    if 0 < length <= MOST_ORDERED:
        return length
    raise source.error(
        path,
        "is no believable length: more than 0 and at most 8784 hours",
        "Write hours, such as 72.",
    )


_STATUS = {
    "active": "",
    "completed": "",
    "unknown": "",
    "draft": "is a draft and not an order yet",
    "on-hold": "is on hold",
    "revoked": "was withdrawn",
    "entered-in-error": "was entered in error",
}
_ORDERS = ("order", "original-order", "reflex-order", "filler-order", "instance-order")
_NOT_ORDERS = ("proposal", "plan", "directive", "option")


class _ServiceRequest(_Element):
    resourceType: str  # noqa: N815  the standard's own names
    implicitRules: str | None = None  # noqa: N815
    modifierExtension: list[Any] = Field(default=[])  # noqa: N815
    contained: list[dict[str, Any]] = Field(default=[])
    identifier: list[_Identifier] = Field(default=[])
    status: str
    intent: str
    doNotPerform: bool = False  # noqa: N815
    code: _Concept | None = None
    quantityQuantity: _Quantity | None = None  # noqa: N815
    quantityRatio: dict[str, Any] | None = None  # noqa: N815
    quantityRange: dict[str, Any] | None = None  # noqa: N815
    subject: _Reference
    occurrenceDateTime: str | None = None  # noqa: N815
    occurrence_more: _Primitive | None = Field(default=None, alias="_occurrenceDateTime")
    occurrencePeriod: _Period | None = None  # noqa: N815
    occurrenceTiming: dict[str, Any] | None = None  # noqa: N815


class _Patient(_Element):
    identifier: list[_Identifier] = Field(default=[])


@dataclass(frozen=True, slots=True)
class _Occurrence:
    """What the occurrence says: the start and its element, the zone beside it, and a length."""

    path: str = ""
    start: _Moment | None = None
    zone: str | None = None
    length: int | None = None


def read_service_request(path: Path, *, timezone: str | None = None) -> Order:
    """The order that a ServiceRequest places.

    ``timezone`` is the patient's IANA time zone where the caller knows it; it goes before one
    stated in the request. Times and durations of the result are in nanoseconds, its start is civil
    time. ``Order.missing`` names what the request could have said and does not.

    Raises ``SettingsError`` that names the file and the JSON element.
    """
    source = _Source(str(path))
    raw = read_written(path)
    data = _read_json(raw, source)
    _require_service_request(data, source)
    request = source.check(_ServiceRequest, data)
    _require_standing(request, source)
    occurrence = _occurrence(request, source)
    ordered = _agreed(occurrence, _quantity(request, source), source)
    zone = timezone or occurrence.zone
    hookup = None
    if occurrence.start is not None and occurrence.start.civil is not None:
        hookup = _civil(occurrence.start, zone, source, occurrence.path)
    study_id = _study_id(request.identifier, source)
    patient, patient_note = _patient_code(request, source)
    service = "" if request.code is None else request.code.words()
    missing = [
        *([] if study_id else ["identifier: the study's number"]),
        *([] if patient else [patient_note]),
        *([] if hookup is not None else ["occurrence: the date and time of the start"]),
        *([] if service else ["code: which service is ordered"]),
        *(["status: the sender does not know it"] if request.status == "unknown" else []),
    ]
    return Order(
        ordered_ns=ordered,
        source="service request",
        study_id=study_id,
        patient_code=patient,
        hookup_civil_ns=hookup,
        timezone=zone,
        service=service,
        missing=tuple(missing),
        sha256=hashlib.sha256(raw).hexdigest(),
        name=path.name,
        path=str(path.absolute()),
    )


def missing_facts(order: Order) -> tuple[Finding, ...]:
    """An info finding that names what the request leaves out, if anything."""
    if not order.missing:
        return ()
    return (finding("order_facts_missing", "order", facts=Own("; ".join(order.missing))),)


def _require_service_request(data: dict[str, Any], source: _Source) -> None:
    kind = data.get("resourceType")
    if kind == "ServiceRequest":
        return
    if kind is None:
        raise source.error("resourceType", "is missing", "This is no FHIR resource.")
    action = (
        "Take the ServiceRequest out of the bundle into a file of its own."
        if kind == "Bundle"
        else "An order is a ServiceRequest."
    )
    raise source.error("resourceType", f"is {str(kind)[:60]!r}, not 'ServiceRequest'", action)


def _require_standing(request: _ServiceRequest, source: _Source) -> None:
    """Refuse what is no order that stands; elements that change the meaning must be understood."""
    if request.implicitRules:
        raise source.error(
            "implicitRules", "names rules that are not known here", "Ask what they mean."
        )
    if request.modifierExtension:
        raise source.error(
            "modifierExtension",
            "holds an extension that changes what the request means and is not known here",
            "Ask what it means, and write an order file.",
        )
    if request.doNotPerform:
        raise source.error(
            "doNotPerform", "is true: the service is not to be done", "Ask for the order."
        )
    problem = _STATUS.get(request.status)
    if problem is None:
        raise source.error(
            "status",
            f"is {request.status[:40]!r}, no status of FHIR R4",
            "An order that stands is active.",
        )
    if problem:
        raise source.error(
            "status", f"is {request.status!r}: the request {problem}", "Ask which order stands."
        )
    if request.intent in _NOT_ORDERS:
        raise source.error(
            "intent", f"is {request.intent!r}, which orders nothing yet", "Ask for the order."
        )
    if request.intent not in _ORDERS:
        raise source.error(
            "intent",
            f"is {request.intent[:40]!r}, no intent of FHIR R4",
            "The intent of an order is order.",
        )


def _occurrence(request: _ServiceRequest, source: _Source) -> _Occurrence:
    if request.occurrenceTiming is not None:
        raise source.error(
            "occurrenceTiming",
            "describes a service that may be repeated; one recording has one start and one length",
            "Ask for occurrenceDateTime or occurrencePeriod, or write an order file.",
        )
    period = request.occurrencePeriod
    if request.occurrenceDateTime is not None:
        if period is not None:
            raise source.error(
                "occurrencePeriod",
                "stands beside occurrenceDateTime; FHIR R4 allows one of them",
                "Ask which holds.",
            )
        path = "occurrenceDateTime"
        start = _moment(request.occurrenceDateTime, source, path)
        return _Occurrence(path, start, _zone(request.occurrence_more, source, path))
    if period is None:
        return _Occurrence()
    path = "occurrencePeriod.start"
    begin = None if period.start is None else _moment(period.start, source, path)
    end = None if period.end is None else _moment(period.end, source, "occurrencePeriod.end")
    length = None
    if begin and end and begin.instant is not None and end.instant is not None:
        if end.instant <= begin.instant:
            raise source.error("occurrencePeriod.end", "is not after its start", _TIME_FORM)
        length = _believable(end.instant - begin.instant, source, "occurrencePeriod")
    return _Occurrence(path, begin, _zone(period.start_more, source, path), length)


def _zone(more: _Primitive | None, source: _Source, path: str) -> str | None:
    zone = None if more is None else more.zone()
    if zone is not None:
        try:
            zone_info(zone)
        except SettingsError as error:
            raise source.error(
                f"{path} (extension tz-code)", f"{zone[:60]!r}: {error.problem}"
            ) from None
    return zone


def _quantity(request: _ServiceRequest, source: _Source) -> int | None:
    for name in ("quantityRatio", "quantityRange"):
        if getattr(request, name) is not None:
            raise source.error(name, "gives no single length", "Ask how many hours are ordered.")
    quantity = request.quantityQuantity
    if quantity is None:
        return None
    if quantity.value == 1 and not quantity.code and not quantity.unit:
        return None  # one service: says nothing of its length
    path = "quantityQuantity"
    if quantity.value is None:
        raise source.error(f"{path}.value", "is missing", "Give the number of hours.")
    if quantity.comparator is not None:
        raise source.error(
            f"{path}.comparator",
            f"is {quantity.comparator[:10]!r}: that is a limit, not one length",
            "Ask how many hours are ordered.",
        )
    if quantity.code is not None and quantity.system != _UCUM:
        raise source.error(
            f"{path}.system",
            f"is not {_UCUM!r}, so its code cannot be taken as a unit of time",
            "Ask for a UCUM unit.",
        )
    if quantity.code not in _UNITS:
        raise source.error(
            path,
            f"has the unit {quantity.code[:40]!r}, which is no fixed length of time"
            if quantity.code
            else "has no UCUM code for its unit",
            "Use one of the UCUM codes s, min, h, d or wk.",
        )
    value = quantity.value
    believable = value.is_finite() and -20 <= value.adjusted() <= 12
    length = int((value * _UNITS[quantity.code]).quantize(Decimal(1))) if believable else 0
    return _believable(length, source, path)


def _agreed(occurrence: _Occurrence, quantity: int | None, source: _Source) -> int:
    period = occurrence.length
    if quantity is None and period is None:
        raise source.error(
            "quantityQuantity",
            "is missing, and there is no occurrencePeriod with both ends as times: the request "
            "does not say how many hours are ordered",
            "Ask for the ordered hours, or give them with --ordered-hours or an order file.",
        )
    if quantity is not None and period is not None and quantity != period:
        raise source.error(
            "quantityQuantity",
            f"gives {in_words(quantity)}, but occurrencePeriod gives {in_words(period)}",
            "Ask how many hours are ordered.",
        )
    return quantity if quantity is not None else period or 0


def _civil(moment: _Moment, zone: str | None, source: _Source, path: str) -> int:
    assert moment.civil is not None
    assert moment.instant is not None
    if zone is not None:
        return Axis(zone).civil(moment.instant)
    if moment.offset == 0:
        raise source.error(
            path,
            f"is {moment.text}: with an offset of zero it may be UTC and not the patient's time",
            'Name the patient\'s time zone, such as --timezone "America/Denver".',
        )
    return moment.civil


def _study_id(identifiers: list[_Identifier], source: _Source) -> str | None:
    """The only identifier; of several the one that the filler (the lab) gave."""
    current = {i.value: i for i in identifiers if i.value and i.use != "old"}
    if len(current) > 1:
        filler = [value for value, i in current.items() if i.is_of_type("FILL")]
        if len(filler) != 1:
            raise source.error(
                "identifier",
                f"gives {len(current)} numbers and does not mark one as the lab's (type FILL)",
                "Ask which one is the study's, and mark it or keep it alone.",
            )
        return filler[0]
    return next(iter(current), None)


def _patient_code(request: _ServiceRequest, source: _Source) -> tuple[str | None, str]:
    """The patient's business identifier, or what to say of its absence.

    The code in an EDF+ patient field is the hospital's own for the patient (EDF+ specification,
    additional specifications, item 3.1). The address in ``subject.reference`` names a record on a
    server instead; taking it for the code would call every file another patient's.
    """
    subject = request.subject
    codes = []
    if subject.identifier is not None and subject.identifier.value:
        codes.append(("subject.identifier", subject.identifier.value))
    if subject.reference is not None and subject.reference.startswith("#"):
        codes += _contained(request, subject.reference[1:], source)
    distinct = dict.fromkeys(value for _, value in codes)
    if len(distinct) > 1:
        raise source.error(
            codes[-1][0],
            f"gives the patient {len(distinct)} different identifiers",
            "Ask which one stands in the recorder, and keep it alone in subject.identifier.",
        )
    note = "subject.identifier: the patient's code"
    if subject.reference is not None and not codes:
        note += " (subject.reference is an address on a server and is not taken for it)"
    return next(iter(distinct), None), note


def _contained(request: _ServiceRequest, name: str, source: _Source) -> list[tuple[str, str]]:
    for index, resource in enumerate(request.contained):
        if resource.get("id") == name:
            path = f"contained[{index}]"
            if resource.get("resourceType") != "Patient":
                raise source.error(
                    path, "is the subject, and is not a Patient", "Ask for the order."
                )
            patient = source.check(_Patient, resource, path)
            return [
                (f"{path}.identifier", i.value)
                for i in patient.identifier
                if i.value and i.use != "old"
            ]
    raise source.error(
        "subject.reference",
        f"names '#{name[:40]}', which is not contained",
        "Ask for the whole request.",
    )
