"""What a log says: per channel its duration, load, error frames and identifiers, counted in one pass."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.errors import CaptureError
from casebase.intake.bus_log.frame_bits import frame_bits
from casebase.intake.bus_log.frames import ERROR, ERROR_PASSIVE, EXTENDED, FD, REMOTE, FrameBlock
from casebase.intake.bus_log.log_lines import OnwardClock
from casebase.intake.bus_log.open_log import open_log
from casebase.intake.bus_log.tally import PAUSES_KEPT, ErrorFrames, IdentifierTally, IntervalSample, OverTime

FEWEST_INTERVALS: Final = 5
"""From fewer intervals no period is told (chosen)."""

STEADY_UP_TO: Final = 2.0
"""A sender is steady where 90 % of its intervals are no longer than this many periods (chosen).

Of one that sends at random (exponential intervals) these 90 % go up to 3.3 medians.
"""

GAP_PERIODS: Final = 5.0
GAP_USUAL_LONGEST: Final = 3.0
"""A gap is one from 5 periods on, and from 3 times what 90 % of the intervals keep to (chosen)."""

_PAUSE_SECONDS: Final = 0.2
"""A shorter time without any frame is no pause of the bus (chosen)."""
_ONE_LOG_IN: Final = 1e4
"""Frames lost at random make a gap of an identifier in one log of so many (chosen)."""

_EXTENDED_KEY: Final = 0x8000_0000
Numbers = NDArray[Any]


@dataclass(frozen=True, slots=True, order=True)
class IdentifierKey:
    """An identifier of 11 or of 29 bits."""

    extended: bool
    number: int

    def __str__(self) -> str:
        return f"{self.number:08X}" if self.extended else f"{self.number:03X}"


@dataclass(frozen=True, slots=True)
class Intervals:
    """The spread of an identifier's intervals in seconds: so many per cent are no longer than this."""

    of_5: float
    of_25: float
    median: float
    of_75: float
    of_90: float
    of_95: float
    skipped: float = 0.0
    """Share of intervals of two to four periods, in which frames are missing."""


@dataclass(frozen=True, slots=True)
class Identifier:
    """What a log says of one identifier; times in seconds since the log began."""

    key: IdentifierKey
    count: int
    first: float
    last: float
    lengths: tuple[int, ...]
    """Data lengths seen, in bytes."""
    intervals: Intervals | None
    """None where there are too few."""
    gaps: tuple[tuple[float, float], ...]
    """The longest intervals and when each began, the longest first."""
    fd_frames: int = 0
    error_passive_frames: int = 0
    remote_frames: int = 0

    @property
    def period(self) -> float | None:
        """The median interval."""
        return self.intervals.median if self.intervals else None

    @property
    def jitter(self) -> float | None:
        """Half the width that the middle 90 % of the intervals keep to."""
        return (self.intervals.of_95 - self.intervals.of_5) / 2 if self.intervals else None

    @property
    def steady(self) -> bool:
        """Whether it is sent at a period, so that silence can be told."""
        return self.intervals is not None and 0 < self.intervals.of_90 <= STEADY_UP_TO * self.intervals.median

    @property
    def gap_from(self) -> float:
        """How long an interval must be to count as silence; infinite where that cannot be told."""
        if self.intervals is None or not self.steady:
            return float("inf")
        least = max(GAP_PERIODS * self.intervals.median, GAP_USUAL_LONGEST * self.intervals.of_90)
        return max(least, self.intervals.median * self._most_lost_in_a_row())

    def _most_lost_in_a_row(self) -> float:
        """Return how many periods an interval may have where single frames are lost at random, by its own share."""
        if self.intervals is None or self.intervals.skipped <= 0.0:
            return 0.0
        return 1.0 + float(np.log(self.count * _ONE_LOG_IN) / -np.log(self.intervals.skipped))


class BusTime:
    """Time that goes on only while the bus carries frames: its pauses, and jumps of the log's clock, taken out."""

    def __init__(self, pauses: Sequence[tuple[float, float]]) -> None:
        stops = sorted((begin, length) for length, begin in pauses if length > _PAUSE_SECONDS)
        self._begins = np.array([begin for begin, _ in stops])
        self._lengths = np.array([length for _, length in stops])

    def at(self, moment: float) -> float:
        """Return the bus's time at a moment of the log."""
        return moment - float(np.clip(moment - self._begins, 0.0, self._lengths).sum())

    def between(self, begin: float, end: float) -> float:
        """Return how long the bus carried frames between two moments."""
        return self.at(end) - self.at(begin)


@dataclass(frozen=True)
class BusTraffic:
    """What a log says of one channel; times in seconds since the log began."""

    channel: str
    frames: int
    first: float
    last: float
    identifiers: tuple[Identifier, ...]
    pauses: tuple[tuple[float, float], ...]
    """The longest intervals without any frame and when each began, the longest first."""
    nominal_bits: int
    data_phase_bits: int
    shortest_bits: int
    """All bits, had there been no stuff bits."""
    bits_over_time: OverTime
    data_bits_over_time: OverTime
    error_frames: ErrorFrames
    clock_set_back: int
    fd_frames: int
    switched_frames: int
    error_passive_frames: int
    remote_frames: int

    @cached_property
    def time(self) -> BusTime:
        """The time in which this channel carried frames."""
        return BusTime(self.pauses)

    def identifier(self, key: IdentifierKey) -> Identifier | None:
        """Return what the log says of an identifier, if it has it."""
        return next((one for one in self.identifiers if one.key == key), None)


@dataclass(frozen=True)
class Traffic:
    """What a log says."""

    path: Path
    format_name: str
    begin: float
    """Seconds on the clock of what logged it: since 1970 where it knew the date."""
    duration: float
    frames: int
    tells_error_frames: bool
    buses: tuple[BusTraffic, ...]
    has_times: bool = True
    """Whether its frames bear a time; without one nothing is told of periods."""
    notes: tuple[str, ...] = ()
    """What is said of the file, such as a last line that was left out."""


Progress = Callable[[int, int], None]


def read_traffic(path: Path, progress: Progress | None = None) -> Traffic:
    """Read a log and return what it says.

    `progress` is told bytes done and in all. Raises CaptureError where the log cannot be read to its end.
    """
    log = open_log(path)
    tallies: dict[int, _BusTally] = {}
    begin: float | None = None
    end = 0.0
    frames = 0
    clock = OnwardClock()
    for read in log.blocks(progress) if progress else log.blocks():
        block = clock.onward(read)
        if begin is None:
            begin = float(block.seconds[0])
        end = max(end, float(block.seconds.max()))
        frames += len(block)
        for channel in np.unique(block.channels).tolist():
            part = block.taken(block.channels == channel) if len(log.channels.names) > 1 else block
            tallies.setdefault(channel, _BusTally(begin)).add(part, path)
    start = begin or 0.0
    names = log.channels.names
    buses = tuple(tallies[number].told(names[number], clock.set_back) for number in sorted(tallies))
    return Traffic(
        path,
        log.format_name,
        start,
        max(0.0, end - start),
        frames,
        log.tells_error_frames,
        buses,
        log.has_times,
        tuple(log.notes),
    )


class _BusTally:
    """Counts of one channel while the log goes by."""

    def __init__(self, begin: float) -> None:
        self.begin = begin
        self.frames = 0
        self.bits = np.zeros(3, np.int64)
        self.kinds = dict.fromkeys(("fd", "switched", "passive", "remote"), 0)
        self.last: float | None = None
        self.first = 0.0
        self.identifiers = IdentifierTally()
        self.any_frame = IntervalSample(PAUSES_KEPT)
        self.load, self.data_load = OverTime(begin), OverTime(begin)
        self.errors = ErrorFrames()

    def add(self, block: FrameBlock, path: Path) -> None:
        """Count a block of this channel."""
        is_error = block.having(ERROR)
        if is_error.any():
            self.errors.add(block.seconds[is_error], block.error_classes[is_error])
            block = block.taken(~is_error)
        if not len(block):
            return
        self.frames += len(block)
        self._add_pauses(block.seconds)
        self._add_bits(block)
        keys = block.identifiers | np.where(block.having(EXTENDED), np.uint32(_EXTENDED_KEY), np.uint32(0))
        marks = {
            "fd": block.having(FD),
            "error_passive": block.having(ERROR_PASSIVE),
            "remote": block.having(REMOTE),
        }
        try:
            self.identifiers.add(keys, block.seconds, np.minimum(block.lengths, 64), marks)
        except CaptureError as error:
            raise CaptureError(f"{path}: {error}") from None

    def _add_pauses(self, seconds: Numbers) -> None:
        if self.last is None:
            self.first = float(seconds[0])
        before = np.concatenate([[seconds[0] if self.last is None else self.last], seconds[:-1]])
        intervals = seconds - before
        self.any_frame.add_longest(intervals, before)
        self.last = float(seconds[-1])

    def _add_bits(self, block: FrameBlock) -> None:
        bits = frame_bits(block)
        for place, counted in enumerate((bits.nominal, bits.data_phase, bits.shortest)):
            self.bits[place] += int(counted.sum(dtype=np.int64))
        self.load.add(block.seconds, bits.nominal)
        if bits.data_phase.any():
            self.data_load.add(block.seconds, bits.data_phase)
            self.kinds["switched"] += int((bits.data_phase > 0).sum())
        for name, kind in (("fd", FD), ("passive", ERROR_PASSIVE), ("remote", REMOTE)):
            self.kinds[name] += int(block.having(kind).sum())

    def told(self, channel: str, clock_set_back: int) -> BusTraffic:
        """Return what was counted."""
        self.errors.close()
        tally, begin = self.identifiers, self.begin
        keys = tally.keys.tolist()
        last = self.last if self.last is not None else begin
        return BusTraffic(
            channel=channel,
            frames=self.frames,
            first=self.first - begin if self.frames else 0.0,
            last=last - begin,
            identifiers=tuple(_identifier(tally, key, begin) for key in keys),
            pauses=tuple((length, start - begin) for length, start in self.any_frame.longest),
            nominal_bits=int(self.bits[0]),
            data_phase_bits=int(self.bits[1]),
            shortest_bits=int(self.bits[2]),
            bits_over_time=self.load,
            data_bits_over_time=self.data_load,
            error_frames=self.errors,
            clock_set_back=clock_set_back,
            fd_frames=self.kinds["fd"],
            switched_frames=self.kinds["switched"],
            error_passive_frames=self.kinds["passive"],
            remote_frames=self.kinds["remote"],
        )


def _identifier(tally: IdentifierTally, key: int, begin: float) -> Identifier:
    row = tally.row_of(key)
    sample = tally.samples[row]
    enough = len(sample.intervals) >= FEWEST_INTERVALS
    shares = np.quantile(sample.intervals, (0.05, 0.25, 0.5, 0.75, 0.9, 0.95)).tolist() if enough else None
    if shares:
        periods = sample.intervals / max(shares[2], 1e-9)
        shares.append(float(np.mean((periods > 1.5) & (periods < 4.5))))
    return Identifier(
        key=IdentifierKey(bool(key & _EXTENDED_KEY), key & ~_EXTENDED_KEY),
        count=int(tally.counts[row]),
        first=float(tally.first[row]) - begin,
        last=float(tally.last[row]) - begin,
        lengths=tuple(np.flatnonzero(tally.lengths[row]).tolist()),
        intervals=Intervals(*shares) if shares else None,
        gaps=tuple((length, start - begin) for length, start in sample.longest),
        fd_frames=int(tally.fd[row]),
        error_passive_frames=int(tally.error_passive[row]),
        remote_frames=int(tally.remote[row]),
    )
