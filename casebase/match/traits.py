"""The traits of a case that are compared: stored codes, networks, readings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from casebase.match.scales import STEPS_PER_TOLERANCE, number_step
from casebase.record.vocabulary import LINES_OF_MEDIUM, Line

SUPPLY: Final = str(Line.SUPPLY)

STEPS_PER_BUCKET: Final = 3 * STEPS_PER_TOLERANCE
"""Values within three tolerances are counted as one usual value."""

LEVEL_STATES: Final = ("recessive", "dominant")
SIGNAL_LINES: Final = tuple(dict.fromkeys(str(line) for lines in LINES_OF_MEDIUM.values() for line in lines))
LEVEL_NAMES: Final = {state: tuple(f"{state} {line}" for line in SIGNAL_LINES) for state in LEVEL_STATES}
DRIVEN_SHARE: Final = "driven share"
WHOLE_FRAMES: Final = "whole frames"
SHARES: Final = (DRIVEN_SHARE, WHOLE_FRAMES)
MEASURED: Final = (*LEVEL_NAMES["recessive"], *LEVEL_NAMES["dominant"], *SHARES)
"""What is measured on a picture of a scope, by name: levels in volts, shares of 0 to 1."""

ReadingKind = tuple[str, tuple[str, ...], str, str | None, tuple[str, ...] | None, bool | None, str | None]
"""Quantity, lines, kind of place, medium, what was unplugged, powered, tester talking."""


@dataclass(frozen=True, slots=True)
class CodeTrait:
    """One stored code: what it says and of whom."""

    text: str
    base: str
    statement: str
    about: str | None
    bus: str | None
    stored_in: str | None


@dataclass(frozen=True, slots=True)
class NetworkTrait:
    """One network and whether the fault shows on it."""

    medium: str
    bits_per_second: float | None
    behind_gateway: bool | None
    affected: bool


@dataclass(frozen=True, slots=True)
class ReadingTrait:
    """One reading in a form in which like can be found for it; `number` is ohms or volts.

    `measured` is of a picture of a scope: (name in `MEASURED`, number), in that order.
    """

    quantity: str
    lines: tuple[str, ...]
    place: str
    place_module: str | None
    medium: str | None
    unplugged: tuple[str, ...] | None
    powered: bool | None
    tester: str | None
    after_repair: bool
    number: float | None
    word: str | None
    traffic: str | None
    looks: tuple[str, ...]
    what: str
    shown: str
    note: str | None
    measured: tuple[tuple[str, float], ...] = ()

    @property
    def kind(self) -> ReadingKind:
        """What must agree before two readings can be compared."""
        return (
            self.quantity,
            self.lines,
            self.place,
            self.medium,
            self.unplugged,
            self.powered,
            self.tester,
        )

    @property
    def step(self) -> int | None:
        """The number on the scale of tolerances; None for a word or a picture."""
        if self.number is None:
            return None
        return number_step(self.quantity, self.number, of_supply=SUPPLY in self.lines)

    @property
    def bucket(self) -> str:
        """A name shared by readings of one kind with nearly the same value, to count how usual it is."""
        step = self.step
        value = self.word or (self.seen if step is None else str(step // STEPS_PER_BUCKET))
        return " ".join((self.quantity, *self.lines, self.place, value))

    @property
    def seen(self) -> str:
        """What a scope showed, in fixed words."""
        return ", ".join((f"traffic {self.traffic}", *self.looks))
