"""How a waveform looks: the shape of its edges, and the fixed words of a record that fit, by published limits.

Many edges are laid over one another by the fraction of a sample at which each crossed; the median of them is looked at.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.intake.capture.can_traffic import Traffic
from casebase.intake.capture.doubts import flat_line
from casebase.intake.capture.levels import Levels
from casebase.intake.capture.pulses import LEVELS_OF_HIGH_SPEED, Wiring
from casebase.intake.capture.samples import Capture
from casebase.record.vocabulary import Look, Medium

EDGES: Final = 120
_BEFORE, _AFTER = 0.4, 0.9
"""Bits looked at before and after the crossing."""
_LEAST_BITS: Final = 1.5
_LEAST_DRIVEN: Final = 0.3
"""A pulse of less than this share of the usual level is no edge to judge by (judged)."""
_RINGS: Final = 0.12
"""Swinging back by this share of the amplitude counts as ringing (common practice, no source)."""

Values = NDArray[np.float64]


@dataclass(frozen=True)
class EdgeShape:
    """One direction of edges. `seconds`: 10 % to 90 %; `bits`: the same in bits.

    `overshoot`: volts beyond the level that is reached in the end; `swings_back`: volts to the other side after it.
    `resolved`: False where the edge is quicker than the scope's samples tell.
    """

    seconds: float
    bits: float
    overshoot: float
    swings_back: float
    resolved: bool

    def rings(self, amplitude: float) -> bool:
        """Whether it swings about the level."""
        return self.overshoot > _RINGS * amplitude and self.swings_back > _RINGS * amplitude / 2


def edge_shapes(
    capture: Capture, traffic: Traffic, wiring: Wiring, levels: Levels
) -> tuple[EdgeShape | None, EdgeShape | None]:
    """Return the shape of edges to dominant and of those to recessive; None where too few stand alone."""
    pulses, bit = traffic.pulses, traffic.rate.samples_per_bit
    long = (pulses.ends - pulses.begins > _LEAST_BITS * bit) & (pulses.gaps_before > _LEAST_BITS * bit)
    quiet_after = np.append(pulses.gaps_before[1:] > _LEAST_BITS * bit, False)
    driven, rest = levels.signal_dominant or 0.0, levels.signal_recessive
    held = (rest, driven)
    up = _laid_over(capture, wiring, pulses.begins[long], bit, held, 1)
    ends = pulses.ends[(pulses.ends - pulses.begins > _LEAST_BITS * bit) & quiet_after]
    down = _laid_over(capture, wiring, ends, bit, held, -1)
    step = capture.seconds_per_sample
    return (
        None if up is None else _shape(*up, rest, driven, bit, step, levels.signal_noise),
        None if down is None else _shape(*down, driven, rest, bit, step, levels.signal_noise),
    )


def _laid_over(  # noqa: PLR0913, PLR0917  what is read, where, and between which levels
    capture: Capture, wiring: Wiring, crossings: Values, bit: float, held: tuple[float, float], side: int
) -> tuple[Values, Values] | None:
    """Return samples from the crossing, in steps of a third, and the median signal there.

    `held`: volts at rest and driven. `side`: 1 where the line is driven after the crossing, -1 where before. Senders
    drive differently far: each edge is stretched to the common level, or a weak one would look slow.
    """
    if len(crossings) < 3:
        return None
    chosen = crossings[np.linspace(0, len(crossings) - 1, min(len(crossings), EDGES)).astype(int)]
    before, after = int(np.ceil(_BEFORE * bit)), int(np.ceil(_AFTER * bit)) + 1
    grid = np.arange(-before + 1, after - 1, 1 / 3)
    curves = []
    for crossing in chosen:
        start, stop = int(crossing) - before, int(crossing) + after
        if start >= 0 and stop <= capture.count:
            signal = wiring.signal(capture.read(start, stop))
            stretch = _stretch(capture, wiring, crossing + side * bit, bit, held)
            if stretch is not None:
                laid = np.interp(grid, np.arange(start, stop) - crossing, signal)
                curves.append(held[0] + (laid - held[0]) * stretch)
    return (grid, np.median(curves, axis=0)) if len(curves) >= 3 else None


def _stretch(
    capture: Capture, wiring: Wiring, middle: float, bit: float, held: tuple[float, float]
) -> float | None:
    """Return by how much a pulse is lower than usual, from its level about `middle`; None where it is hardly there."""
    reach = max(0.3 * bit, 1.0)
    start, stop = max(int(middle - reach), 0), min(int(middle + reach) + 1, capture.count)
    if stop <= start:
        return None
    rest, driven = held
    own = float(np.median(wiring.signal(capture.read(start, stop)))) - rest
    return (driven - rest) / own if own > _LEAST_DRIVEN * (driven - rest) else None


def _shape(  # noqa: PLR0913, PLR0917  a curve and what it goes between
    places: Values, volts: Values, start: float, end: float, bit: float, step: float, noise: float
) -> EdgeShape:
    share = (volts - start) / (end - start)
    rises = share[places > -_BEFORE * bit]
    at = places[places > -_BEFORE * bit]
    begins = _crossing(at, rises, 0.1)
    ends = _crossing(at, rises, 0.9)
    took = max(ends - begins, 0.0)
    settled = volts[places > 0.6 * bit]
    level = float(np.median(settled)) if len(settled) else end
    later = volts[places >= ends] if len(volts[places >= ends]) else volts[-1:]
    way = 1.0 if end > start else -1.0
    over = (later - level) * way
    top = int(np.argmax(over))
    back = float(-over[top:].min())
    return EdgeShape(
        took * step,
        took / bit,
        max(float(over[top]) - noise, 0.0),
        max(back - noise, 0.0),
        took > 1.0,
    )


def _crossing(places: Values, share: Values, level: float) -> float:
    """Return where the curve first gets past a share, on a straight line between its points."""
    past = np.flatnonzero(share >= level)
    if not len(past):
        return float(places[-1])
    at = int(past[0])
    if at == 0 or share[at] == share[at - 1]:
        return float(places[at])
    part = (level - share[at - 1]) / (share[at] - share[at - 1])
    return float(places[at - 1] + part * (places[at] - places[at - 1]))


DRIVEN_BETWEEN: Final = (1.5, 3.0)
"""Volts between the lines while a module drives them into 50 to 65 ohm (ISO 11898-2, from memory; TI TCAN1042HGV,
7.7, VOD(D): 1.5 to 3 V)."""

SLOW_BITS: Final = 0.25
"""An edge that takes this share of a bit is slow (common practice, no source)."""

NOISY: Final = 0.1
"""Noise of this share of the amplitude, one standard deviation, is worth a word (common practice, no source)."""

STUCK_VOLTS: Final = 0.9
"""Receivers see dominant above it (NXP TJA1051 Rev 7, table 7)."""


def looks_of(
    levels: Levels,
    wiring: Wiring,
    shapes: tuple[EdgeShape | None, EdgeShape | None],
    whole_share: float | None,
) -> tuple[Look, ...]:
    """Return the words that fit; clean where nothing else does and frames are whole."""
    if levels.signal_dominant is None:
        return _still(levels, wiring)
    looks = [*_size(levels, wiring), *_of_edges(levels, shapes)]
    if levels.signal_noise > NOISY * levels.amplitude:
        looks.append(Look.NOISE)
    if not looks and whole_share is not None and whole_share > 0.99:
        looks.append(Look.CLEAN)
    return tuple(looks)


def _still(levels: Levels, wiring: Wiring) -> tuple[Look, ...]:
    pair = wiring.medium in LEVELS_OF_HIGH_SPEED and len(levels.lines) == 2
    return (Look.STUCK,) if pair and levels.signal_recessive > STUCK_VOLTS else ()


def _size(levels: Levels, wiring: Wiring) -> list[Look]:
    if wiring.medium is Medium.FLEXRAY:
        return []
    if flat_line(levels) is not None:
        return [Look.ONE_LINE_FLAT]
    if len(levels.lines) == 2 and _together(levels):
        return [Look.BOTH_TOGETHER]
    pair = wiring.medium in LEVELS_OF_HIGH_SPEED and len(levels.lines) == 2
    if not pair or levels.signal_dominant is None:
        return []
    low, high = DRIVEN_BETWEEN
    if levels.signal_dominant > high:
        return [Look.TOO_TALL]
    return [Look.TOO_SMALL] if levels.signal_dominant < low else []


def _together(levels: Levels) -> bool:
    """Whether both lines go the same way at the same time."""
    first, second = (line.swing for line in levels.lines)
    return first * second > 0 and min(abs(first), abs(second)) > 0.5 * max(abs(first), abs(second))


def _of_edges(levels: Levels, shapes: tuple[EdgeShape | None, EdgeShape | None]) -> list[Look]:
    found = [shape for shape in shapes if shape is not None]
    looks = []
    if any(shape.bits > SLOW_BITS and shape.resolved for shape in found):
        looks.append(Look.SLOW_EDGES)
    if any(shape.rings(levels.amplitude) for shape in found):
        looks.append(Look.RINGING)
    return looks
