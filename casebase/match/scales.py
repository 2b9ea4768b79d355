"""Ohms and volts on a scale whose unit is one tolerance, in whole steps: how far apart two readings are.

A tolerance of resistance is 8 % near the terminators' values and 50 % among the modules' inputs, which scatter so much
(9 to 28 kohm per line, NXP TJA1051 table 7); contact resistance blurs the lowest values. A tolerance of voltage is
0.12 V and 3 % of the value: averages move with the traffic by about that much (common practice, no source).
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

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
