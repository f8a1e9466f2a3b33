"""What could be read: channel states by second, summed by hour and for the study."""

from __future__ import annotations

from msgspec import Struct

from auditor.core.fields import Instant, Named, Ours
from auditor.core.intervals import Interval, Times
from auditor.model.recording import is_reference


class ChannelFacts(Struct, frozen=True):
    """One channel over the whole study. Times in nanoseconds of recorded time.

    The states are separate judgements and may hold together; with signal is what is neither flat
    nor saturated. ``hourly`` has one tuple per entry of ``Audit.hours``: (signal, flat, saturated,
    mains, large) in nanoseconds. ``lost_at`` is the instant from which it carried no signal for
    good. ``label`` is the file's own, ``electrode`` the standard name, ``None`` for channels that
    are no EEG.
    """

    label: Named
    electrode: Ours | None
    signal_ns: int
    flat_ns: int
    saturated_ns: int
    mains_ns: int
    large_ns: int
    recorded_ns: int
    lost_at: Instant | None
    hourly: tuple[tuple[int, int, int, int, int], ...]
    doubtful_from: Instant | None = None
    """The instant from which the channel was flat, saturated, full of mains or too large for
    nearly all (policy share) of the time until the end, as an electrode that has come off is."""

    @property
    def is_eeg(self) -> bool:
        """Whether this channel carries EEG."""
        return self.electrode is not None


class HourFacts(Interval, frozen=True):
    """One civil clock hour. ``usable_ns`` is ``None`` where the signal was not scanned."""

    recorded_ns: int
    usable_ns: int | None
    clean_ns: int | None = None


class NightFacts(HourFacts, frozen=True):
    """One night (policy hours) clipped to the span."""


class BadStretch(Interval, frozen=True):
    """A stretch worth marking in the reader's own tools. ``state`` is a signal state's word."""

    state: Ours
    channels: tuple[Named, ...]


class SignalFacts(Struct, frozen=True):
    """Usable time; ``usable`` and ``clean`` are plain pairs on the study axis.

    A second is usable where at least ``needed_channels`` EEG channels carry signal, and clean where
    as many also are free of mains and of implausible size. References (ears, mastoids) are no such
    channels. With ``scanned`` false every figure but the two numbers of channels is zero, empty or
    ``None`` and means 'not known'.
    """

    scanned: bool
    needed_channels: int
    usable_ns: int = 0
    clean_ns: int = 0
    montage_channels: int = 0
    """EEG channels recorded, references left out: the whole that ``needed_channels`` is of."""
    channels: tuple[ChannelFacts, ...] = ()
    usable: Times | None = None
    clean: Times | None = None
    longest_usable_run: Interval | None = None
    below_minimum_from: Instant | None = None
    """The instant from which fewer than the minimum were live until the end, or ``None``."""
    bad_stretches: tuple[BadStretch, ...] = ()

    @property
    def montage(self) -> tuple[ChannelFacts, ...]:
        """The EEG channels that count: no references."""
        return tuple(c for c in self.channels if c.is_eeg and not is_reference(c.electrode))

    @property
    def channels_with_signal(self) -> int | None:
        """How many of the montage carried signal at any time; ``None`` where not scanned."""
        return sum(c.signal_ns > 0 for c in self.montage) if self.scanned else None
