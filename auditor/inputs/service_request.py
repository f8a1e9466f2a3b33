"""Orders from the hospital: an HL7 FHIR R4 ServiceRequest (JSON) as an order.

Taken from the request: how long to record, when it was to start, the study's and the patient's
identifiers, and what service it names; what it does not say stays unknown. Elements that are not
used are let pass. Facts that contradict each other, and requests that no longer stand, are errors
that ask: nothing is guessed.

A FHIR time carries an offset from UTC; an EDF header holds the civil time at the patient. With the
patient's time zone (``timezone``, or the extension tz-code beside the time) the start is converted.
Without one its civil part is taken, unless the offset is zero: then it may be UTC, and the error
asks for the zone. Dates without times give neither a start nor a length.

Source: HL7 FHIR R4 (4.0.1), resource ServiceRequest, its data types, the JSON representation, the
value sets request-status and request-intent, and the extension tz-code.
"""

from __future__ import annotations

import hashlib
import json
import re
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any, NoReturn, TypeVar

from msgspec import Struct

from auditor.core.clock import STUDY_YEARS, Axis, civil_ns, zone_info
from auditor.core.durations import in_words
from auditor.core.errors import SettingsError
from auditor.core.files import read_written
from auditor.core.text import Own, given_twice
from auditor.core.units import DAY, HOUR, MINUTE, NS
from auditor.model import MOST_ORDERED, Finding, Order, finding

_UCUM = "http://unitsofmeasure.org"
_UNITS = {"s": NS, "min": MINUTE, "h": HOUR, "d": DAY, "wk": 7 * DAY}
"""UCUM codes of fixed length; a month ('mo') or a year ('a') has none."""
_ZONES = ("http://hl7.org/fhir/StructureDefinition/tz-code",
          "http://hl7.org/fhir/StructureDefinition/timezone")  # fmt: skip
_DATETIME = re.compile(
    r"\d{4}(-\d\d(-\d\d(T\d\d:\d\d:\d\d(\.\d+)?(Z|[+-](0\d|1[0-4]):[0-5]\d)?)?)?)?"
)
_TIME_FORM = "Write a date, or a time such as 2027-03-02T09:30:00-07:00."
_FOLLOW = "Ask for a request that follows FHIR R4."
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
_NO_ORDERS = ("proposal", "plan", "directive", "option")
"""Intents of requests that order something, and of those that do not yet."""
_HOW_LONG = "Ask how many hours are ordered."
_UNUSABLE = {
    "implicitRules": ("changes what the request means and is not known here",
                      "Write an order file."),
    "modifierExtension": ("changes what the request means and is not known here",
                          "Write an order file."),
    "occurrenceTiming": ("describes a service that may be repeated; one recording has one start "
                         "and one length",
                         "Ask for occurrenceDateTime or occurrencePeriod, or write an order file."),
    "quantityRatio": ("gives no single length", _HOW_LONG),
    "quantityRange": ("gives no single length", _HOW_LONG),
}  # fmt: skip
"""Elements that no order may hold: why, and what to do."""
_LONGEST = 1000
_T = TypeVar("_T")


class _Element(Struct, frozen=True):
    """One element of the request, its path in it, and the file's name."""

    data: dict[str, Any]
    path: str
    file: str

    def error(self, key: str, problem: str, action: str = "") -> SettingsError:
        """The error to raise for the element ``key`` in this one."""
        at = self.at(key)
        return SettingsError(f"{self.file}: {at}" if at else self.file, problem, action)

    def at(self, key: str) -> str:
        """The path of ``key``."""
        return f"{self.path}.{key}" if self.path and key else self.path or key

    def value(self, kind: type[_T], key: str, words: str) -> _T | None:
        """The element ``key``, which must be of ``kind``, in words ``words``; numbers are exact."""
        value = self.data.get(key)
        if value is not None and type(value) is not kind:
            raise self.error(
                key, f"is not of the type that FHIR R4 gives it, which is {words}", _FOLLOW
            )
        return value

    def text(self, key: str) -> str | None:
        """A text of at least one character."""
        value = self.value(str, key, "text")
        if value is not None and not 0 < len(value) <= _LONGEST:
            raise self.error(
                key, f"must have at least 1 and at most {_LONGEST} characters", _FOLLOW
            )
        return value

    def required(self, key: str) -> str:
        """A text that must be there."""
        value = self.text(key)
        if value is None:
            raise self.error(key, "is missing", "FHIR R4 requires it: ask for a complete request.")
        return value

    def child(self, key: str) -> _Element:
        """The element ``key``; an empty one where there is none."""
        value: dict[str, Any] | None = self.value(dict, key, "an object")
        return _Element(value or {}, self.at(key), self.file)

    def children(self, key: str) -> list[_Element]:
        """The elements of the list ``key``; those that are no objects are left out."""
        every: list[Any] | None = self.value(list, key, "a list")
        return [
            _Element(value, f"{self.at(key)}[{number}]", self.file)
            for number, value in enumerate(every or ())
            if isinstance(value, dict)
        ]


class _Moment(Struct, frozen=True):
    """A FHIR dateTime. ``civil`` and ``instant`` (ns) are ``None`` for a date alone."""

    text: str
    civil: int | None = None
    instant: int | None = None


class _Occurrence(Struct, frozen=True):
    """What the occurrence says: the start, the zone beside it, and a length."""

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
    raw = read_written(path)
    request = _Element(_read_json(raw, str(path)), "", str(path))
    _require_standing(request)
    occurrence = _occurrence(request)
    ordered = _agreed(occurrence, _quantity(request), request)
    zone = timezone or occurrence.zone
    study_id = _study_id(request)
    patient, patient_note = _patient_code(request)
    service = _service(request)
    hookup = _hookup(occurrence, zone, request)
    missing = [
        *([] if study_id else ["identifier: the study's number"]),
        *([] if patient else [patient_note]),
        *([] if hookup is not None else ["occurrence: the date and time of the start"]),
        *([] if service else ["code: which service is ordered"]),
        *(["status: the sender does not know it"] if request.text("status") == "unknown" else []),
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


def _read_json(raw: bytes, file: str) -> dict[str, Any]:
    """One JSON object with exact numbers, in which no key is given twice."""

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        values = dict(pairs)
        twice = given_twice(key for key, _ in pairs)
        if twice is not None:
            raise SettingsError(
                file, f"the key {twice[:60]!r} is given twice", "Remove one of them."
            )
        return values

    def constant(word: str) -> NoReturn:
        raise SettingsError(
            file, f"holds {word}, which is no JSON number", "Write digits, such as 72."
        )

    try:
        data = json.loads(
            raw.decode("utf-8-sig"),
            parse_float=Decimal,
            parse_int=Decimal,
            object_pairs_hook=once,
            parse_constant=constant,
        )
    except UnicodeDecodeError as error:
        raise SettingsError(
            file, f"byte {error.start} is not UTF-8", "Save the file as UTF-8 text."
        ) from None
    except json.JSONDecodeError as error:
        raise SettingsError(
            f"{file}: line {error.lineno}",
            f"is not valid JSON: {error.msg}",
            "Ask for the file again.",
        ) from None
    except (RecursionError, ArithmeticError, ValueError):
        raise SettingsError(
            file, "cannot be taken as JSON: a number or nesting in it is too large"
        ) from None
    if not isinstance(data, dict):
        raise SettingsError(file, "holds no JSON object", "A ServiceRequest is one object.")
    return data


def _require_standing(request: _Element) -> None:
    """Refuse what is no order that stands; elements that change the meaning must be understood."""
    kind = request.required("resourceType")
    if kind != "ServiceRequest":
        bundle = "Take the ServiceRequest out of the bundle into a file of its own."
        raise request.error(
            "resourceType",
            f"is {kind[:60]!r}, not 'ServiceRequest'",
            bundle if kind == "Bundle" else "An order is a ServiceRequest.",
        )
    for key, (problem, action) in _UNUSABLE.items():
        if request.data.get(key) not in (None, "", []):
            raise request.error(key, problem, action)
    if request.value(bool, "doNotPerform", "a boolean"):
        raise request.error(
            "doNotPerform", "is true: the service is not to be done", "Ask for the order."
        )
    status, intent = request.required("status"), request.required("intent")
    problem = _STATUS.get(status, "has no status of FHIR R4")
    if problem:
        raise request.error(
            "status", f"is {status[:40]!r}: the request {problem}", "Ask which order stands."
        )
    if intent not in _ORDERS:
        why = "which orders nothing yet" if intent in _NO_ORDERS else "no intent of FHIR R4"
        raise request.error("intent", f"is {intent[:40]!r}, {why}", "Ask for the order.")
    if request.data.get("subject") is None:
        raise request.error("subject", "is missing", "FHIR R4 requires it: ask for it.")


def _occurrence(request: _Element) -> _Occurrence:
    period, path = request.child("occurrencePeriod"), "occurrenceDateTime"
    start = _moment(request, path)
    if start is not None:
        if period.data:
            raise request.error(
                "occurrencePeriod", f"stands beside {path}; FHIR R4 allows one of them", _FOLLOW
            )
        return _Occurrence(path, start, _zone(request, path))
    if not period.data:
        return _Occurrence()
    start, end, length = _moment(period, "start"), _moment(period, "end"), None
    if start and end and start.instant is not None and end.instant is not None:
        if end.instant <= start.instant:
            raise period.error("end", "is not after its start", _TIME_FORM)
        length = _believable(end.instant - start.instant, period, "")
    return _Occurrence(period.at("start"), start, _zone(period, "start"), length)


def _moment(element: _Element, key: str) -> _Moment | None:
    """A dateTime of FHIR R4: a date, or a time with seconds and an offset."""
    text = element.text(key)
    if text is None:
        return None
    shown = text[:40]
    if _DATETIME.fullmatch(text) is None:
        raise element.error(key, f"is {shown!r}, which is no dateTime of FHIR R4", _TIME_FORM)
    try:
        moment = datetime.fromisoformat(text if len(text) > 7 else f"{text}-01-01"[:10])
    except ValueError as error:
        raise element.error(key, f"is {shown!r}: {error}", _TIME_FORM) from None
    if moment.year not in STUDY_YEARS:
        years = f"{STUDY_YEARS.start} to {STUDY_YEARS.stop - 1}"
        raise element.error(key, f"is {shown!r}, not in the years {years}", _TIME_FORM)
    if "T" not in text:
        return _Moment(text)
    offset = moment.utcoffset()
    if offset is None:
        raise element.error(key, f"is {shown!r}, a time without an offset from UTC", _TIME_FORM)
    civil = civil_ns(moment)
    return _Moment(text, civil, civil - round(offset.total_seconds()) * NS)


def _zone(element: _Element, key: str) -> str | None:
    """The IANA time zone that an extension beside ``key`` states, if any."""
    for extension in element.child(f"_{key}").children("extension"):
        zone = extension.text("valueCode") or extension.text("valueString")
        if zone is None or extension.text("url") not in _ZONES:
            continue
        try:
            zone_info(zone)
        except SettingsError as error:
            at = f"{key} (extension tz-code)"
            raise element.error(at, f"{zone[:60]!r}: {error.problem}", error.action) from None
        return zone
    return None


def _believable(length: int, element: _Element, key: str) -> int:
    if 0 < length <= MOST_ORDERED:
        return length
    problem = "is no believable length: more than 0 and at most 8784 hours"
    raise element.error(key, problem, "Write hours, such as 72.")


def _quantity(request: _Element) -> int | None:
    """The length that ``quantityQuantity`` gives, where it is one of time."""
    quantity = request.child("quantityQuantity")
    if not quantity.data:
        return None
    value, code = quantity.value(Decimal, "value", "a number"), quantity.text("code")
    if value == 1 and not code and not quantity.text("unit"):
        return None  # one service: says nothing of its length
    if value is None:
        raise quantity.error("value", "is missing", "Give the number of hours.")
    limit = quantity.text("comparator")
    if limit is not None:
        raise quantity.error(
            "comparator", f"is {limit[:10]!r}: a limit, not one length", "Ask how many hours."
        )
    if code is not None and quantity.text("system") != _UCUM:
        raise quantity.error(
            "system", f"is not {_UCUM!r}, so its code is no unit of time", "Ask for a UCUM unit."
        )
    if code not in _UNITS:
        unit = f"the unit {code[:40]!r}, no fixed length of time" if code else "no UCUM unit"
        raise quantity.error("", f"has {unit}", "Use one of the UCUM codes s, min, h, d or wk.")
    sized = value.is_finite() and -20 <= value.adjusted() <= 12
    length = int((value * _UNITS[code]).quantize(Decimal(1))) if sized else 0
    return _believable(length, quantity, "")


def _agreed(occurrence: _Occurrence, quantity: int | None, request: _Element) -> int:
    period = occurrence.length
    if quantity is None and period is None:
        raise request.error(
            "quantityQuantity",
            "is missing, and there is no occurrencePeriod with both ends as times: the request "
            "does not say how many hours are ordered",
            "Ask for the ordered hours, or give them with --ordered-hours or an order file.",
        )
    if quantity is not None and period is not None and quantity != period:
        raise request.error(
            "quantityQuantity",
            f"gives {in_words(quantity)}, but occurrencePeriod gives {in_words(period)}",
            _HOW_LONG,
        )
    return quantity if quantity is not None else period or 0


def _hookup(occurrence: _Occurrence, zone: str | None, request: _Element) -> int | None:
    start = occurrence.start
    if start is None or start.civil is None or start.instant is None:
        return None
    if zone is not None:
        return Axis(zone).civil(start.instant)
    if start.civil == start.instant:
        raise request.error(
            occurrence.path,
            f"is {start.text}: with an offset of zero it may be UTC and not the patient's time",
            'Name the patient\'s time zone, such as --timezone "America/Denver".',
        )
    return start.civil


def _study_id(request: _Element) -> str | None:
    """The only identifier; of several the one that the filler (the lab) gave.

    Which is told by the code FILL of the HL7 v2 table 0203 in its type.
    """
    current = {
        i.text("value"): any(c.text("code") == "FILL" for c in i.child("type").children("coding"))
        for i in request.children("identifier")
        if _stands(i)
    }
    fillers = [value for value, is_filler in current.items() if is_filler]
    if len(current) > 1 and len(fillers) != 1:
        raise request.error(
            "identifier",
            f"gives {len(current)} numbers and does not mark one as the lab's (type FILL)",
            "Ask which one is the study's, and mark it or keep it alone.",
        )
    return next(iter(fillers if len(current) > 1 else current), None)


def _stands(identifier: _Element) -> bool:
    return identifier.text("value") is not None and identifier.text("use") != "old"


def _service(request: _Element) -> str:
    """What a person reads of the service: the text, else the first display or code."""
    concept = request.child("code")
    words = [c.text("display") or c.text("code") for c in concept.children("coding")]
    return next(filter(None, (concept.text("text"), *words)), "")


def _patient_code(request: _Element) -> tuple[str | None, str]:
    """The patient's business identifier, or what to say of its absence.

    The code in an EDF+ patient field is the hospital's own for the patient (EDF+ specification,
    additional specifications, item 3.1). The address in ``subject.reference`` names a record on a
    server instead; taking it for the code would call every file another patient's.
    """
    subject = request.child("subject")
    named = [subject.child("identifier")]
    reference = subject.text("reference") or ""
    for patient in request.children("contained") if reference.startswith("#") else ():
        if patient.data.get("id") == reference[1:]:
            named += patient.children("identifier")
    codes = list(dict.fromkeys(i.text("value") for i in named if _stands(i)))
    if len(codes) > 1:
        raise request.error(
            "subject",
            f"gives the patient {len(codes)} different identifiers",
            "Ask which one stands in the recorder, and keep it alone in subject.identifier.",
        )
    note = "subject.identifier: the patient's code"
    if reference:
        note += " (subject.reference is an address on a server and is not taken for it)"
    return next(iter(codes), None), note
