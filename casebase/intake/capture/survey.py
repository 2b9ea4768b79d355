"""A first look over the whole capture: every so many-th sample kept, and what a meter would show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.errors import CaptureError
from casebase.intake.capture.samples import Capture, Samples, Tell

KEPT: Final = 400_000
"""About so many samples are kept of a capture, however long it is."""

MOST: Final = 2.0**32
"""No level is higher, not even one in steps of a converter."""


@dataclass(frozen=True)
class Survey:
    """Samples spread evenly over the capture, one row per channel, and of each channel mean and extremes in volts.

    The mean is that of every sample, as a meter shows it.
    """

    rows: Samples
    means: tuple[float, ...]
    lowest: tuple[float, ...]
    highest: tuple[float, ...]


def survey(capture: Capture, tell: Tell | None = None) -> Survey:
    """Look over the whole capture once."""
    # Odd, so that it does not keep step with the bits.
    step = (capture.count // KEPT) | 1
    kept, sums = [], np.zeros(capture.channels)
    lowest, highest = np.full(capture.channels, np.inf), np.full(capture.channels, -np.inf)
    for start, rows in capture.blocks(tell, check=True):
        sums += _sums(rows)
        lowest, highest = np.minimum(lowest, rows.min(axis=1)), np.maximum(highest, rows.max(axis=1))
        kept.append(rows[:, -start % step :: step].copy())
    _check_range(capture, lowest, highest)
    means = sums / capture.count
    return Survey(np.concatenate(kept, axis=1), _floats(means), _floats(lowest), _floats(highest))


def _check_range(capture: Capture, lowest: NDArray[np.float64], highest: NDArray[np.float64]) -> None:
    most = float(max(np.abs(lowest).max(), np.abs(highest).max()))
    if most > MOST:
        raise CaptureError(
            f"{capture.path.name}: reaches {most:.3g}: expected volts, or whole numbers of at most 32 bits; it is"
            " damaged, or its columns are other ones: see --columns"
        )


def _sums(rows: Samples) -> NDArray[np.float64]:
    """Return the sum of each row; pairwise in 32 bits within a block is exact to a millionth."""
    return np.array([row.sum() for row in rows], dtype=np.float64)


def _floats(values: NDArray[np.float64]) -> tuple[float, ...]:
    return tuple(float(value) for value in values)
