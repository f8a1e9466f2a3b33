"""Orders as HL7 FHIR R4 ServiceRequest. Rules: HL7 FHIR R4 (4.0.1), ServiceRequest and data types."""

from __future__ import annotations

import hashlib
import json
from copy import deepcopy
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from helpers_studies import write_piece
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from auditor.cli import parser as cli
from auditor.core.clock import Axis, civil_datetime, civil_ns, iso
from auditor.core.errors import SettingsError
from auditor.core.units import HOUR, NS
from auditor.inputs.order import order_findings, read_order
from auditor.model import Order

FIXTURES = Path(__file__).resolve().parent.parent / "fixtures" / "service-requests"
MINIMAL: dict[str, Any] = {
    "resourceType": "ServiceRequest",
    "status": "active",
    "intent": "order",
    "subject": {"identifier": {"value": "P-2041"}},
    "quantityQuantity": {"value": 72, "system": "http://unitsofmeasure.org", "code": "h"},
}
UCUM = "http://unitsofmeasure.org"
DELETE = object()


def request_with(changes: dict[str, Any]) -> dict[str, Any]:
    """The minimal request with dotted paths replaced (or removed with DELETE)."""
    data = deepcopy(MINIMAL)
    for path, value in changes.items():
        *parents, last = path.split(".")
        part = data
        for key in parents:
            part = part.setdefault(key, {})
        if value is DELETE:
            part.pop(last)
        else:
            part[last] = value
    return data


def read(tmp_path: Path, data: object, timezone: str | None = None) -> Order:
    path = tmp_path / "order.json"
    path.write_text(data if isinstance(data, str) else json.dumps(data), encoding="utf-8")
    return read_order(path, timezone=timezone)


# The invented requests in fixtures/: file, hours, study, patient, start (civil), zone.
KNOWN = [
    ("S-2041-quantity", 72, "S-2041", "P-2041", "2027-03-02T09:30:00", "America/Denver"),
    ("S-2042-period", 48, "S-2042", "P-2042", "2027-03-13T10:00:00", None),
    ("S-2043-zone", 48, "S-2043", "P-2043", "2027-03-08T08:15:00", "America/Denver"),
    ("S-2044-hours-only", 47.5, None, None, None, None),
]


@pytest.mark.parametrize(("name", "hours", "study", "patient", "start", "zone"), KNOWN)
def test_each_invented_request_gives_the_order_that_it_places(
    name: str, hours: float, study: str, patient: str, start: str, zone: str
) -> None:
    order = read_order(FIXTURES / f"{name}.json")
    assert order.ordered_ns == int(hours * 3600) * NS
    assert (order.study_id, order.patient_code, order.timezone) == (study, patient, zone)
    assert (None if order.hookup_civil_ns is None else iso(order.hookup_civil_ns)) == start
    assert order.source == "service request"


def test_every_request_in_fixtures_has_its_line_in_the_table() -> None:
    assert {p.stem for p in FIXTURES.glob("*.json")} == {row[0] for row in KNOWN}


def test_what_a_service_request_cannot_say_stays_unknown() -> None:
    order = read_order(FIXTURES / "S-2041-quantity.json")
    unknown = (order.video, order.monitoring, order.minimum_channels, order.power)
    assert unknown == (None, None, None, None)
    assert (order.monitoring_log, order.video_log) == (None, None)


def test_an_order_file_that_ends_in_json_is_read_as_a_service_request() -> None:
    path = FIXTURES / "S-2041-quantity.json"
    order = read_order(path)
    assert order.path == str(path)
    assert order.service == "Ambulatory EEG, 72 hours (invented order)"
    assert order.name == path.name
    assert order.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_the_command_takes_a_service_request_as_its_order(tmp_path: Path) -> None:
    """The start is the hook-up in the patient's zone, and the ordered hours are those asked for."""
    study = tmp_path / "S-2041"
    write_piece(study / "01.edf", (0, 60), fmt="EDF+C")
    order, out = FIXTURES / "S-2041-quantity.json", tmp_path / "out"
    status = cli.main(["study", str(study), "--order", str(order), "--out", str(out), "--quiet"])
    assert status == 1
    audit = json.loads((out / "audit.json").read_text(encoding="utf-8"))
    assert audit["order"]["source"] == "service request"
    assert audit["order"]["ordered_s"] == 72 * 3600
    assert audit["order"]["hookup"] == "2027-03-02T09:30:00"
    assert audit["study"]["study_id"] == "S-2041"
    assert audit["study"]["timezone"] == "America/Denver"
    assert audit["shortfall"]["short_s"] == 72 * 3600 - 60


def test_a_period_over_the_night_when_clocks_go_forward_is_counted_in_elapsed_hours() -> None:
    """10:00 to 11:00 two days later reads 49 h on the clock; the offsets say 48 h have passed."""
    order = read_order(FIXTURES / "S-2042-period.json")
    assert order.ordered_ns == 48 * HOUR


def test_what_is_missing_is_named_in_one_finding() -> None:
    (told,) = order_findings(read_order(FIXTURES / "S-2044-hours-only.json"), None)
    assert (told.code, told.severity) == ("order_facts_missing", "info")
    for element in ("identifier", "subject.identifier", "occurrence", "code"):
        assert f"{element}:" in told.text
    whole = read_order(FIXTURES / "S-2041-quantity.json")
    assert list(order_findings(whole, whole.timezone)) == []


def test_the_address_of_a_patient_on_a_server_is_not_taken_for_the_patients_code(
    tmp_path: Path,
) -> None:
    order = read(tmp_path, request_with({"subject": {"reference": "Patient/P-2041"}}))
    assert order.patient_code is None


# Length: the changes to the minimal request, and the hours that it then orders.
LENGTHS = [
    ({}, 72),
    ({"quantityQuantity.code": "d", "quantityQuantity.value": 3}, 72),
    ({"quantityQuantity.code": "min", "quantityQuantity.value": 2850}, 47.5),
    ({"quantityQuantity.code": "s", "quantityQuantity.value": 3600}, 1),
    ({"quantityQuantity.code": "wk", "quantityQuantity.value": 1}, 168),
    ({"quantityQuantity.value": 47.5}, 47.5),
    ({"quantityQuantity": DELETE, "occurrencePeriod": {"start": "2027-03-02T09:30:00-07:00", "end": "2027-03-04T09:30:00-07:00"}}, 48),
    ({"occurrencePeriod": {"start": "2027-03-02T09:30:00-07:00", "end": "2027-03-05T09:30:00-07:00"}}, 72),
    ({"occurrencePeriod": {"start": "2027-03-01", "end": "2027-03-31"}}, 72),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "hours"), LENGTHS)
def test_the_ordered_length_is_read_from_each_element_that_can_hold_it(
    changes: dict[str, Any], hours: float, tmp_path: Path
) -> None:
    assert read(tmp_path, request_with(changes)).ordered_ns == int(hours * 3600) * NS


# Start: the time in the request, the zone that the caller knows, the civil start.
STARTS = [
    ("2027-03-02T09:30:00-07:00", None, "2027-03-02T09:30:00"),
    ("2027-03-02T09:30:00-07:00", "America/Denver", "2027-03-02T09:30:00"),
    ("2027-03-02T16:30:00Z", "America/Denver", "2027-03-02T09:30:00"),
    ("2027-03-02T11:30:00-05:00", "America/Denver", "2027-03-02T09:30:00"),
    ("2027-07-02T16:30:00+00:00", "America/Denver", "2027-07-02T10:30:00"),
    ("2027-01-02T09:30:00Z", "Europe/London", "2027-01-02T09:30:00"),
    ("2027-03-02T09:30:00.25-07:00", None, "2027-03-02T09:30:00.250"),
    ("2027-03-02", None, None),
    ("2027-03", None, None),
    ("2027", None, None),
]


@pytest.mark.parametrize(("text", "zone", "civil"), STARTS)
def test_the_start_is_the_civil_time_at_the_patient(
    text: str, zone: str | None, civil: str | None, tmp_path: Path
) -> None:
    order = read(tmp_path, request_with({"occurrenceDateTime": text}), zone)
    assert (None if order.hookup_civil_ns is None else iso(order.hookup_civil_ns)) == civil
    assert order.timezone == zone


def test_the_zone_that_the_caller_knows_goes_before_the_one_in_the_request(tmp_path: Path) -> None:
    data = json.loads((FIXTURES / "S-2043-zone.json").read_text(encoding="utf-8"))
    order = read(tmp_path, data, "America/New_York")
    assert order.timezone == "America/New_York"
    assert order.hookup_civil_ns is not None
    assert iso(order.hookup_civil_ns) == "2027-03-08T10:15:00"


# What must be refused: the changes, the element that the error names, a word of the reason.
REFUSED = [
    ({"resourceType": DELETE}, "resourceType", "not 'ServiceRequest'"),
    ({"resourceType": "Bundle"}, "resourceType", "bundle"),
    ({"resourceType": "Patient"}, "resourceType", "Patient"),
    ({"status": "revoked"}, "status", "'revoked'; of an order that stands"),
    ({"status": "entered-in-error"}, "status", "of an order that stands"),
    ({"status": "draft"}, "status", "'draft'; of an order"),
    ({"status": "on-hold"}, "status", "of an order that stands"),
    ({"status": "cancelled"}, "status", "active, completed, unknown"),
    ({"status": DELETE}, "status", "is ''; of an order"),
    ({"intent": "plan"}, "intent", "'plan'; of an order"),
    ({"intent": "wish"}, "intent", "order, original-order"),
    ({"intent": DELETE}, "intent", "is ''; of an order"),
    ({"subject": DELETE}, "subject", "missing"),
    ({"doNotPerform": True}, "doNotPerform", "changes what the request means"),
    ({"doNotPerform": "false"}, "doNotPerform", "changes what the request means"),
    ({"implicitRules": "http://example.org/rules"}, "implicitRules", "changes what"),
    ({"modifierExtension": [{"url": "http://example.org/x"}]}, "modifierExtension", "changes"),
    ({"quantityQuantity": DELETE}, "quantityQuantity", "missing"),
    ({"quantityQuantity": {"value": 1}}, "quantityQuantity", "missing"),
    ({"quantityQuantity.value": DELETE}, "quantityQuantity", "no single length"),
    ({"quantityQuantity.value": "72"}, "quantityQuantity.value", "type"),
    ({"quantityQuantity.value": True}, "quantityQuantity.value", "type"),
    ({"quantityQuantity.value": 0}, "quantityQuantity", "value 0: must be more than 0"),
    ({"quantityQuantity.value": -72}, "quantityQuantity", "value -72: must be more than 0"),
    ({"quantityQuantity.value": 8785}, "quantityQuantity", "value 8785: must be at most 8784 hours"),
    ({"quantityQuantity.code": DELETE, "quantityQuantity.unit": "hours"}, "quantityQuantity", "(72 hours)"),
    ({"quantityQuantity.code": "mo"}, "quantityQuantity", "s, min, h, d, wk"),
    ({"quantityQuantity.code": "mg"}, "quantityQuantity", "no single length"),
    ({"quantityQuantity.system": DELETE}, "quantityQuantity", "unitsofmeasure"),
    ({"quantityQuantity.system": "http://example.org"}, "quantityQuantity", "unitsofmeasure"),
    ({"quantityQuantity.comparator": ">="}, "quantityQuantity", "(>= 72)"),
    ({"quantityRange": {"low": {"value": 48}}}, "quantityRange", "no single"),
    ({"quantityRatio": {}}, "quantityRatio", "no single"),
    ({"occurrenceDateTime": "2027-03-02T09:30:00"}, "occurrenceDateTime", "no dateTime"),
    ({"occurrenceDateTime": "2027-03-02T09:30-07:00"}, "occurrenceDateTime", "no dateTime"),
    ({"occurrenceDateTime": "2 March 2027"}, "occurrenceDateTime", "no dateTime"),
    ({"occurrenceDateTime": "2027-02-30"}, "occurrenceDateTime", "day"),
    ({"occurrenceDateTime": "0001-01-01T00:00:00+14:00"}, "occurrenceDateTime", "1900"),
    ({"occurrenceDateTime": "9999-12-31T23:59:59-07:00"}, "occurrenceDateTime", "2200"),
    ({"occurrenceDateTime": "2027-03-02T24:00:00-07:00"}, "occurrenceDateTime", "hour"),
    ({"occurrenceDateTime": "2027-03-02T16:30:00Z"}, "occurrenceDateTime", "zone"),
    ({"occurrenceDateTime": "2027-03-02T16:30:00+00:00"}, "occurrenceDateTime", "zone"),
    ({"occurrenceDateTime": 20270302}, "occurrenceDateTime", "type"),
    ({"occurrenceDateTime": "2027-03-02", "occurrencePeriod": {"start": "2027-03-02"}}, "occurrencePeriod", "one of them"),
    ({"occurrencePeriod": {"start": "2027-03-02T09:30:00-07:00", "end": "2027-03-04T09:30:00-07:00"}}, "quantityQuantity", "48 h"),
    ({"occurrencePeriod": {"start": "2027-03-02T09:30:00-07:00", "end": "2027-03-02T09:30:00-07:00"}}, "occurrencePeriod.end", "not after"),
    ({"occurrenceTiming": {"event": ["2027-03-02"]}}, "occurrenceTiming", "no single start"),
    ({"occurrenceTiming": {"repeat": {"duration": 72, "durationUnit": "h"}}}, "occurrenceTiming", "occurrencePeriod"),
    ({"quantityQuantity": DELETE, "occurrencePeriod": {"start": "2027-03-02T09:30:00-07:00", "end": "2084-03-05T09:30:00-07:00"}}, "quantityQuantity", "at most 8784 hours"),
    ({"identifier": [{"value": "S-2041"}, {"value": "S-2042"}]}, "identifier", "2 numbers"),
    ({"identifier": {"value": "S-2041"}}, "identifier", "type"),
    ({"identifier": [{"value": ""}]}, "identifier[0].value", ">= 1"),
    ({"subject.reference": "#p", "contained": [{"id": "p", "resourceType": "Patient", "identifier": [{"value": "P-2042"}]}]}, "subject", "2 different"),
    ({"occurrenceDateTime": "2027-03-02", "_occurrenceDateTime": {"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/tz-code", "valueCode": "Mountain"}]}}, "occurrence", "Mountain"),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "element", "reason"), REFUSED)
def test_what_cannot_be_taken_is_refused_with_the_element_and_the_reason(
    changes: dict[str, Any], element: str, reason: str, tmp_path: Path
) -> None:
    with pytest.raises(SettingsError) as caught:
        read(tmp_path, request_with(changes))
    where = caught.value.where
    assert where.split(": ", 1)[1].split(" ")[0] == element
    assert reason in str(caught.value)
    assert "order.json" in where


HOSTILE = [
    ("", "not valid JSON"),
    ("[]", "no JSON object"),
    ("{", "line 1"),
    ('{"a": 1, "a": 2}', "the key 'a' is given twice"),
    ('{"a": NaN}', "NaN"),
    ("[" * 200_000, "too large"),
    (json.dumps(MINIMAL).replace("{", '{"\\ud800": 1, ', 1), "surrogates"),
    (json.dumps(MINIMAL).replace("72", "1e999999999999999999999"), "too large"),
    (json.dumps(MINIMAL).replace("72", "1e99999999"), "length"),
    (json.dumps(MINIMAL).replace("72", "1e-99999999"), "length"),
    (json.dumps(MINIMAL).replace("72", "7" * 5000), "length"),
]


@pytest.mark.parametrize(("text", "reason"), HOSTILE)
def test_hostile_json_is_an_error_and_never_a_crash(text: str, reason: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=reason):
        read(tmp_path, text)


def test_a_file_that_is_not_there_or_not_text_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="cannot be read"):
        read_order(tmp_path / "none.json")
    (tmp_path / "order.json").write_bytes(b'{"a": "\xff"}')
    with pytest.raises(SettingsError, match="position 7"):
        read_order(tmp_path / "order.json")


def test_elements_that_are_not_used_are_let_pass_whatever_they_hold(tmp_path: Path) -> None:
    data = request_with({"note": [{"text": "x"}], "contained": [{"resourceType": "X", "identifier": 7}],
                         "performer": "anyone", "asNeededBoolean": True})  # fmt: skip
    found = read(tmp_path, data)
    assert found == replace(read(tmp_path, MINIMAL), sha256=found.sha256)


@given(
    minutes=st.integers(1, 366 * 24 * 60),
    start=st.datetimes(datetime(2000, 1, 1), datetime(2084, 1, 1)),
    zone=st.sampled_from(["America/Denver", "Europe/Vienna", "Asia/Kolkata", "UTC"]),
    study=st.text(min_size=1, max_size=40),
)
def test_an_order_written_as_a_service_request_is_read_back_as_it_was(
    tmp_path_factory: pytest.TempPathFactory, minutes: int, start: datetime, zone: str, study: str
) -> None:
    """The start as an instant in UTC with the zone beside it; what the clock skips is left out."""
    civil = civil_ns(start)
    axis = Axis(zone)
    if not axis.exists(civil):
        civil += 7200 * NS
    instant = axis.instant(civil)
    moment = civil_datetime(instant).isoformat() + "Z"
    data = request_with(
        {
            "quantityQuantity.value": minutes,
            "quantityQuantity.code": "min",
            "identifier": [{"value": study}],
            "occurrenceDateTime": moment,
            "_occurrenceDateTime": {
                "extension": [
                    {"url": "http://hl7.org/fhir/StructureDefinition/tz-code", "valueCode": zone}
                ]
            },
        }
    )
    order = read(tmp_path_factory.mktemp("order"), data)
    assert order.ordered_ns == timedelta(minutes=minutes) // timedelta(microseconds=1) * 1000
    assert order.hookup_civil_ns == civil
    assert (order.study_id, order.patient_code, order.timezone) == (study, "P-2041", zone)
