"""A clock for work that one core does alone: processor time, which other programs on the machine hardly change.

What is measured here is one thread that never waits, so processor time is wall time on an idle machine. `excess`
tells how far the two lay apart.
"""

from __future__ import annotations

import os
import statistics
import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Final, TypeVar

ONE_THREAD: Final = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
SLOW: Final = 1.0
"""Seconds from which work is done once instead of `TIMES`."""

TIMES: Final = 3

Item = TypeVar("Item")


def on_one_core() -> None:
    """Keep this process to one core and one thread; it begins again where NumPy was not told so from the start."""
    if all(os.environ.get(name) == wanted for name, wanted in ONE_THREAD.items()):
        return
    os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    os.execve(sys.executable, [sys.executable, *sys.argv], os.environ | ONE_THREAD)


@dataclass
class Clock:
    """Takes the time of work, and keeps processor and wall seconds of everything that it timed."""

    processor: float = 0.0
    wall: float = 0.0

    def seconds(self, work: Callable[[], object]) -> float:
        """Return the processor seconds that work takes, the least of several times unless it is slow."""
        found = self._once(work)
        for _ in range(0 if found > SLOW else TIMES - 1):
            found = min(found, self._once(work))
        return found

    def each(self, work: Callable[[Item], object], items: Iterable[Item], budget: float = 1e9) -> Times:
        """Return the times of work on each item; no more begins once `budget` wall seconds are over."""
        times, begun = Times(), time.perf_counter()
        for item in items:
            times.seconds.append(self.seconds(lambda item=item: work(item)))  # type: ignore[misc]
            if time.perf_counter() - begun > budget:
                break
        return times

    @property
    def excess(self) -> float:
        """Wall over processor time."""
        return self.wall / self.processor if self.processor else 1.0

    def _once(self, work: Callable[[], object]) -> float:
        wall, processor = time.perf_counter(), time.process_time()
        work()
        found = time.process_time() - processor
        self.processor += found
        self.wall += time.perf_counter() - wall
        return found


@dataclass
class Times:
    """Seconds of the same work on several items."""

    seconds: list[float] = field(default_factory=list)

    @property
    def median(self) -> float:
        """The median in milliseconds."""
        return 1000 * statistics.median(self.seconds)

    @property
    def worst(self) -> float:
        """The most in milliseconds."""
        return 1000 * max(self.seconds)

    def __str__(self) -> str:
        """Return median and worst, in milliseconds."""
        return f"{self.median:.{_decimals(self.median)}f} ({self.worst:.{_decimals(self.worst)}f})"


def _decimals(milliseconds: float) -> int:
    return 2 if milliseconds < 1 else 1 if milliseconds < 100 else 0


def markdown(head: Iterable[str], rows: Iterable[Iterable[object]]) -> str:
    """Return a table."""
    lines = [list(map(str, row)) for row in (head, *rows)]
    lines.insert(1, ["---"] * len(lines[0]))
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)
