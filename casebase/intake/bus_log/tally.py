"""What is counted while a log goes by, in bounded memory: identifiers, bits over time, error frames."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.errors import CaptureError

MOST_IDENTIFIERS: Final = 20_000
"""Far more than any bus has: a log that names more is noise, or many buses in one."""

SAMPLED_INTERVALS: Final = 4096
"""How many intervals of an identifier are kept; of more, every one with the same chance."""

GAPS_KEPT: Final = 64
PAUSES_KEPT: Final = 1000
_HIGHEST_LENGTH: Final = 64

Numbers = NDArray[Any]


class IntervalSample:
    """A fair sample of one sender's intervals, and the longest of them with when each began."""

    def __init__(self, kept: int = GAPS_KEPT) -> None:
        self.kept = kept
        self.share = 1.0
        self.intervals: Numbers = np.zeros(0)
        self._lots: Numbers = np.zeros(0)
        self.longest: list[tuple[float, float]] = []

    def add(self, intervals: Numbers, starts: Numbers, lots: Numbers) -> None:
        """Take in intervals, when each began, and a lot drawn for each from 0 to 1."""
        drawn = lots < self.share if self.share < 1 else slice(None)
        self.intervals = np.concatenate([self.intervals, intervals[drawn]])
        self._lots = np.concatenate([self._lots, lots[drawn]])
        while len(self.intervals) > SAMPLED_INTERVALS:
            self.share /= 2
            kept = self._lots < self.share
            self.intervals, self._lots = self.intervals[kept], self._lots[kept]
        self.add_longest(intervals, starts)

    def add_longest(self, intervals: Numbers, starts: Numbers) -> None:
        """Take in the longest of some intervals alone."""
        least = self.longest[-1][0] if len(self.longest) == self.kept else 0.0
        longer = np.flatnonzero(intervals > least)
        if len(longer) > self.kept:
            longer = longer[np.argpartition(intervals[longer], -self.kept)[-self.kept :]]
        if len(longer):
            found = zip(intervals[longer].tolist(), starts[longer].tolist(), strict=True)
            self.longest = sorted([*self.longest, *found], reverse=True)[: self.kept]


class IdentifierTally:
    """Counts of every identifier of one channel, one row each; rows are numbered as identifiers turn up."""

    def __init__(self) -> None:
        self.keys: Numbers = np.zeros(0, np.uint32)
        """Sorted: the identifier, with bit 31 set where it has 29 bits."""
        self._rows_of_keys: Numbers = np.zeros(0, np.int64)
        self.counts: Numbers = np.zeros(0, np.int64)
        self.first: Numbers = np.zeros(0)
        self.last: Numbers = np.zeros(0)
        self.lengths: Numbers = np.zeros((0, _HIGHEST_LENGTH + 1), bool)
        self.fd: Numbers = np.zeros(0, np.int64)
        self.error_passive: Numbers = np.zeros(0, np.int64)
        self.remote: Numbers = np.zeros(0, np.int64)
        self.samples: list[IntervalSample] = []
        self._chance = np.random.default_rng(0)

    def add(self, keys: Numbers, seconds: Numbers, lengths: Numbers, marks: dict[str, Numbers]) -> None:
        """Count frames; `marks` says of some (`fd`, `error_passive`, `remote`) which frames bear them."""
        rows = self._rows(keys)
        size = len(self.counts)
        self.counts += np.bincount(rows, minlength=size)
        self.lengths[rows, lengths] = True
        for name, bears in marks.items():
            if bears.any():
                getattr(self, name)[:] += np.bincount(rows[bears], minlength=size)
        self._add_times(rows, seconds)

    def row_of(self, key: int) -> int:
        """Return the row of an identifier's key."""
        return int(self._rows_of_keys[np.searchsorted(self.keys, key)])

    def _rows(self, keys: Numbers) -> Numbers:
        if not self._all_known(keys):
            self._add_new(np.setdiff1d(keys, self.keys))
        return self._rows_of_keys[np.searchsorted(self.keys, keys)]

    def _all_known(self, keys: Numbers) -> bool:
        if not len(self.keys):
            return False
        at = np.minimum(np.searchsorted(self.keys, keys), len(self.keys) - 1)
        return bool((self.keys[at] == keys).all())

    def _add_new(self, new: Numbers) -> None:
        count = len(self.counts)
        if count + len(new) > MOST_IDENTIFIERS:
            raise CaptureError(
                f"more than {MOST_IDENTIFIERS} identifiers on one channel: no bus has so many; expected the log of one"
                " bus, not noise or several put together"
            )
        keys = np.concatenate([self.keys, new])
        rows = np.concatenate([self._rows_of_keys, np.arange(count, count + len(new))])
        order = np.argsort(keys)
        self.keys, self._rows_of_keys = keys[order], rows[order]
        for name in ("counts", "fd", "error_passive", "remote"):
            setattr(self, name, np.concatenate([getattr(self, name), np.zeros(len(new), np.int64)]))
        self.first = np.concatenate([self.first, np.full(len(new), np.nan)])
        self.last = np.concatenate([self.last, np.full(len(new), np.nan)])
        self.lengths = np.concatenate([self.lengths, np.zeros((len(new), _HIGHEST_LENGTH + 1), bool)])
        self.samples += [IntervalSample() for _ in new]

    def _add_times(self, rows: Numbers, seconds: Numbers) -> None:
        # 16-bit numbers are sorted by counting, which is many times faster.
        order = np.argsort(rows.astype(np.uint16), kind="stable")
        sorted_rows, times = rows[order], seconds[order]
        begins = np.flatnonzero(np.diff(sorted_rows, prepend=-1))
        before = np.concatenate([[np.nan], times[:-1]])
        before[begins] = self.last[sorted_rows[begins]]
        intervals = times - before
        lots = self._chance.random(len(times), np.float32)
        ends = np.append(begins[1:], len(times))
        for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
            self._add_of_one(int(sorted_rows[begin]), slice(begin, end), (times, before, intervals, lots))

    def _add_of_one(self, row: int, part: slice, columns: tuple[Numbers, Numbers, Numbers, Numbers]) -> None:
        times, before, intervals, lots = (column[part] for column in columns)
        if np.isnan(self.first[row]):
            self.first[row] = times[0]
            before, intervals, lots = before[1:], intervals[1:], lots[1:]
        self.last[row] = times[-1]
        if intervals.size and intervals.min() < 0:
            # The clock was set back: what lies between is no interval.
            forward = intervals >= 0
            before, intervals, lots = before[forward], intervals[forward], lots[forward]
        self.samples[row].add(intervals, before, lots)


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
