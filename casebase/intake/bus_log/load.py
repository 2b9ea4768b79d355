"""Bits per second over time, as they were on the bus, and error frames over time, in memory that stays small."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[Any]

MOST_BINS: Final = 100_000
"""A day of seconds; of a longer log two seconds are put into one, and so on."""

BURST_WITHIN_SECONDS: Final = 0.1
"""Error frames no further apart belong to one burst (chosen: some hundred frames at 500 kbit/s)."""

MOST_BURSTS: Final = 200


class OverTime:
    """Sums per second since the beginning of the log; where it is too long for that, per 2, 4, 8 ... seconds."""

    def __init__(self, begin: float) -> None:
        self.begin = begin
        self.seconds_per_bin = 1.0
        self.sums: Numbers = np.zeros(0)

    def add(self, seconds: Numbers, amounts: Numbers) -> None:
        """Add amounts at points of time; what lies before the beginning counts as at the beginning."""
        if not len(seconds):
            return
        after = np.maximum(seconds - self.begin, 0.0)
        while after.max() / self.seconds_per_bin >= MOST_BINS:
            self._coarser()
        found = np.bincount((after / self.seconds_per_bin).astype(np.int64), weights=amounts)
        if len(found) > len(self.sums):
            found[: len(self.sums)] += self.sums
            self.sums = found
        else:
            self.sums[: len(found)] += found

    def _coarser(self) -> None:
        even = np.append(self.sums, np.zeros(len(self.sums) % 2))
        self.sums = even[0::2] + even[1::2]
        self.seconds_per_bin *= 2

    def per_second(self) -> Numbers:
        """Return the sums of each bin per second."""
        return self.sums / self.seconds_per_bin


@dataclass(frozen=True, slots=True)
class Burst:
    """Error frames close together."""

    begin: float
    end: float
    count: int


class ErrorFrames:
    """How many error frames, when, and the bursts they came in."""

    def __init__(self) -> None:
        self.count = 0
        self.classes = 0
        """All classes told, as one set of bits (linux/can/error.h)."""
        self.bursts: list[Burst] = []
        """In order of time; where there are more than 200, only the first ones."""
        self.bursts_seen = 0
        self._open: Burst | None = None

    def add(self, seconds: Numbers, classes: Numbers) -> None:
        """Count error frames in order of time."""
        if not len(seconds):
            return
        self.count += len(seconds)
        self.classes |= int(np.bitwise_or.reduce(classes))
        apart = np.flatnonzero(np.abs(np.diff(seconds)) > BURST_WITHIN_SECONDS)
        begins = np.concatenate([[0], apart + 1]).tolist()
        ends = np.append(apart, len(seconds) - 1).tolist()
        for begin, end in zip(begins, ends, strict=True):
            self._add_burst(Burst(float(seconds[begin]), float(seconds[end]), end - begin + 1))

    def _add_burst(self, new: Burst) -> None:
        last = self._open
        if last is not None and abs(new.begin - last.end) <= BURST_WITHIN_SECONDS:
            self._open = Burst(last.begin, new.end, last.count + new.count)
            return
        self.close()
        self._open = new

    def close(self) -> None:
        """Take note that no more error frames come."""
        if self._open is not None:
            self.bursts_seen += 1
            if len(self.bursts) < MOST_BURSTS:
                self.bursts.append(self._open)
        self._open = None
