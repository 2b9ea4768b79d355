"""The traits of a case that are compared: stored codes, networks, readings.

Ohms and volts on a scale whose unit is one tolerance, in whole steps: how far apart two readings are.

A tolerance of resistance is 8 % near the terminators' values and 50 % among the modules' inputs, which scatter so much
(9 to 28 kohm per line, NXP TJA1051 table 7); contact resistance blurs the lowest values. A tolerance of voltage is
0.12 V and 3 % of the value: averages move with the traffic by about that much (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from casebase.record.vocabulary import LINES_OF_MEDIUM, Line

OVER_LIMIT_OHMS: Final = 20e6
"""What `OL` is taken as: the top of a hand-held meter (common practice, no source)."""

STEPS_PER_TOLERANCE: Final = 40
NUMBER_STEPS: Final = 8000
"""Steps of the whole scale, from 0: 72 tolerances of ohms, or 185 of volts from -60 to 60 V."""

_CONTACT_OHMS: Final = 10.0
_FINE, _COARSE = math.log(1.08), math.log(1.5)
_FINE_UP_TO, _COARSE_FROM = 200.0, 1000.0
_RISE: Final = (_COARSE - _FINE) / math.log(_COARSE_FROM / _FINE_UP_TO)
_VOLTS, _VOLTS_SHARE = 0.12, 0.03
_SYSTEM_VOLTS, _TWO_BATTERIES_FROM = 12.0, 16.0
_SUPPLY_GOOD, _SUPPLY_BAD = 0.97, 0.17
_SUPPLY_STEEP, _SUPPLY_FLAT = 35.0, 2.0
"""A module's supply should be battery voltage: 0.2 V short is one tolerance, 2 V short are six, and beyond that how
much is missing says little about where it went (common practice, no source)."""

_MIDDLE: Final = NUMBER_STEPS // 2


def ohms_apart(ours: float, theirs: float) -> float:
    """Return how many tolerances two resistances lie apart.

    >>> round(ohms_apart(60, 62), 1), ohms_apart(60, 120) > 4
    (0.4, True)
    """
    return abs(_ohms_scale(ours) - _ohms_scale(theirs))


def volts_apart(ours: float, theirs: float) -> float:
    """Return how many tolerances two voltages lie apart.

    >>> round(volts_apart(2.6, 2.7), 1), volts_apart(2.6, 3.5) > 4
    (0.5, True)
    """
    return abs(_volts_scale(ours) - _volts_scale(theirs))


@lru_cache(maxsize=4096)  # the same values are compared with one another, over and over
def number_step(quantity: str, number: float, *, of_supply: bool = False) -> int:
    """Return the step of a resistance in ohms or a voltage in volts, 0..`NUMBER_STEPS` - 1.

    `of_supply` is a module's supply: any that is far too low is as bad as another.
    """
    if quantity == "resistance":
        step = round(_ohms_scale(number) * STEPS_PER_TOLERANCE)
    elif of_supply:
        step = _MIDDLE + round(_supply_scale(number) * STEPS_PER_TOLERANCE)
    else:
        step = _MIDDLE + round(_volts_scale(number) * STEPS_PER_TOLERANCE)
    return min(max(step, 0), NUMBER_STEPS - 1)


def _ohms_scale(ohms: float) -> float:
    """Return the integral of d(log ohms) / tolerance, from no resistance up: fine, then rising, then coarse."""
    value = min(max(ohms, 0.0), OVER_LIMIT_OHMS) + _CONTACT_OHMS
    fine = math.log(min(value, _FINE_UP_TO) / _CONTACT_OHMS) / _FINE
    rising = math.log(min(max(value, _FINE_UP_TO), _COARSE_FROM) / _FINE_UP_TO)
    coarse = math.log(max(value, _COARSE_FROM) / _COARSE_FROM) / _COARSE
    return fine + math.log1p(_RISE * rising / _FINE) / _RISE + coarse


def supply_apart(ours: float, theirs: float) -> float:
    """Return how many tolerances two supply voltages lie apart; 12 and 24 V systems are read alike.

    >>> supply_apart(2.3, 6.7) < 2, supply_apart(2.3, 12.4) > 5, supply_apart(12.3, 24.6) < 1
    (True, True, True)
    """
    return abs(_supply_scale(ours) - _supply_scale(theirs))


def _supply_scale(volts: float) -> float:
    """Return 0 for a supply as it should be, rising as it falls short; what is well short differs little further."""
    system = _SYSTEM_VOLTS if abs(volts) < _TWO_BATTERIES_FROM else 2 * _SYSTEM_VOLTS
    short = max(0.0, _SUPPLY_GOOD - abs(volts) / system)
    return -(_SUPPLY_STEEP * min(short, _SUPPLY_BAD) + _SUPPLY_FLAT * max(0.0, short - _SUPPLY_BAD))


def _volts_scale(volts: float) -> float:
    return math.copysign(math.log1p(_VOLTS_SHARE * abs(volts) / _VOLTS) / _VOLTS_SHARE, volts)


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
