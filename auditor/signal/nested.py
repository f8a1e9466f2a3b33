"""Seconds that nest in records: the usual case, judged in place without copying the samples.

Most seconds of a good recording are neither quiet, nor near a limit, nor large, and that can be
seen cheaply: a few samples that differ show that a second is not quiet, and the extremes of all
channels together, then of a few, show that none of them is saturated or large. Only the rest is
looked at sample by sample. The answer is the same as if every second had been.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from auditor.core.units import NS
from auditor.model import Int64, Recording
from auditor.policy.signal import SignalSettings
from auditor.signal.hum import HumRoom, mark_hum
from auditor.signal.states import Flags, Group, Limits, Samples, gathered, judge_extremes

_PROBES = 3
"""Samples of a second looked at first."""
_BUNCH = 1024
"""Samples whose extremes are taken together where those of a whole record were not enough."""
_MANY = 0.25
"""Share of seconds to be looked at closely from which on all are: then gathering costs more."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a group's samples lie in a record of ``record_samples``.

    ``fine`` are the first samples of each channel's seconds (channels x seconds,), ``coarse`` those
    of each bunch of ``bunch`` channels, ``whole`` the first of all; each with the group's end as
    last entry where the record goes on behind it. ``strict`` and ``strictest`` are the limits that
    hold for every channel of a bunch, and for all. ``length`` is the number of samples in a second.
    """

    record_samples: int
    seconds: int
    length: int
    fine: Int64
    coarse: Int64
    whole: Int64
    bunch: int
    strict: Limits
    strictest: Limits


def nested_places(recording: Recording, groups: tuple[Group, ...]) -> tuple[Place, ...] | None:
    """Each group's place, or ``None`` where seconds do not nest evenly in records."""
    seconds, rest = divmod(recording.record_ns, NS)
    if rest or any(g.samples_per_record % seconds for g in groups):
        return None
    record_samples = recording.record_bytes // recording.sample_bytes
    return tuple(_place(group, seconds, record_samples) for group in groups)


def _place(group: Group, seconds: int, record_samples: int) -> Place:
    each, first = group.samples_per_record, group.offset_samples
    end = first + group.channels * each
    behind = [end] if end < record_samples else []
    bunch = max(1, min(group.channels, _BUNCH // each))
    length = each // seconds
    return Place(
        record_samples,
        seconds,
        length,
        np.array([*range(first, end, length), *behind], np.int64),
        np.array([*range(first, end, bunch * each), *behind], np.int64),
        np.array([first, *behind], np.int64),
        bunch,
        group.limits.together(bunch),
        group.limits.together(group.channels),
    )


def judge_nested(
    flat: Samples,
    records: int,
    place: Place,
    group: Group,
    settings: SignalSettings,
    room: HumRoom,
    out: Flags,
) -> None:
    """States of one group's channels in whole records.

    ``flat`` is (records x record samples,). ``out``, (records x seconds, channels of the group),
    all 0, is written where there is something to say; its rows are the records' seconds in order.
    """
    view = _seconds_view(flat, records, place, group)
    close = _hardly_changing(view, group.limits.quiet)
    rows = flat.reshape(records, place.record_samples)
    _add_striking(rows, place, group, close)
    flags: Flags = np.zeros(close.shape, np.uint8)
    wanted = int(np.count_nonzero(close))
    if wanted > _MANY * close.size:
        flags = _every_second(rows, place, group, settings, view)
    elif wanted:
        _some_seconds(close, view, group, settings, flags)
    if group.mains_hz:
        columns = group.hum_columns
        mark_hum(view[:, columns], group, settings, room, flags[:, columns])
    by_second = out.reshape(records, place.seconds, group.channels).swapaxes(1, 2)
    for channel in np.flatnonzero(flags.any(axis=(0, 2))):
        by_second[:, channel] = flags[:, channel]


def _seconds_view(flat: Samples, records: int, place: Place, group: Group) -> Samples:
    """The group's samples without a copy, shape (records, channels, seconds, samples)."""
    size, length = flat.itemsize, place.length
    return np.ndarray(
        (records, group.channels, place.seconds, length),
        flat.dtype,
        flat,
        group.offset_samples * size,
        (place.record_samples * size, group.samples_per_record * size, length * size, size),
    )


def _hardly_changing(view: Samples, quiet: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Seconds whose probed samples differ by no more than ``quiet``; (records, channels, seconds).

    ``quiet`` has shape (channels, 1). A second that holds no larger change is always among them.
    """
    length = view.shape[-1]
    first = view[..., 0].astype(np.int32)
    found = np.ones(first.shape, np.bool_)
    for probe in range(1, min(_PROBES, length)):
        found &= np.abs(view[..., probe * length // _PROBES] - first) <= quiet
    return found


def _add_striking(rows: Samples, place: Place, group: Group, found: NDArray[np.bool_]) -> None:
    """Add channels that may touch a limit or span a large range; (records, channels, seconds)."""
    records = len(rows)
    struck = _strikes(rows, place.whole, place.strictest)[:, 0]
    chosen = np.flatnonzero(struck)
    if not len(chosen):
        return
    if len(chosen) * 2 < records:
        rows = rows[chosen]
    else:  # gathering most of them costs more than looking at all
        chosen = np.arange(records)
    bunches = _strikes(rows, place.coarse, place.strict)
    found[chosen] |= np.repeat(bunches, place.bunch, axis=1)[:, : group.channels, None]


def _strikes(rows: Samples, starts: Int64, limits: Limits) -> NDArray[np.bool_]:
    """Which parts touch a limit of ``limits`` (parts, 1) or span a large range; (rows, parts)."""
    low, high = _extremes(rows, starts, len(limits.low))
    found: NDArray[np.bool_] = low <= limits.low[:, 0]
    found |= high >= limits.high[:, 0]
    found |= high - low > limits.large[:, 0]
    return found


def _extremes(
    rows: Samples, starts: Int64, parts: int
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Lowest and highest sample of each part of each row, both of shape (rows, parts).

    A row of ``rows`` (rows, samples) is cut at ``starts``; what begins behind the last of the
    ``parts`` is not looked at.
    """
    count, every = len(rows), rows.reshape(-1)
    cuts = (np.arange(count)[:, None] * rows.shape[1] + starts).ravel()
    low, high = (
        least.reduceat(every, cuts).reshape(count, -1)[:, :parts].astype(np.int32)
        for least in (np.minimum, np.maximum)
    )
    return low, high


def _every_second(
    rows: Samples, place: Place, group: Group, settings: SignalSettings, view: Samples
) -> Flags:
    """Every second by its own extremes, shape (records, channels, seconds)."""
    low, high = _extremes(rows, place.fine, group.channels * place.seconds)

    def at_limits(record: Int64, channel: Int64, second: Int64) -> Int64:
        return group.limits.of(channel).count(view[record, channel, second])

    shape = view.shape[:-1]
    return judge_extremes(
        low.reshape(shape), high.reshape(shape), place.length, group.limits, at_limits, settings
    )


def _some_seconds(
    chosen: NDArray[np.bool_],
    view: Samples,
    group: Group,
    settings: SignalSettings,
    out: Flags,
) -> None:
    """Only the ``chosen`` of ``out``, both (records, channels, seconds)."""
    for here, values in gathered(view, chosen):
        limits = group.limits.of(here[1])
        low = values.min(axis=1).astype(np.int32)[:, None]
        high = values.max(axis=1).astype(np.int32)[:, None]

        def at_limits(
            row: Int64, _: Int64, values: Samples = values, limits: Limits = limits
        ) -> Int64:
            return limits.of(row).count(values[row])

        flags = judge_extremes(low, high, view.shape[-1], limits, at_limits, settings)
        out[here] = flags[:, 0]
