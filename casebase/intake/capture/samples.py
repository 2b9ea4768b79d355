"""The samples of a capture, whatever file they stand in: read in parts, so that memory stays bounded."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import TracebackType
from typing import Final, Self, TypeAlias

import numpy as np
from numpy.typing import NDArray

from casebase.errors import CaptureError

Samples: TypeAlias = NDArray[np.float32]
Read: TypeAlias = Callable[[int, int], Samples]
"""Returns the samples from one place to before another: an array of one row per channel."""
Tell: TypeAlias = Callable[[int, int], None]
"""Takes note of how many samples of how many are done."""

BLOCK: Final = 1 << 17
"""Samples of a block: small enough that what is computed from one stays in the processor's cache."""

FEWEST: Final = 50
"""Fewer samples tell nothing of a bus."""


@dataclass(frozen=True)
class Wanted:
    """What the user says about a file. Columns are numbers from 1, or names; 0 or None: not said.

    `scale` multiplies every level (10 where a probe divided by ten unknown to the scope); `volts_full_scale` is what
    the largest whole number of a file without volts stands for.
    """

    time: str | None = None
    high: str | None = None
    low: str | None = None
    samples_per_second: float | None = None
    scale: float = 1.0
    volts_full_scale: float | None = None

    def check(self) -> None:
        """Raise `CaptureError` where a figure given cannot be."""
        figures = {
            "samples per second": self.samples_per_second,
            "the scale": self.scale,
            "volts at full scale": self.volts_full_scale,
        }
        for name, value in figures.items():
            if value is not None and not (np.isfinite(value) and value > 0):
                raise CaptureError(f"{name} given as {value}: expected a number above 0")


@dataclass(frozen=True)
class Capture:
    """A capture that is open for reading. Use as a context manager, or call `close`.

    `volts_known` is False where the file holds whole numbers of which nobody said how many volts they are. `notes`
    tell what was taken for granted.
    """

    path: Path
    seconds_per_sample: float
    count: int
    channels: int
    read_rows: Read
    volts_known: bool = True
    scale: float = 1.0
    notes: tuple[str, ...] = ()
    names: tuple[str, ...] = ()
    at_end: Callable[[], None] = field(default=lambda: None)

    def read(self, start: int, stop: int) -> Samples:
        """Return samples `start` to before `stop` in volts, one row per channel."""
        rows = self.read_rows(start, stop)
        return rows * np.float32(self.scale) if self.scale != 1.0 else rows

    def blocks(self, tell: Tell | None = None, *, check: bool = False) -> Iterator[tuple[int, Samples]]:
        """Yield (place of the first sample, block) from begin to end; `check`: raise where a sample is no number."""
        for start in range(0, self.count, BLOCK):
            stop = min(start + BLOCK, self.count)
            rows = self.read(start, stop)
            if check and not all(np.isfinite(row.sum()) for row in rows):
                raise CaptureError(self._not_finite(rows, start))
            yield start, rows
            if tell:
                tell(stop, self.count)

    def close(self) -> None:
        """Let go of the file, and of a copy made for reading it."""
        self.at_end()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def only(self, rows: tuple[int, ...]) -> Self:
        """Return the same capture with some of its channels, in this order."""
        if rows == tuple(range(self.channels)):
            return self
        places, read_rows = list(rows), self.read_rows
        return replace(self, channels=len(rows), read_rows=lambda start, stop: read_rows(start, stop)[places])

    @property
    def seconds(self) -> float:
        """How long the capture is."""
        return self.count * self.seconds_per_sample

    def _not_finite(self, rows: Samples, start: int) -> str:
        bad = np.flatnonzero(~np.isfinite(rows).all(axis=0))
        at = start + int(bad[0]) + 1 if bad.size else start + 1
        return (
            f"{self.path.name}: sample {at} is no number that can be: expected volts throughout; the scope may have "
            "been overdriven, or the file is damaged"
        )


def checked(capture: Capture) -> Capture:
    """Return the capture; raise where it is too short or its interval cannot be."""
    step = capture.seconds_per_sample
    trouble = ""
    if capture.count < FEWEST:
        trouble = f"holds {capture.count} samples: expected {FEWEST} at least; the file may be cut short"
    elif not (np.isfinite(step) and 1e-12 < step < 1.0):
        trouble = (
            f"has {step:g} s from sample to sample: expected 1 ps to 1 s; say it with --samples-per-second"
        )
    if trouble:
        capture.close()
        raise CaptureError(f"{capture.path.name}: {trouble}")
    return capture


def step_from(wanted: Wanted, found: float | None, path: Path) -> float:
    """Return seconds from sample to sample: what the user says, else what the file says; raise where nobody does."""
    if wanted.samples_per_second is not None:
        return 1.0 / wanted.samples_per_second
    if found is None:
        raise CaptureError(
            f"{path.name}: does not tell how fast it was sampled: say it with --samples-per-second, such as 10e6"
        )
    return found
