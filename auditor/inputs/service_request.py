"""Orders from the hospital: an HL7 FHIR R4 ServiceRequest (JSON) as the tables of an order.

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
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, NoReturn, TypeVar

import msgspec
from msgspec import Meta, Struct, field

from auditor.core.clock import STUDY_YEARS, zone_info
from auditor.core.durations import in_words
from auditor.core.errors import SettingsError
from auditor.core.files import read_written
from auditor.core.text import given_twice
from auditor.core.units import DAY, HOUR, MINUTE, NS

_UCUM = "http://unitsofmeasure.org"
_UNITS = {"s": NS, "min": MINUTE, "h": HOUR, "d": DAY, "wk": 7 * DAY}
"""UCUM codes of fixed length; a month ('mo') or a year ('a') has none."""
_ZONES = ("http://hl7.org/fhir/StructureDefinition/tz-code",
          "http://hl7.org/fhir/StructureDefinition/timezone")  # fmt: skip
_DATETIME = re.compile(
    r"\d{4}(-\d\d(-\d\d(T\d\d:\d\d:\d\d(\.\d+)?(Z|[+-](0\d|1[0-4]):[0-5]\d))?)?)?"
)
_TIME_FORM = "Write a date, or a time such as 2027-03-02T09:30:00-07:00."
_FOLLOW = "Ask for a request that follows FHIR R4."
_STANDING = {
    "status": ("active", "completed", "unknown"),
    "intent": ("order", "original-order", "reflex-order", "filler-order", "instance-order"),
}
"""Status and intent of a request that stands and orders something."""
_UNUSABLE = ("doNotPerform", "implicitRules", "modifierExtension", "occurrenceTiming",
             "quantityRatio", "quantityRange")  # fmt: skip
"""Elements that no order may hold."""

_Text = Annotated[str, Meta(min_length=1, max_length=1000)]
_T = TypeVar("_T")


class _Element(Struct, frozen=True, rename="camel"):
    """What is used of an element of FHIR R4."""


class _Coding(_Element, frozen=True):
    code: _Text | None = None
    display: _Text | None = None


class _Concept(_Element, frozen=True):
    text: _Text | None = None
    coding: tuple[_Coding, ...] = ()


class _Identifier(_Element, frozen=True):
    value: _Text | None = None
    use: _Text | None = None
    type: _Concept = _Concept()


class _Subject(_Element, frozen=True):
    reference: _Text = "?"
    identifier: _Identifier = _Identifier()


class _Quantity(_Element, frozen=True):
    value: Decimal | None = None
    comparator: _Text | None = None
    unit: _Text | None = None
    system: _Text | None = None
    code: _Text | None = None


class _Extension(_Element, frozen=True):
    url: _Text | None = None
    value_code: _Text | None = None
    value_string: _Text | None = None


class _Beside(_Element, frozen=True):
    extension: tuple[_Extension, ...] = ()


class _Period(_Element, frozen=True):
    start: _Text | None = None
    end: _Text | None = None
    beside_start: _Beside = field(default=_Beside(), name="_start")


class _Request(_Element, frozen=True):
    subject: _Subject | None = None
    identifier: tuple[_Identifier, ...] = ()
    code: _Concept = _Concept()
    quantity_quantity: _Quantity | None = None
    occurrence_period: _Period = _Period()
    occurrence_date_time: _Text | None = None
    beside_time: _Beside = field(default=_Beside(), name="_occurrenceDateTime")
    contained: tuple[Any, ...] = ()


class ServiceRequest(Struct, frozen=True):
    """``order`` is the table of an order file; ``service`` what a person reads of the service."""

    file: str
    sha256: str
    order: dict[str, Any]
    service: str

    def place(self, keys: tuple[str, ...]) -> str:
        """The file and the element that gives a key."""
        return f"{self.file}: {_GIVEN_BY[keys[-1]]}"


_GIVEN_BY = {
    "ordered_hours": "quantityQuantity or occurrencePeriod",
    "study_id": "identifier",
    "patient_code": "subject.identifier",
    "hookup": "occurrence",
    "timezone": "occurrence (extension tz-code)",
}


def read_service_request(path: Path, *, timezone: str | None = None) -> ServiceRequest:
    """The order that a ServiceRequest places; its start is civil time.

    ``timezone`` is the patient's IANA time zone where the caller knows it; it goes before one
    stated in the request. Raises ``SettingsError`` that names the file and the JSON element.
    """
    raw = read_written(path)
    try:
        data = _read_json(raw)
        _require_standing(data)
        request = _taken(data, _Request, "")
        if request.subject is None:
            raise SettingsError("subject", "is missing", "FHIR R4 requires it: ask for it.")
        hookup, zone, length = _occurrence(request, timezone)
        length = _agreed(_quantity(request.quantity_quantity), length)
        order = {
            "ordered_hours": Decimal(length) / HOUR,
            "study_id": _study_id(request.identifier),
            "patient_code": _patient_code(request.subject, request.contained),
            "hookup": hookup,
            "timezone": zone,
        }
    except SettingsError as error:
        where = ": ".join(filter(None, (str(path), error.where)))
        raise SettingsError(where, error.problem, error.action) from None
    words = (request.code.text, *(c.display or c.code for c in request.code.coding))
    service = next(filter(None, words), "")
    return ServiceRequest(str(path), hashlib.sha256(raw).hexdigest(), order, service)


def _read_json(raw: bytes) -> dict[str, Any]:
    """One JSON object with exact numbers, in which no key is given twice."""

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        twice = given_twice(key for key, _ in pairs)
        if twice is not None:
            raise ValueError(f"the key {twice[:60]!r} is given twice")
        return dict(pairs)

    def constant(word: str) -> NoReturn:
        raise ValueError(f"{word} is no number")

    try:
        data = json.loads(
            raw.decode("utf-8-sig"),
            parse_float=Decimal,
            parse_int=Decimal,
            object_pairs_hook=once,
            parse_constant=constant,
        )
    except (RecursionError, ArithmeticError):
        raise SettingsError("", "holds a number or nesting that is too large for JSON") from None
    except ValueError as error:  # of the encoding, too, each with its place
        raise SettingsError("", f"is not valid JSON: {error}", "Ask for the file again.") from None
    if not isinstance(data, dict):
        raise SettingsError("", "holds no JSON object", "A ServiceRequest is one object.")
    return data


def _taken(data: Any, kind: type[_T], path: str) -> _T:
    """``data``, the element ``path``, as a value of ``kind``."""
    try:
        return msgspec.convert(data, kind, builtin_types=(Decimal,))
    except (msgspec.ValidationError, UnicodeEncodeError) as error:  # a half of a character
        problem, _, at = str(error).replace("decimal.Decimal", "number").partition(" - at `$")
        raise SettingsError(
            f"{path}{at}".strip("`."), f"is not of the type of FHIR R4: {problem}", _FOLLOW
        ) from None


def _require_standing(data: dict[str, Any]) -> None:
    """Refuse what is no order that stands; elements that change the meaning must be understood."""
    kind = str(data.get("resourceType"))
    if kind != "ServiceRequest":
        raise SettingsError(
            "resourceType",
            f"is {kind[:60]!r}, not 'ServiceRequest'",
            "Of a bundle, take the ServiceRequest out into a file of its own.",
        )
    for key in _UNUSABLE:
        if data.get(key) not in (None, "", [], False):
            raise SettingsError(
                key,
                "changes what the request means, or gives no single start and length",
                "Ask for occurrenceDateTime or occurrencePeriod and quantityQuantity, or write an "
                "order file.",
            )
    for key, right in _STANDING.items():
        value = str(data.get(key, ""))
        if value not in right:
            raise SettingsError(
                key,
                f"is {value[:40]!r}; of an order that stands it is one of {', '.join(right)}",
                "Ask which order stands.",
            )


def _occurrence(
    request: _Request, timezone: str | None
) -> tuple[datetime | None, str | None, int | None]:
    """The start in civil time, the patient's zone, and a length in nanoseconds."""
    period, at = request.occurrence_period, "occurrenceDateTime"
    text, beside = request.occurrence_date_time, request.beside_time
    if text is None:
        text, beside, at = period.start, period.beside_start, "occurrencePeriod.start"
    elif period != _Period():
        raise SettingsError(
            "occurrencePeriod", f"stands beside {at}; FHIR R4 allows one of them", _FOLLOW
        )
    start, end, length = _moment(text, at), _moment(period.end, "occurrencePeriod.end"), None
    if start and end:
        if end <= start:
            raise SettingsError("occurrencePeriod.end", "is not after its start", _TIME_FORM)
        length = (end - start) // timedelta(microseconds=1) * 1000
    stated = (e.value_code or e.value_string for e in beside.extension if e.url in _ZONES)
    zone = timezone or next(filter(None, stated), None)
    if start and zone:
        start = start.astimezone(zone_info(zone))
    elif start and not start.utcoffset():
        raise SettingsError(
            at,
            f"is {text}: with an offset of zero it may be UTC and not the patient's time",
            'Name the patient\'s time zone, such as --timezone "America/Denver".',
        )
    return start and start.replace(tzinfo=None), zone, length


def _moment(text: str | None, at: str) -> datetime | None:
    """A dateTime of FHIR R4 with its offset; ``None`` for none, and for a date alone."""
    if text is None:
        return None
    try:
        if _DATETIME.fullmatch(text) is None:
            raise ValueError("no dateTime of FHIR R4")
        moment = datetime.fromisoformat(text if len(text) > 7 else f"{text}-01-01"[:10])
        if moment.year not in STUDY_YEARS:
            raise ValueError(f"not in the years {STUDY_YEARS.start} to {STUDY_YEARS.stop - 1}")
    except ValueError as error:
        raise SettingsError(at, f"is {text[:40]!r}: {error}", _TIME_FORM) from None
    return moment if "T" in text else None


def _quantity(quantity: _Quantity | None) -> int | None:
    """The length in nanoseconds that ``quantityQuantity`` gives, where it is one of time."""
    if quantity is None:
        return None
    value, code, unit = quantity.value, quantity.code, quantity.unit
    if value == 1 and not code and not unit:
        return None  # one service: says nothing of its length
    sized = value is not None and value.is_finite() and abs(value.adjusted()) <= 12
    if value is None or not sized or quantity.comparator or quantity.system != _UCUM:
        code = None
    if value is None or code not in _UNITS:
        shown = " ".join(str(part) for part in (quantity.comparator, value, unit) if part)
        raise SettingsError(
            "quantityQuantity",
            f"is no single length of time ({shown[:60]}): a value, without a comparator, with a "
            f"code of the system {_UCUM!r}",
            f"Use one of the codes {', '.join(_UNITS)}.",
        )
    return int((value * _UNITS[code]).quantize(Decimal(1)))


def _agreed(quantity: int | None, period: int | None) -> int:
    """The one length; what is longer than a study is told where all orders are checked."""
    if quantity is None and period is None:
        raise SettingsError(
            "quantityQuantity",
            "is missing, and there is no occurrencePeriod with both ends as times: the request "
            "does not say how many hours are ordered",
            "Ask for the ordered hours, or give them with --ordered-hours or an order file.",
        )
    if quantity is not None and period is not None and quantity != period:
        raise SettingsError(
            "quantityQuantity",
            f"gives {in_words(quantity)}, but occurrencePeriod gives {in_words(period)}",
            "Ask how many hours are ordered.",
        )
    return quantity if quantity is not None else period or 0


def _study_id(identifiers: tuple[_Identifier, ...]) -> str | None:
    """The only identifier; of several the one that the filler (the lab) gave.

    Which is told by the code FILL of the HL7 v2 table 0203 in its type.
    """
    current = {
        i.value: any(c.code == "FILL" for c in i.type.coding)
        for i in identifiers
        if i.value and i.use != "old"
    }
    fillers = [value for value, is_filler in current.items() if is_filler]
    if len(current) > 1 and len(fillers) != 1:
        raise SettingsError(
            "identifier",
            f"gives {len(current)} numbers and does not mark one as the lab's (type FILL)",
            "Ask which one is the study's, and mark it or keep it alone.",
        )
    return next(iter(fillers if len(current) > 1 else current), None)


def _patient_code(subject: _Subject, contained: tuple[Any, ...]) -> str | None:
    """The patient's business identifier.

    The code in an EDF+ patient field is the hospital's own for the patient (EDF+ specification,
    additional specifications, item 3.1). The address in ``subject.reference`` names a record on a
    server instead; taking it for the code would call every file another patient's.
    """
    named = [subject.identifier]
    for one in contained:
        if isinstance(one, dict) and f"#{one.get('id')}" == subject.reference:
            path = "contained.identifier"
            named += _taken(one.get("identifier", ()), tuple[_Identifier, ...], path)
    codes = list(dict.fromkeys(i.value for i in named if i.value and i.use != "old"))
    if len(codes) > 1:
        raise SettingsError(
            "subject",
            f"gives the patient {len(codes)} different identifiers",
            "Ask which one stands in the recorder, and keep it alone in subject.identifier.",
        )
    return next(iter(codes), None)
