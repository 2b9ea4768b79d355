"""What is counted of each identifier while a log goes by, in memory that does not grow with the log."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.errors import CaptureError

MOST_IDENTIFIERS: Final = 20_000
"""Far more than any bus has: a log that names more is noise, or many buses in one."""

SAMPLED_INTERVALS: Final = 4096
"""How many intervals of an identifier are kept; of more, every one with the same chance."""

GAPS_KEPT: Final = 16
_HIGHEST_LENGTH: Final = 64

Numbers = NDArray[Any]


class IntervalSample:
    """A fair sample of one sender's intervals, and the longest of them with when each began."""

    def __init__(self) -> None:
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
        least = self.longest[-1][0] if len(self.longest) == GAPS_KEPT else 0.0
        longer = np.flatnonzero(intervals > least)
        if len(longer) > GAPS_KEPT:
            longer = longer[np.argpartition(intervals[longer], -GAPS_KEPT)[-GAPS_KEPT:]]
        if len(longer):
            found = zip(intervals[longer].tolist(), starts[longer].tolist(), strict=True)
            self.longest = sorted([*self.longest, *found], reverse=True)[:GAPS_KEPT]


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
