"""Orders from the hospital: an HL7 FHIR R4 ServiceRequest (JSON) as an order.

Taken from the request: how long to record, when it was to start, the study's and the patient's
identifiers, and what service it names. Nothing is guessed: facts that contradict each other, and
requests that no longer stand, are errors that ask. A ServiceRequest says nothing of batteries,
logs, the number of channels, or the kind of monitoring; those stay unknown.

**Start.** A FHIR time carries an offset from UTC; an EDF header holds the civil time at the
patient. With the patient's time zone (``timezone``, or the extension tz-code beside the time) the
start is converted to civil time in that zone. Without one, the civil part of the time is taken as
it is written, unless its offset is zero: then it may be UTC rather than the patient's time, and the
error asks for the zone. A date without a time gives no start.

**Length.** From ``quantityQuantity`` (UCUM unit of time), ``occurrencePeriod`` (both ends as
times), or ``occurrenceTiming.repeat`` (duration, boundsDuration or boundsPeriod). Where several
give a length they must agree. A period of dates without times bounds when the service may happen
and gives no length.

Source: HL7 FHIR R4 (4.0.1), resource ServiceRequest, and the value sets request-status and
request-intent.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pydantic import Field

from auditor.core.clock import Axis, zone_info
from auditor.core.durations import in_words
from auditor.core.errors import SettingsError
from auditor.core.text import Own
from auditor.inputs.fhir import (
    Concept,
    Element,
    Identifier,
    Moment,
    Period,
    Primitive,
    Quantity,
    Reference,
    Repeat,
    Source,
    Timing,
    duration_ns,
    parse_moment,
    quantity_ns,
    read_json,
)
from auditor.model import Finding, Order, finding

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
_REPEATING = (
    "countMax", "frequencyMax", "period", "periodMax", "dayOfWeek", "timeOfDay", "when", "offset",
)  # fmt: skip


class _ServiceRequest(Element):
    resourceType: str  # noqa: N815  the standard's own names
    implicitRules: str | None = None  # noqa: N815
    modifierExtension: list[Any] = Field(default=[])  # noqa: N815
    contained: list[dict[str, Any]] = Field(default=[])
    identifier: list[Identifier] = Field(default=[])
    status: str
    intent: str
    doNotPerform: bool = False  # noqa: N815
    code: Concept | None = None
    quantityQuantity: Quantity | None = None  # noqa: N815
    quantityRatio: dict[str, Any] | None = None  # noqa: N815
    quantityRange: dict[str, Any] | None = None  # noqa: N815
    subject: Reference
    occurrenceDateTime: str | None = None  # noqa: N815
    occurrence_more: Primitive | None = Field(default=None, alias="_occurrenceDateTime")
    occurrencePeriod: Period | None = None  # noqa: N815
    occurrenceTiming: Timing | None = None  # noqa: N815


class _Patient(Element):
    identifier: list[Identifier] = Field(default=[])


class _Occurrence:
    """What the occurrence says: lengths by path, the start, and the start's time zone."""

    def __init__(self) -> None:
        self.lengths: dict[str, int] = {}
        self.start: tuple[str, Moment] | None = None
        self.zone: str | None = None


def read_service_request(path: Path, *, timezone: str | None = None) -> Order:
    """The order that a ServiceRequest places.

    ``timezone`` is the patient's IANA time zone where the caller knows it; it goes before one
    stated in the request. Times and durations of the result are in nanoseconds, its start is civil
    time. ``Order.missing`` names what the request could have said and does not.

    Raises ``SettingsError`` that names the file and the JSON element.
    """
    source, data = read_json(path)
    _require_service_request(data, source)
    request = source.check(_ServiceRequest, data)
    _require_standing(request, source)
    occurrence = _occurrence(request, source)
    quantity = _quantity(request, source)
    lengths = dict(occurrence.lengths)
    if quantity is not None:
        lengths["quantityQuantity"] = quantity
    ordered = _agreed(lengths, source)
    zone = timezone or occurrence.zone
    hookup = None
    if occurrence.start is not None:
        at, moment = occurrence.start
        hookup = _civil(moment, zone, source, at)
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
    )


def missing_facts(order: Order) -> tuple[Finding, ...]:
    """An info finding that names what the request leaves out, if anything."""
    if not order.missing:
        return ()
    return (finding("order_facts_missing", "order", facts=Own("; ".join(order.missing))),)


def _require_service_request(data: dict[str, Any], source: Source) -> None:
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


def _require_standing(request: _ServiceRequest, source: Source) -> None:
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
            "status", f"is {request.status[:40]!r}, no status of FHIR R4", "Correct it."
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
            "intent", f"is {request.intent[:40]!r}, no intent of FHIR R4", "Correct it."
        )


def _occurrence(request: _ServiceRequest, source: Source) -> _Occurrence:
    given = [
        name
        for name in ("occurrenceDateTime", "occurrencePeriod", "occurrenceTiming")
        if getattr(request, name) is not None
    ]
    if len(given) > 1:
        raise source.error(
            given[1], f"stands beside {given[0]}; FHIR R4 allows one of them", "Ask which holds."
        )
    found = _Occurrence()
    if request.occurrenceDateTime is not None:
        _start(found, request.occurrenceDateTime, request.occurrence_more, source, given[0])
    elif request.occurrencePeriod is not None:
        _period(found, request.occurrencePeriod, source, given[0])
    elif request.occurrenceTiming is not None:
        _timing(found, request.occurrenceTiming, source, given[0])
    return found


def _start(
    found: _Occurrence, text: str, more: Primitive | None, source: Source, path: str
) -> Moment:
    moment = parse_moment(text, source, path)
    zone = None if more is None else more.zone()
    if zone is not None:
        try:
            zone_info(zone)
        except SettingsError as error:
            raise source.error(
                f"{path} (extension tz-code)", f"{zone[:60]!r}: {error.problem}"
            ) from None
        found.zone = zone
    if moment.civil is not None:
        if found.start is not None and found.start[1].instant != moment.instant:
            raise source.error(
                path,
                f"starts at {moment.text}, but {found.start[0]} says {found.start[1].text}",
                "Ask which start holds.",
            )
        found.start = (path, moment)
    return moment


def _period(found: _Occurrence, period: Period, source: Source, path: str) -> None:
    start = end = None
    if period.start is not None:
        start = _start(found, period.start, period.start_more, source, f"{path}.start")
    if period.end is not None:
        end = parse_moment(period.end, source, f"{path}.end")
    if start is None or end is None or start.instant is None or end.instant is None:
        return
    if end.instant <= start.instant:
        raise source.error(f"{path}.end", "is not after its start", "Correct the period.")
    found.lengths[path] = end.instant - start.instant


def _timing(found: _Occurrence, timing: Timing, source: Source, path: str) -> None:
    if timing.modifierExtension:
        raise source.error(f"{path}.modifierExtension", "is not known here", "Ask what it means.")
    if len(timing.event) > 1:
        raise source.error(
            f"{path}.event", "gives more than one start", "Ask for one request for each study."
        )
    if timing.event:
        more = timing.event_more[0] if timing.event_more else None
        _start(found, timing.event[0], more, source, f"{path}.event[0]")
    if timing.repeat is not None:
        _repeat(found, timing.repeat, source, f"{path}.repeat")


def _repeat(found: _Occurrence, repeat: Repeat, source: Source, path: str) -> None:
    repeated = [name for name in _REPEATING if getattr(repeat, name) not in (None, [])]
    repeated += [n for n in ("count", "frequency") if getattr(repeat, n) not in (None, 1)]
    if repeated:
        raise source.error(
            f"{path}.{repeated[0]}",
            "describes a service that is repeated or tied to times of day",
            "Ask for one request for each study.",
        )
    for name in ("boundsRange", "durationMax"):
        if getattr(repeat, name) is not None:
            raise source.error(
                f"{path}.{name}", "gives a range, not one length", "Ask how many hours are ordered."
            )
    if repeat.duration is not None:
        found.lengths[f"{path}.duration"] = duration_ns(
            repeat.duration, repeat.durationUnit, source, f"{path}.duration"
        )
    if repeat.boundsDuration is not None:
        at = f"{path}.boundsDuration"
        found.lengths[at] = quantity_ns(repeat.boundsDuration, source, at)
    if repeat.boundsPeriod is not None:
        _period(found, repeat.boundsPeriod, source, f"{path}.boundsPeriod")


def _quantity(request: _ServiceRequest, source: Source) -> int | None:
    for name in ("quantityRatio", "quantityRange"):
        if getattr(request, name) is not None:
            raise source.error(name, "gives no single length", "Ask how many hours are ordered.")
    quantity = request.quantityQuantity
    if quantity is None:
        return None
    if quantity.value == 1 and not quantity.code and not quantity.unit:
        return None  # one service: says nothing of its length
    return quantity_ns(quantity, source, "quantityQuantity")


def _agreed(lengths: dict[str, int], source: Source) -> int:
    if not lengths:
        raise source.error(
            "quantityQuantity",
            "is missing, and neither occurrencePeriod (both ends as times) nor occurrenceTiming "
            "gives a length: the request does not say how many hours are ordered",
            "Ask for the ordered hours, or give them with --ordered-hours or an order file.",
        )
    (first, length), *others = lengths.items()
    for path, other in others:
        if other != length:
            raise source.error(
                path,
                f"gives {in_words(other)}, but {first} gives {in_words(length)}",
                "Ask how many hours are ordered.",
            )
    return length


def _civil(moment: Moment, zone: str | None, source: Source, path: str) -> int:
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


def _study_id(identifiers: list[Identifier], source: Source) -> str | None:
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


def _patient_code(request: _ServiceRequest, source: Source) -> tuple[str | None, str]:
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


def _contained(request: _ServiceRequest, name: str, source: Source) -> list[tuple[str, str]]:
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
        "subject.reference", f"names '#{name[:40]}', which is not contained", "Correct it."
    )
