"""What annotations tell of a stop, and the policy's patterns for it. All texts are invented."""

from __future__ import annotations

import pytest
from helpers_stop import POLICY, Case, note, piece
from msgspec.structs import asdict

from auditor.causes.evidence import KINDS, kind_of
from auditor.core.errors import SettingsError
from auditor.core.units import NS
from auditor.policy.sections import StopSettings
from auditor.policy.toml import parse_toml
from auditor.policy.values import keys_of, validate


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("Supply low", "power_low"),
        ("Battery low", "power_low"),
        ("Recording stopped: supply low", "power_low"),
        ("LOW BATTERY", "power_low"),
        ("Battery level 3 %", "power_low"),
        ("Battery 4.5%", "power_low"),
        ("power failure", "power_low"),
        ("Battery 2 ran out", "power_low"),
        ("Battery 80 %", None),
        ("Battery 55 %", None),
        ("Battery changed", "power_change"),
        ("Power cable unplugged", "supply_unplugged"),
        ("Unplugged from the mains", "supply_unplugged"),
        ("External supply disconnected", "supply_unplugged"),
        ("Replaced both batteries", "power_change"),
        ("External supply connected", "power_change"),
        ("memory full", "card_full"),
        ("No space left", "card_full"),
        ("Not enough free space", "card_full"),
        ("Recording stopped by user", "person"),
        ("Stop button", "person"),
        ("Recording paused", "person"),
        ("patient took off electrodes", "patient"),
        ("Recording stopped by patient", "patient"),
        ("Stopped by P-2041", "patient"),
        ("Caregiver has pulled the plug", "patient"),
        ("Unhooked by patient", "patient"),
        ("Recording stopped by T-12", "technologist"),
        ("Paused by technologist", "technologist"),
        ("Stopped early by the nurse", "technologist"),
        ("Take-down", "technologist"),
        ("Unhooked", "technologist"),
        ("Electrode T8 fell off", "electrode"),
        ("head box unplugged", "electrode"),
        ("Clock adjusted to summer time", "clock"),
        ("Recording ends", "orderly_end"),
        ("System shutdown", "orderly_end"),
        ("Recording starts", "restart"),
        ("Write error", "fault"),
        ("Lights off", None),
        ("Sleep stage W", None),
        ("eyes closed", None),
        ("headache", None),
        ("patient off to the bathroom", None),
        ("fell asleep with full stomach", None),
        ("", None),
    ],
)
def test_an_annotation_is_told_by_the_policys_patterns(text: str, kind: str | None) -> None:
    assert kind_of(text, POLICY.stop) == kind


def test_the_kinds_are_the_policys_lists() -> None:
    assert set(KINDS) == set(asdict(POLICY.stop.patterns))


def told(text: str) -> str:
    return Case([piece("a.edf", (0, 30))], notes=[note(30, text)]).stop().cause.likely_cause


def test_a_hostile_annotation_is_shown_harmless_and_short() -> None:
    text = "Supply low\x1b[31m\u202e" + "x" * 100_000
    stop = Case([piece("a.edf", (0, 30))], notes=[note(30, text)]).stop().cause
    assert stop.likely_cause == "power_exhausted"
    assert "\x1b" not in stop.evidence[0]
    assert "\u202e" not in stop.evidence[0]
    assert len(stop.evidence[0]) < 300


def test_what_stands_far_inside_a_long_annotation_is_not_looked_at() -> None:
    assert told("x" * 480 + " Supply low") == "power_exhausted"
    assert told("x" * 500 + " Supply low") == "not_known"


def test_long_hostile_annotations_cost_no_time() -> None:
    # Texts made to keep a careless pattern busy: 3,000 of them must be over at once.
    texts = ["battery " * 40 + str(i) for i in range(1000)]
    texts += ["no " * 90 + str(i) for i in range(1000)]
    texts += ["changed " + " " * 200 + str(i) for i in range(1000)]
    case = Case([piece("a.edf", (0, 30))], notes=[note(30, t) for t in texts])
    assert case.stop().cause.likely_cause == "not_known"


# The policy's own section.


def stop_settings(text: str) -> StopSettings:
    toml = parse_toml(text.encode(), "lab.toml")
    base = {key: getattr(POLICY.stop, f.name) for key, f in keys_of(StopSettings).items()}
    for key in ("annotation_s", "power_warning_s"):
        base[key] //= NS
    return validate(StopSettings, {**base, **toml.data["stop"]}, toml, ("stop",))


@pytest.mark.parametrize(
    ("pattern", "problem"),
    [
        ("(", "is not a regular expression"),
        ("(a+)+b", "repeats a group"),
        ("(a|aa)*c", "repeats a group"),
        ("(ab){2,}", "repeats a group"),
        ("x*", "matches the empty text"),
        ("y" * 301, "of 1 to 300 characters"),
    ],
)
def test_a_pattern_that_cannot_be_used_is_refused_by_key(pattern: str, problem: str) -> None:
    patterns = asdict(POLICY.stop.patterns) | {"fault": (pattern,)}
    lines = "\n".join(f"{k} = {list(v)!r}" for k, v in patterns.items() if k == "fault")
    rest = "\n".join(f"{k} = ['never']" for k in patterns if k != "fault")
    with pytest.raises(SettingsError, match=problem) as error:
        stop_settings(f"[stop]\n[stop.patterns]\n{rest}\n{lines}\n")
    assert "stop.patterns.fault" in error.value.where


def test_the_default_patterns_are_each_a_list_that_matches_something() -> None:
    for kind, patterns in asdict(POLICY.stop.patterns).items():
        assert patterns, kind
