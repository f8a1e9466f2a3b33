"""Seconds that nest in records: the usual case, judged in place without copying the samples.

Most seconds of a good recording are neither quiet, nor near a limit, nor large, and that can be
seen cheaply: a few samples that differ show that a second is not quiet, and the extremes of several
channels together show that none of them is railed or large. Only the rest is looked at sample by
sample. The answer is the same as if every second had been.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from auditor.model import Int64, Recording
from auditor.policy.signal import SignalSettings
from auditor.signal.blocks import HUM_ROOM, Workspace
from auditor.signal.hum import hum_share, mark_hum
from auditor.signal.states import Flags, Group, Limits, Samples, judge_extremes
from auditor.units import NS

_PROBES = 4
"""Samples of a second looked at first."""
_BUNCH = 1024
"""Samples whose extremes are taken together: enough that the cost of a call does not show."""
_MANY = 0.25
"""Share of seconds to be looked at closely from which on all are: then gathering costs more."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a group's samples lie in a record of ``record_samples``.

    ``fine`` are the first samples of each channel's seconds (channels x seconds,), ``coarse`` those
    of each bunch of ``bunch`` channels, both with the group's end as last entry where the record
    goes on behind it. ``length`` is the number of samples in a second.
    """

    record_samples: int
    seconds: int
    length: int
    fine: Int64
    coarse: Int64
    bunch: int


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
        bunch,
    )


def judge_nested(
    flat: Samples,
    records: int,
    place: Place,
    group: Group,
    settings: SignalSettings,
    space: Workspace,
    out: Flags,
) -> None:
    """States of one group's channels in whole records.

    ``flat`` is (records x record samples,). ``out``, (records x seconds, channels of the group), is
    written; its rows are the records' seconds in order.
    """
    view = _seconds_view(flat, records, place, group)
    first, span = _probed(view)
    close = span <= group.limits.quiet
    close |= _striking(flat, records, place, group)[:, :, None]
    by_second = out.reshape(records, place.seconds, group.channels).swapaxes(1, 2)
    by_second[...] = 0
    wanted = int(np.count_nonzero(close))
    if wanted > _MANY * close.size:
        by_second[...] = _every_second(flat, records, place, group, settings, view)
    elif wanted:
        _some_seconds(np.nonzero(close), view, group, settings, by_second)
    if group.mains_hz:
        _judge_hum(view, first, span, group, settings, space, by_second)


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


def _probed(view: Samples) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """A second's first sample, and the range of its first and a few others."""
    length = view.shape[-1]
    first = view[..., 0].astype(np.int32)
    low, high = first, first
    for probe in range(1, min(_PROBES, length)):
        value = view[..., probe * length // _PROBES]
        low, high = np.minimum(low, value), np.maximum(high, value)
    return first, high - low


def _striking(flat: Samples, records: int, place: Place, group: Group) -> NDArray[np.bool_]:
    """Channels of a bunch that touches a limit or spans a large range; (records, channels)."""
    starts = (np.arange(records)[:, None] * place.record_samples + place.coarse).ravel()
    bunches = -(-group.channels // place.bunch)
    low = np.minimum.reduceat(flat, starts).reshape(records, -1)[:, :bunches].astype(np.int32)
    high = np.maximum.reduceat(flat, starts).reshape(records, -1)[:, :bunches].astype(np.int32)
    firsts = np.arange(0, group.channels, place.bunch)
    limits = group.limits
    found = low <= np.maximum.reduceat(limits.low[:, 0], firsts)
    found |= high >= np.minimum.reduceat(limits.high[:, 0], firsts)
    found |= high - low > np.minimum.reduceat(limits.large[:, 0], firsts)
    return np.repeat(found, place.bunch, axis=1)[:, : group.channels]


def _every_second(
    flat: Samples,
    records: int,
    place: Place,
    group: Group,
    settings: SignalSettings,
    view: Samples,
) -> Flags:
    """Every second by its own extremes, shape (records, channels, seconds)."""
    starts = (np.arange(records)[:, None] * place.record_samples + place.fine).ravel()
    held = group.channels * place.seconds

    def extremes(least: np.ufunc) -> NDArray[np.int32]:
        found = least.reduceat(flat, starts).reshape(records, -1)[:, :held]
        return found.reshape(records, group.channels, place.seconds).astype(np.int32)

    def at_limits(record: Int64, channel: Int64, second: Int64) -> Int64:
        return group.limits.of(channel).count(view[record, channel, second])

    return judge_extremes(
        extremes(np.minimum), extremes(np.maximum), place.length, group.limits, at_limits, settings
    )


def _some_seconds(
    chosen: tuple[Int64, ...], view: Samples, group: Group, settings: SignalSettings, out: Flags
) -> None:
    """Only the ``chosen`` (records, channels, seconds), gathered."""
    step = max(1, HUM_ROOM // view.shape[-1])
    for first in range(0, len(chosen[0]), step):
        here = tuple(index[first : first + step] for index in chosen)
        values, limits = view[here], group.limits.of(here[1])
        low = values.min(axis=1).astype(np.int32)[:, None]
        high = values.max(axis=1).astype(np.int32)[:, None]

        def at_limits(
            row: Int64, _: Int64, values: Samples = values, limits: Limits = limits
        ) -> Int64:
            return limits.of(row).count(values[row])

        flags = judge_extremes(low, high, view.shape[-1], limits, at_limits, settings)
        out[here] = flags[:, 0]


def _judge_hum(
    view: Samples,
    first: NDArray[np.int32],
    span: NDArray[np.int32],
    group: Group,
    settings: SignalSettings,
    space: Workspace,
    out: Flags,
) -> None:
    """Hum, a few records at a time. ``first``, ``span``, ``out``: (records, channels, seconds)."""
    columns = group.hum_columns
    wanted = view[:, columns]
    per_record = wanted[0].size
    step = max(1, HUM_ROOM // per_record)
    room = space.float_room(step * per_record)
    for start in range(0, len(view), step):
        here = slice(start, start + step)
        share = hum_share(wanted[here], first[here, columns], span[here, columns], group, room)
        mark_hum(share, group, settings, out[here, columns])
