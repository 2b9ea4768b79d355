"""How far a reading may lie from the true value: meter, leads, resolution as typed, conditions not stated.

The figures are those of a hand-held meter of 3 1/2 to 4 digits (common practice, no source).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from casebase.record.quantities import Amount

OHMS_GAIN: Final = 0.006
OHMS_LEADS: Final = 0.25
"""Leads and contacts of the probes, after nulling or not."""

OHMS_REPEAT: Final = 0.003
"""Scatter between two readings on one range: what a difference of two readings suffers; the gain is common to both."""

VOLTS_GAIN: Final = 0.006
VOLTS_FLOOR: Final = 0.004
TRAFFIC_MOVES_SHARE: Final = 0.007
"""Averages move with the traffic between one reading and the next; a line held at 0 V does not."""

SCOPE_VOLTS: Final = 0.10
"""Reading a level off a screen at 1 V a division."""

SCOPE_SHARE_FLOOR: Final = 0.02
SCOPE_SHARE_MOVES: Final = 0.15
"""Share of time that lines are driven, read off a scope: the threshold at slow edges; and a capture of some
milliseconds holds a few dozen frames, so that the traffic in it lies a sixth or so off the average (judged)."""

STATE_NOT_STATED: Final = 2.5
"""Factor on the error of a reading whose conditions are not stated."""

ABOUT: Final = 0.08
"""Share of the value that `about` adds."""

OVER_LIMIT_OHMS: Final = (2e6, 60e6)
"""Where the ranges of hand-held meters end, from the least to the best."""

_LAST_DIGIT: Final = re.compile(r"[0-9]+(?:\.([0-9]+))?")


@dataclass(frozen=True)
class Uncertain:
    """A number with its standard error, in the base unit."""

    value: float
    error: float


def uncertain_ohms(amount: Amount, *, stated: bool = True) -> Uncertain:
    """Return a resistance as read, with its error."""
    value = amount.number
    own = (OHMS_GAIN * value) ** 2 + OHMS_LEADS**2 + typed_error(amount) ** 2
    return Uncertain(value, own**0.5 * (1.0 if stated else STATE_NOT_STATED))


def uncertain_volts(amount: Amount, *, stated: bool = True) -> Uncertain:
    """Return a voltage as read, with its error."""
    value = amount.number
    own = (
        (VOLTS_GAIN * value) ** 2
        + VOLTS_FLOOR**2
        + (TRAFFIC_MOVES_SHARE * value) ** 2
        + typed_error(amount) ** 2
    )
    return Uncertain(value, own**0.5 * (1.0 if stated else STATE_NOT_STATED))


def typed_error(amount: Amount) -> float:
    """Return the error that the typed digits leave: the last digit, a range given, the word `about`."""
    digits = [match[0] for match in _LAST_DIGIT.finditer(amount.digits)]
    decimals = max((len(text.split(".")[1]) if "." in text else 0 for text in digits), default=0)
    shown = float(digits[-1]) if digits else 0.0
    scale = amount.high / shown if shown else 1.0
    last_digit = abs(scale) * 10.0**-decimals / 3.5
    spread = (amount.high - amount.low) / 3.5
    return float((last_digit**2 + spread**2 + (ABOUT * amount.number if amount.about else 0.0) ** 2) ** 0.5)
