"""Which lines a medium has, and which way its signal goes when a module drives it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from casebase.errors import CaptureError
from casebase.intake.capture.samples import Samples
from casebase.record.vocabulary import LINES_OF_MEDIUM, Line, Medium

_DRIVEN_DOWN: Final = (Medium.LIN, Medium.K_LINE)
_ONE_LINE: Final = (Medium.LIN, Medium.K_LINE, Medium.SINGLE_WIRE_CAN)
FRAMES_OF_CAN: Final = (
    Medium.HIGH_SPEED_CAN,
    Medium.J1939,
    Medium.FAULT_TOLERANT_CAN,
    Medium.SINGLE_WIRE_CAN,
)
"""The media that carry CAN frames."""

LEVELS_OF_HIGH_SPEED: Final = (Medium.HIGH_SPEED_CAN, Medium.J1939)
"""The media with the levels of ISO 11898-2."""


@dataclass(frozen=True)
class Wiring:
    """How the rows of a capture become one signal that is higher while a module drives the bus.

    `swapped`: the rows stand the other way round than they are named.
    """

    medium: Medium
    lines: tuple[Line, ...]
    swapped: bool = False

    def signal(self, rows: Samples) -> Samples:
        """Return the signal in volts: high less low of a pair, a single line turned so that driven is higher."""
        signal: Samples = rows[0]
        if len(self.lines) == 2:
            signal = rows[1] - rows[0] if self.swapped else rows[0] - rows[1]
        elif self.medium in _DRIVEN_DOWN:
            signal = -signal
        return signal

    def ordered(self, rows: Samples) -> Samples:
        """Return the rows in the order of `lines`."""
        return rows[::-1] if self.swapped else rows[: len(self.lines)]


def wiring_of(medium: Medium, channels: int, name: str) -> Wiring:
    """Return how a capture of so many channels is read; raise where a line of the pair is not there."""
    lines = LINES_OF_MEDIUM[medium]
    if medium in _ONE_LINE:
        return Wiring(medium, lines[:1])
    if channels < 2:
        raise CaptureError(
            f"{name}: holds one line only: {medium} is told from both, captured at the same time; for one line of"
            " another kind say --medium LIN"
        )
    return Wiring(medium, lines)
