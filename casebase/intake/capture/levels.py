"""The levels of the lines: at rest and driven, their difference and sum, common mode, noise, and a meter's mean.

First the whole capture is surveyed: a share of the samples is kept, and the mean of all. A level is the mean of the
samples around the peak of their histogram, so that edges, ringing and a few odd frames do not shift it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.errors import CaptureError
from casebase.intake.capture.pulses import Wiring
from casebase.intake.capture.samples import Capture, Samples, Tell
from casebase.record.vocabulary import Line, Medium

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

    def only(self, rows: tuple[int, ...]) -> Survey:
        """Return what was seen of some of the channels, in this order."""
        if rows == tuple(range(len(self.rows))):
            return self
        return Survey(
            self.rows[list(rows)],
            *(tuple(values[row] for row in rows) for values in (self.means, self.lowest, self.highest)),
        )


def survey(capture: Capture, tell: Tell | None = None) -> Survey:
    """Look over the whole capture once."""
    # Odd, so that it does not keep step with the bits.
    step = (capture.count // KEPT) | 1
    kept, sums = [], np.zeros(capture.channels)
    lowest, highest = np.full(capture.channels, np.inf), np.full(capture.channels, -np.inf)
    for start, rows in capture.blocks(tell, check=True):
        # Pairwise in 32 bits within a block is exact to a millionth.
        sums += np.array([row.sum() for row in rows], dtype=np.float64)
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


def _floats(values: NDArray[np.float64]) -> tuple[float, ...]:
    return tuple(float(value) for value in values)


_BINS: Final = 400
_FEWEST_DRIVEN: Final = 12
"""Fewer samples of a second level are taken for a disturbance."""
_APART: Final = 8.0
"""Two levels lie at least so many times the noise apart."""
_WANDERS_VOLTS: Final = 0.08
_FLEXRAY_IDLE_VOLTS: Final = 0.3
"""Idle at most, between the lines (NXP TJA1083, receiver's threshold)."""
_PARTS: Final = 40
LEAST_SWING_VOLTS: Final = 0.12
"""Less is a step of a coarse converter, and no traffic on any bus; a probe that divides by ten too much leaves 0.2 V
(common practice, no source)."""

Values = NDArray[np.float32]


@dataclass(frozen=True)
class LineFacts:
    """One line, in volts to ground. `dominant` is None where nobody drove it; `mean` is what a meter shows."""

    line: Line
    recessive: float
    dominant: float | None
    mean: float
    lowest: float
    highest: float
    noise: float

    @property
    def swing(self) -> float:
        """Volts that the line moves when it is driven, upwards positive."""
        return 0.0 if self.dominant is None else self.dominant - self.recessive


@dataclass(frozen=True)
class Levels:
    """What was found on both lines, in volts.

    `signal`: recessive and dominant of the difference of a pair (of the line itself, or its negative, where there is
    one line). `sum_recessive`, `sum_dominant`: both lines added. `drift`: how far the common mode at rest wandered.
    """

    lines: tuple[LineFacts, ...]
    signal_recessive: float
    signal_dominant: float | None
    signal_noise: float
    dominant_share: float
    sum_recessive: float | None = None
    sum_dominant: float | None = None
    common_mode: float | None = None
    drift: float | None = None

    @property
    def amplitude(self) -> float:
        """Volts between rest and driven; 0 without traffic."""
        return 0.0 if self.signal_dominant is None else self.signal_dominant - self.signal_recessive

    @property
    def thresholds(self) -> tuple[float, float]:
        """Volts below which the signal counts as recessive, and above which as dominant.

        At 2.0 V between the lines these are the 0.5 and 0.9 V of ISO 11898-2 receivers (NXP TJA1051 Rev 7, table 7).
        """
        swing = min(self.amplitude, 2.0) if self.amplitude < 5.0 else self.amplitude
        return self.signal_recessive + 0.25 * swing, self.signal_recessive + 0.45 * swing


def levels_in(seen: Survey, wiring: Wiring) -> Levels:
    """Return the levels of what was surveyed."""
    if wiring.medium is Medium.FLEXRAY:
        return _levels_to_both_sides(seen, wiring)
    rows, signal = wiring.ordered(seen.rows), wiring.signal(seen.rows)
    rest, driven, noise = two_levels(signal)
    at_rest, at_driven = _near(signal, rest, rest, driven), None
    if driven is not None:
        at_driven = _near(signal, driven, rest, driven)
    places = [1, 0] if wiring.swapped else range(len(wiring.lines))
    lines = tuple(
        _line_facts(
            line, row, (seen.means[place], seen.lowest[place], seen.highest[place]), at_rest, at_driven
        )
        for line, row, place in zip(wiring.lines, rows, places, strict=False)
    )
    share = 0.0 if driven is None else float(np.mean(signal > (rest + driven) / 2))
    return Levels(lines, rest, driven, noise, share, *_of_both(rows, at_rest, at_driven, lines))


def _levels_to_both_sides(seen: Survey, wiring: Wiring) -> Levels:
    """Return the levels of FlexRay, which is driven to either side of rest: `dominant` is the one, plus above minus."""
    rows, signal = wiring.ordered(seen.rows), wiring.signal(seen.rows)
    rest, driven, noise = two_levels(np.abs(signal))
    if driven is None:
        # Driven all the time, or never: the receiver's threshold tells which.
        rest, driven = (0.0, rest) if rest > _FLEXRAY_IDLE_VOLTS else (rest, None)
    at_rest = np.ones(len(signal), dtype=bool) if driven is None else np.abs(signal) < 0.3 * driven
    at_driven = None if driven is None else signal > 0.7 * driven
    places = [1, 0] if wiring.swapped else range(len(wiring.lines))
    lines = tuple(
        _line_facts(
            line, row, (seen.means[place], seen.lowest[place], seen.highest[place]), at_rest, at_driven
        )
        for line, row, place in zip(wiring.lines, rows, places, strict=False)
    )
    share = 0.0 if driven is None else float(np.mean(np.abs(signal) > driven / 2))
    rest_between = lines[0].recessive - lines[1].recessive
    return Levels(lines, rest_between, driven, noise, share, *_of_both(rows, at_rest, at_driven, lines))


def two_levels(signal: Values) -> tuple[float, float | None, float]:
    """Return the lower level, the higher one (None where there is one level only), and the noise, in volts."""
    main, noise = _peak(signal)
    span = float(signal.max() - signal.min())
    distance = max(_APART * noise, 0.25 * span, LEAST_SWING_VOLTS)
    above, below = signal[signal > main + distance], signal[signal < main - distance]
    # Overshoot may reach far to the other side of rest: the level is where more of the samples are.
    far = above if len(above) >= len(below) else below
    if len(far) < _FEWEST_DRIVEN:
        return main, None, noise
    other, _ = _peak(far)
    if not _stand_apart(signal, main, other):
        return main, None, noise
    low, high = min(main, other), max(main, other)
    return low, high, noise


def _stand_apart(signal: Values, main: float, other: float) -> bool:
    """Whether fewer samples lie half way to the other level than at it: noise thins out evenly, a level does not."""
    share = (signal - main) / (other - main)
    between = int(np.count_nonzero((share > 1 / 3) & (share < 2 / 3)))
    return between < int(np.count_nonzero(np.abs(share - 1.0) < 1 / 3))


def _peak(values: Values) -> tuple[float, float]:
    """Return the level around which most samples lie, and how far they scatter there."""
    low, high = float(values.min()), float(values.max())
    if high - low < 1e-5 * max(1.0, abs(high), abs(low)):
        return (low + high) / 2, 0.0
    counts, edges = np.histogram(values.astype(np.float64), bins=_BINS, range=(low, high))
    smooth = np.convolve(counts, (1, 2, 3, 2, 1), mode="same")
    width = (high - low) / _BINS
    at = edges[int(np.argmax(smooth))] + width / 2
    around = values[np.abs(values - at) <= max(6 * width, 0.03 * (high - low))]
    level = float(np.mean(around, dtype=np.float64))
    return level, max(_scatter(values, level, high - low), 0.5 * _step(values, high - low))


def _scatter(values: Values, level: float, span: float) -> float:
    """Return the standard deviation around a level, told from the median deviation, which edges hardly move."""
    near = np.abs(values - level)
    return 1.4826 * float(np.median(near[near <= 0.25 * span]))


def _step(values: Values, span: float) -> float:
    """Return the volts of one step of the converter: what lies between neighbouring values that occur."""
    occurring = np.unique(np.round(values[:20_000] / span, 5))
    return float(np.median(np.diff(occurring))) * span if len(occurring) > 6 else 0.0


def _near(signal: Values, level: float, rest: float, driven: float | None) -> NDArray[np.bool_]:
    """Return which samples lie at a level rather than on the way to the other."""
    if driven is None:
        return np.ones(len(signal), dtype=bool)
    near: NDArray[np.bool_] = np.abs(signal - level) < 0.25 * (driven - rest)
    return near


def _line_facts(
    line: Line,
    row: Values,
    whole: tuple[float, float, float],
    at_rest: NDArray[np.bool_],
    at_driven: NDArray[np.bool_] | None,
) -> LineFacts:
    recessive, noise = _level(row[at_rest]) if at_rest.any() else (whole[0], 0.0)
    dominant = _level(row[at_driven])[0] if at_driven is not None and at_driven.any() else None
    return LineFacts(line, recessive, dominant, *whole, noise)


def _level(values: Values) -> tuple[float, float]:
    """Return the level of a line and its noise: the median where the level wanders, so that no peak stands for it."""
    level, noise = _peak(values)
    middle = float(np.median(values))
    return (middle if abs(middle - level) > _WANDERS_VOLTS else level), noise


def _of_both(
    rows: Samples,
    at_rest: NDArray[np.bool_],
    at_driven: NDArray[np.bool_] | None,
    lines: tuple[LineFacts, ...],
) -> tuple[float | None, float | None, float | None, float | None]:
    """Return the sum at rest and driven, the common mode at rest, and how far it wandered."""
    if len(lines) < 2:
        return None, None, None, None
    at_peace = sum(line.recessive for line in lines)
    driven = [line.dominant for line in lines if line.dominant is not None]
    middle = (rows[0][at_rest] + rows[1][at_rest]) / 2
    parts = [float(np.median(part)) for part in np.array_split(middle, _PARTS) if len(part) >= _PARTS]
    drift = max(parts) - min(parts) if len(parts) > 1 else 0.0
    return at_peace, sum(driven) if len(driven) == 2 else None, at_peace / 2, drift
