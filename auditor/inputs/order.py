"""The order file (TOML), checked at the edge. Nothing is guessed: an unknown key is an error."""

from __future__ import annotations

from datetime import date, datetime, time
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from auditor.core.clock import STUDY_YEARS, civil_ns, zone_info
from auditor.core.errors import SettingsError, UsageError
from auditor.core.text import printable
from auditor.core.units import DAY, HOUR
from auditor.inputs.service_request import read_service_request
from auditor.model import Order, PowerSetup
from auditor.policy.toml import Hours, Share, Strict, TomlText, read_toml, validate

_MAX_ORDERED = 366 * DAY
_Text = Annotated[str, Field(min_length=1, max_length=200)]


class _OrderTable(Strict):
    ordered_hours: Hours
    study_id: _Text | None = None
    patient_code: _Text | None = None
    hookup: datetime | None = None
    timezone: str | None = None
    video: bool | None = None
    monitoring: Literal["unmonitored", "intermittent", "continuous"] | None = None
    minimum_channels: Annotated[int, Field(ge=1, le=1024)] | None = None

    @field_validator("ordered_hours")
    @classmethod
    def _believable(cls, value: int) -> int:
        if not 0 < value <= _MAX_ORDERED:
            raise ValueError("must be more than 0 and at most a year (8784 hours)")
        return value

    @field_validator("hookup", mode="before")
    @classmethod
    def _civil(cls, value: object) -> object:
        if isinstance(value, datetime):
            if value.tzinfo is not None:
                raise ValueError(
                    "must be civil time at the patient, without an offset; "
                    "name the zone in the key timezone"
                )
            if value.year not in STUDY_YEARS:
                raise ValueError(
                    f"must lie in the years {STUDY_YEARS.start} to {STUDY_YEARS.stop - 1}"
                )
            return value
        if isinstance(value, date | time):
            raise ValueError("must be a date and a time of day, such as 2027-03-02T09:30:00")
        return value

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str | None) -> str | None:
        if value is not None:
            try:
                zone_info(value)
            except SettingsError as error:
                raise ValueError(f"{error.problem}. {error.action}") from error
        return value


class _PowerTable(Strict):
    packs: Annotated[int, Field(ge=0, le=100)] = 2
    hours_per_pack: Hours | None = None
    external_hours: Hours = 0
    mode: Literal["card", "card+computer"] = "card"
    mode_factor: Share | None = None
    charges: tuple[Share, ...] = ()

    @field_validator("hours_per_pack", "external_hours")
    @classmethod
    def _possible(cls, value: int | None) -> int | None:
        if value is not None and not 0 <= value <= 10_000 * HOUR:
            raise ValueError("must be from 0 to 10000")
        return value

    @field_validator("mode_factor")
    @classmethod
    def _leaves_something(cls, value: int | None) -> int | None:
        if value == 0:
            raise ValueError("must be more than 0: no mode leaves nothing of a pack's hours")
        return value

    @field_validator("charges", mode="before")
    @classmethod
    def _as_tuple(cls, value: object) -> object:
        return tuple(value) if isinstance(value, list) else value

    @model_validator(mode="after")
    def _one_charge_a_pack(self) -> _PowerTable:
        if self.charges and len(self.charges) != self.packs:
            raise ValueError("charges must give one share for each pack")
        return self


class _LogsTable(Strict):
    monitoring: _Text | None = None
    video: _Text | None = None


class _OrderFile(Strict):
    order: _OrderTable
    power: _PowerTable | None = None
    logs: _LogsTable = _LogsTable()


def order_from_hours(text: str) -> Order:
    """The order that ``--ordered-hours`` gives. Raises ``UsageError`` for anything but a number."""
    shown = printable(text, 60)
    try:
        hours = Decimal(text)
    except InvalidOperation as error:
        raise UsageError(
            "--ordered-hours", f"{shown!r} is not a number", "Write hours, such as 72 or 47.5."
        ) from error
    # Compared before anything is worked out: a number may have a thousand million digits.
    believable = hours.is_finite() and 0 < hours <= _MAX_ORDERED // HOUR
    ordered = int((hours * HOUR).quantize(Decimal(1))) if believable else 0
    if not ordered:
        raise UsageError(
            "--ordered-hours", f"{shown!r} is not more than 0 and at most 8784 hours", ""
        )
    return Order(ordered_ns=ordered, source="command line")


def read_order(
    path: Path,
    *,
    default_pack_ns: int,
    default_factor_ppm: dict[str, int],
    timezone: str | None = None,
) -> Order:
    """Read an order file: TOML, or a hospital's ServiceRequest where the name ends in ``.json``.

    ``default_pack_ns`` and ``default_factor_ppm`` (by mode) come from the policy's power section
    and stand in where the file has a ``[power]`` table without those keys. ``timezone`` is the
    patient's zone where it is known; a ServiceRequest needs it to turn its times into civil time.

    Raises ``SettingsError`` that names the file, the line, the key and the value.
    """
    if path.suffix.lower() == ".json":
        return read_service_request(path, timezone=timezone)
    return order_of(
        read_toml(path),
        path.resolve().parent,
        default_pack_ns=default_pack_ns,
        default_factor_ppm=default_factor_ppm,
    )


def order_of(
    source: TomlText, beside: Path, *, default_pack_ns: int, default_factor_ppm: dict[str, int]
) -> Order:
    """The order that ``source`` holds; its log paths are relative to ``beside``.

    Raises ``SettingsError`` as ``read_order``.
    """
    file = validate(_OrderFile, source.data, source)
    order, power = file.order, file.power
    return Order(
        ordered_ns=order.ordered_hours,
        source="order file",
        study_id=order.study_id,
        patient_code=order.patient_code,
        hookup_civil_ns=None if order.hookup is None else civil_ns(order.hookup),
        timezone=order.timezone,
        video=order.video,
        monitoring=order.monitoring,
        minimum_channels=order.minimum_channels,
        power=None
        if power is None
        else PowerSetup(
            packs=power.packs,
            pack_ns=default_pack_ns if power.hours_per_pack is None else power.hours_per_pack,
            external_ns=power.external_hours,
            mode=power.mode,
            mode_factor_ppm=default_factor_ppm[power.mode]
            if power.mode_factor is None
            else power.mode_factor,
            charges_ppm=power.charges,
        ),
        monitoring_log=_beside(beside, file.logs.monitoring),
        video_log=_beside(beside, file.logs.video),
    )


def _beside(folder: Path, name: str | None) -> str | None:
    return None if name is None else str(folder / name)
