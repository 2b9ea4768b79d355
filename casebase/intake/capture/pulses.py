"""From samples to pulses: the lines of a medium as one signal, and where a module drives it and lets it go.

Two thresholds decide, as in a receiver.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.intake.capture.samples import Capture, Samples, Tell
from casebase.record.vocabulary import LINES_OF_MEDIUM, Line, Medium

_DRIVEN_DOWN: Final = (Medium.LIN, Medium.K_LINE)
_ONE_LINE: Final = (Medium.LIN, Medium.K_LINE, Medium.SINGLE_WIRE_CAN)
FRAMES_OF_CAN: Final = (
    Medium.HIGH_SPEED_CAN,
    Medium.J1939,
    Medium.FAULT_TOLERANT_CAN,
    Medium.SINGLE_WIRE_CAN,
    Medium.CAN_FD,
)
"""The media that carry CAN frames."""

LEVELS_OF_HIGH_SPEED: Final = (Medium.HIGH_SPEED_CAN, Medium.J1939, Medium.CAN_FD)
"""The media with the levels of ISO 11898-2."""


@dataclass(frozen=True)
class Wiring:
    """How the rows of a capture become one signal that is higher while a module drives the bus.

    `swapped`: the rows stand the other way round than they are named. `down`: a single line that goes down when it is
    driven. `logic`: the logic side of a transceiver or a logic analyser's channel, which has no line and no volts.
    """

    medium: Medium
    lines: tuple[Line, ...]
    swapped: bool = False
    down: bool = False
    logic: bool = False

    def signal(self, rows: Samples) -> Samples:
        """Return the signal in volts: high less low of a pair, a single line turned so that driven is higher."""
        signal: Samples = rows[0]
        if len(self.lines) == 2:
            signal = rows[1] - rows[0] if self.swapped else rows[0] - rows[1]
        elif self.down:
            signal = -signal
        return signal

    def ordered(self, rows: Samples) -> Samples:
        """Return the rows in the order of `lines`."""
        return rows[::-1] if self.swapped else rows[: max(len(self.lines), 1)]


def wiring_of(medium: Medium) -> Wiring:
    """Return how the lines of a medium are read, all of them captured at the same time."""
    lines = LINES_OF_MEDIUM[medium]
    return Wiring(medium, lines[:1] if medium in _ONE_LINE else lines, down=medium in _DRIVEN_DOWN)


MOST_EDGES: Final = 16_000_000
"""More edges than this are not followed: two minutes of a full bus at 500 kbit/s have fewer."""

Times = NDArray[np.float64]


@dataclass(frozen=True)
class Pulses:
    """Every time the bus was dominant: from `begins[k]` to `ends[k]`, in samples with fractions.

    `begins_dominant`: the capture began within one that is not listed. `torn`: the last one had not ended. `followed`:
    samples looked at, fewer than the capture has where there were too many edges.
    """

    begins: Times
    ends: Times
    followed: int
    begins_dominant: bool = False
    torn: bool = False

    @property
    def gaps_before(self) -> Times:
        """Samples of recessive before each pulse; before the first one from the begin of the capture."""
        if not len(self.begins):
            return self.begins
        first = -np.inf if self.begins_dominant else self.begins[0]
        return np.concatenate(([first], self.begins[1:] - self.ends[:-1]))


class EdgeFinder:
    """Takes a signal block by block; keeps the places where it crosses."""

    def __init__(self, low: float, high: float) -> None:
        self._low, self._high = np.float32(low), np.float32(high)
        self._middle = (low + high) / 2
        self._places: list[Times] = []
        self._first: bool | None = None
        self._state = False
        self._last: tuple[float, bool, bool] = (0.0, False, False)
        self.count = 0

    def take(self, signal: Samples, start: int) -> None:
        """Follow the next block, whose first sample has the place `start`."""
        above, below = signal > self._high, signal < self._low
        if self._first is None:
            self._first = self._state = bool(above[0])
            self._last = float(signal[0]), bool(above[0]), bool(below[0])
        ups, downs = self._starts(above, 1), self._starts(below, 2)
        places = np.concatenate((ups, downs))
        order = np.argsort(places, kind="stable")
        rising = order < len(ups)
        changes = rising != np.concatenate(([self._state], rising[:-1]))
        places, rising = places[order][changes], rising[changes]
        if len(places):
            self._places.append(start + places - self._fraction(signal, places))
            self._state = bool(rising[-1])
            self.count += len(places)
        self._last = float(signal[-1]), bool(above[-1]), bool(below[-1])

    def pulses(self, followed: int) -> Pulses:
        """Return what was dominant."""
        places = np.concatenate(self._places) if self._places else np.empty(0)
        at_first = bool(self._first)
        if at_first:
            places = places[1:]
        torn = len(places) % 2 == 1
        if torn:
            places = np.append(places, float(followed))
        return Pulses(places[0::2], places[1::2], followed, at_first, torn)

    def _starts(self, beyond: NDArray[np.bool_], which: int) -> NDArray[np.intp]:
        """Return where the signal gets beyond a threshold."""
        inside = np.flatnonzero(beyond[1:] > beyond[:-1]) + 1
        return np.concatenate(([0], inside)) if beyond[0] and not self._last[which] else inside

    def _fraction(self, signal: Samples, places: NDArray[np.intp]) -> Times:
        """Return how many samples before its place each crossing of the middle was, on a straight line."""
        after = signal[places].astype(np.float64)
        before = np.where(places > 0, signal[places - 1], self._last[0])
        steps = after - before
        return np.clip((after - self._middle) / np.where(steps == 0.0, 1.0, steps), 0.0, 2.0)


def pulses_in(
    capture: Capture, wiring: Wiring, thresholds: tuple[float, float], tell: Tell | None = None
) -> Pulses:
    """Return every pulse of the capture."""
    finder = EdgeFinder(*thresholds)
    followed = 0
    for start, rows in capture.blocks(tell):
        finder.take(wiring.signal(rows), start)
        followed = start + rows.shape[1]
        if finder.count > MOST_EDGES:
            break
    return finder.pulses(followed)


def without_spikes(pulses: Pulses, least: float) -> Pulses:
    """Return the pulses without those, and without gaps, that are shorter than `least` samples."""
    long = (pulses.ends - pulses.begins) >= least
    begins, ends = pulses.begins[long], pulses.ends[long]
    apart = np.ones(len(begins), dtype=bool)
    apart[1:] = (begins[1:] - ends[:-1]) >= least
    return Pulses(
        begins[apart],
        ends[np.append(apart[1:], True)] if len(ends) else ends,
        pulses.followed,
        pulses.begins_dominant,
        pulses.torn,
    )


def levels_at(pulses: Pulses, places: NDArray[np.floating]) -> NDArray[np.int64]:
    """Return 0 where the line is dominant at a sample, 1 where it is recessive."""
    before = np.searchsorted(pulses.begins, places, side="right") - 1
    inside = (before >= 0) & (places < pulses.ends[np.maximum(before, 0)])
    return np.where(inside, 0, 1)
