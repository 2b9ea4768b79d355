"""What is written down on a wide bus: a meter of 3 1/2 to 4 1/2 digits with its errors, leads and slips; a scope."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, log10
from typing import Any, Final

from wide_draws import Chance

COUNTS: Final = (2000, 4000, 6000, 20000)
"""3 1/2, 3 3/4 and 4 1/2 digits (common practice, no source)."""

OHMS_GAIN, VOLTS_GAIN = 0.012, 0.008
"""Largest errors of hand-held meters: 0.5 to 1.2 % in ohms, 0.1 to 0.8 % in volts (common practice, no source)."""

LEAD_OHMS: Final = (0.03, 0.6)
MOST_OHMS: Final = (2e6, 20e6, 40e6, 60e6)
"""Above this a meter shows OL (common practice, no source)."""

ROUNDS: Final = 0.25
"""People who write 60 ohm for 60.3 and 2.5 V for 2.517 (judged)."""

SCOPE_VOLTS: Final = 0.06
"""Error of a level read off a screen, beside 2 % of it (judged)."""


@dataclass(frozen=True)
class HandMeter:
    """One instrument, and how its owner writes."""

    counts: int
    ohms_gain: float
    volts_gain: float
    lead_ohms: float
    most_ohms: float
    rounds: bool

    @classmethod
    def of(cls, chance: Chance) -> HandMeter:
        """Return a random one."""
        return cls(
            chance.random.choice(COUNTS),
            1 + chance.even((-OHMS_GAIN, OHMS_GAIN)),
            1 + chance.even((-VOLTS_GAIN, VOLTS_GAIN)),
            chance.even(LEAD_OHMS),
            chance.random.choice(MOST_OHMS),
            chance.often(ROUNDS),
        )

    def ohms(self, true: float, chance: Chance) -> str:
        """Return what is written of a resistance."""
        shown = max(true * self.ohms_gain * (1 + chance.random.gauss(0, 0.0015)) + self.lead_ohms, 0.0)
        if shown > self.most_ohms:
            return "OL"
        unit, size = ("Mohm", 1e6) if shown >= 1e6 else ("kohm", 1e3) if shown >= 1e3 else ("ohm", 1.0)
        # The lowest range of most meters ends at 200 to 600 ohm with a tenth as its last digit.
        step = max(self._step(shown), 0.1) / size
        return f"{self._text(shown / size, step, chance)} {unit}"

    def volts(self, true: float, chance: Chance) -> str:
        """Return what is written of a voltage."""
        shown = true * self.volts_gain + chance.random.gauss(0, 0.002)
        return f"{self._text(shown, max(self._step(max(abs(shown), 0.2)), 0.001), chance)} V"

    def _step(self, shown: float) -> float:
        """Return the worth of the last digit: ranges end at the counts times a power of ten."""
        return float(10.0 ** (floor(log10(max(shown, 1e-3) / self.counts)) + 1))

    def _text(self, value: float, step: float, chance: Chance) -> str:
        last = round(value / step + chance.random.choice((-1, 0, 0, 0, 1)) * (abs(value) > 2 * step)) * step
        decimals = max(0, -floor(log10(step) + 1e-6))
        if self.rounds and abs(value) >= 10:
            decimals = 0
        elif self.rounds:
            decimals = min(decimals, 2 if abs(value) < 2 else 1)
        return f"{last:.{decimals}f}"


def level(true: float, chance: Chance) -> str:
    """Return a level as read off a scope's screen."""
    return f"{true * (1 + chance.random.gauss(0, 0.01)) + chance.random.gauss(0, SCOPE_VOLTS / 2):.2f} V"


# --- readings -----------------------------------------------------------------------------------------------------

OHMS_ROWS: Final = ("ohms between", "ohms high", "ohms low")
VOLTS_ROWS: Final = ("volts high", "volts low")
FIVE: Final = (*OHMS_ROWS, *VOLTS_ROWS)


def reading_keys(row: str, text: str, at: str = "DLC", unplugged: str | None = None) -> dict[str, Any]:
    """Return one reading as a record has it, its state told in full."""
    side = "CAN low" if row.endswith("low") else "CAN high"
    keys: dict[str, Any] = {
        "line": side,
        "against": "CAN low" if row == "ohms between" else "ground",
        "at": at,
    }
    if row in OHMS_ROWS:
        keys |= {"quantity": "resistance", "ignition": "off", "battery": "disconnected"}
    else:
        keys |= {"quantity": "voltage", "ignition": "on", "battery": "connected"}
    return keys | {"unplugged": [unplugged] if unplugged else "nothing", "value": text}


# --- slips --------------------------------------------------------------------------------------------------------

SLIPS: Final = ("AC range", "battery connected", "wrong unit", "point moved", "bus asleep")
TEST_CURRENTS: Final = (5e-4, 1e-4, 1e-5, 1e-6)
TEST_VOLTS: Final = 0.6
"""An ohmmeter's currents by range, and the volts its ranges end at (common practice, no source)."""


def slipped(slip: str, true: dict[str, float], differential: float, chance: Chance) -> dict[str, float]:
    """Return the five values with a slip; `differential`: volts that stand between the lines on average.

    `true`: ohms and volts by row. On the AC range both volts are wrong, with the battery connected all ohms; a bus that
    fell asleep between two readings, a unit misread or a point moved spoils one row.
    """
    if slip == "AC range":
        # The ripple of the traffic, as far as the meter's bandwidth (hundreds of Hz) lets it through (judged).
        ripple = differential / 2 * chance.even((0.0, 0.8))
        return true | {row: abs(ripple * chance.even((0.8, 1.2))) for row in VOLTS_ROWS}
    if slip == "bus asleep":
        return true | {chance.random.choice(VOLTS_ROWS): chance.even((-0.03, 0.1))}
    if slip == "battery connected":
        standing = {
            "ohms between": differential,
            "ohms high": true["volts high"],
            "ohms low": true["volts low"],
        }
        return true | {row: _on_live(true[row], volts) for row, volts in standing.items()}
    row = chance.random.choice(FIVE)
    factor = chance.random.choice((1e3, 1e-3) if slip == "wrong unit" else (10.0, 0.1))
    if row in VOLTS_ROWS and factor > 1:  # a record refuses more than 60 V
        factor = 1 / factor
    return true | {row: true[row] * factor}


def _on_live(ohms: float, standing_volts: float) -> float:
    """Return what an ohmmeter shows across volts that are already there: it takes them for its own."""
    for amperes in TEST_CURRENTS:
        if standing_volts + amperes * ohms < TEST_VOLTS:
            return ohms + standing_volts / amperes
    return 1e12
