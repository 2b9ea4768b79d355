"""How a waveform looks, in the fixed words of a record, by published limits."""

from __future__ import annotations

from typing import Final

from casebase.intake.capture.doubts import flat_line
from casebase.intake.capture.edge_shape import EdgeShape
from casebase.intake.capture.levels import Levels
from casebase.intake.capture.wiring import LEVELS_OF_HIGH_SPEED, Wiring
from casebase.record.vocabulary import Look

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
    pair = wiring.medium in LEVELS_OF_HIGH_SPEED
    return (Look.STUCK,) if pair and levels.signal_recessive > STUCK_VOLTS else ()


def _size(levels: Levels, wiring: Wiring) -> list[Look]:
    if flat_line(levels) is not None:
        return [Look.ONE_LINE_FLAT]
    if len(levels.lines) == 2 and _together(levels):
        return [Look.BOTH_TOGETHER]
    if wiring.medium not in LEVELS_OF_HIGH_SPEED or levels.signal_dominant is None:
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
