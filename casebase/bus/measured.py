"""What a reading tells of the simulated buses: which quantity, or why none."""

from __future__ import annotations

from typing import Final

from casebase.bus.roles import Places
from casebase.record.reading import Reading
from casebase.record.vocabulary import BUS_SUPPLIED, Battery, Ignition, Line, Quantity, Stage

GROUND: Final = (Line.GROUND, Line.BATTERY_MINUS, None)
UPPER: Final = (Line.CAN_HIGH, Line.BUS_PLUS)
LOWER: Final = (Line.CAN_LOW, Line.BUS_MINUS)
SINGLE: Final = (Line.LIN, Line.K_LINE, Line.CAN_SINGLE)

_WORDLESS: Final = (Quantity.WAVEFORM, Quantity.AC_VOLTAGE, Quantity.FAULT)
"""What is evidence without being one simulated quantity."""


def quantity_of(reading: Reading) -> str | None:
    """Return the simulated quantity that a reading tells, None for a scope picture or what no bus line shows."""
    kind = {Quantity.RESISTANCE: "ohms", Quantity.VOLTAGE: "volts"}.get(reading.quantity)
    if kind is None or reading.to is not None:
        return None
    lines = {reading.line, reading.against}
    if lines & set(UPPER) and lines & set(LOWER):
        return "ohms_between" if kind == "ohms" else _difference(reading)
    side = side_of(reading.line)
    if side and reading.against in GROUND:
        return f"{kind}_{side}_ground" if kind == "ohms" else f"volts_{side}"
    if kind == "ohms" and lines & set(SINGLE) and Line.BATTERY_PLUS in lines:
        return "ohms_line_battery"
    return None


def _difference(reading: Reading) -> str:
    return "volts_high_less_low" if reading.line in UPPER else "volts_low_less_high"


def side_of(line: Line | None) -> str | None:
    """Return what a line is called in simulated quantities; None for what is no bus line."""
    sides = (("high", UPPER), ("low", LOWER), ("line", SINGLE))
    return next((side for side, of_side in sides if line in of_side), None)


def unusable(reading: Reading, roles: Places) -> str | None:
    """Return why a reading says nothing about the bus; None where it does."""
    ohms = reading.quantity is Quantity.RESISTANCE
    live = not ohms and reading.quantity is not Quantity.FAULT
    reasons = (
        (reading.stage is Stage.AFTER_REPAIR, "taken after the repair"),
        (
            reading.quantity is Quantity.CURRENT,
            "current is kept with the job: no bus is simulated with its current",
        ),
        (reading.is_below_zero_ohms, "ohms below zero: there is a voltage on the wire; measure volts first"),
        (
            reading.to is not None and not ohms,
            "a drop along one wire is kept with the job: no bus is simulated wire by wire",
        ),
        (
            reading.to is not None,
            "ohms along one wire are kept with the job: no bus is simulated wire by wire (a sound wire reads"
            " under an ohm or two, OL means open; load it before trusting it)",
        ),
        (
            reading.quantity not in _WORDLESS and quantity_of(reading) is None,
            "not a reading of the bus lines against each other or ground",
        ),
        (
            ohms and is_live(reading),
            "ohms on a live circuit mean nothing: disconnect the battery and read again",
        ),
        (live and reading.battery is Battery.DISCONNECTED, "volts with the battery disconnected say nothing"),
        (
            live and reading.ignition is Ignition.OFF,
            "taken with the ignition off: the bus may be awake or asleep",
        ),
        (roles.unplugged(reading) is None, "more modules were unplugged than can be told apart"),
    )
    return next((words for applies, words in reasons if applies), None)


def is_live(reading: Reading) -> bool:
    """Return whether the bus was supplied while ohms were read."""
    if reading.battery is Battery.DISCONNECTED:
        return False
    return reading.battery is Battery.CONNECTED or reading.ignition in BUS_SUPPLIED


NOT_ALL_SUPPLIED: Final = (Ignition.ACCESSORY, Ignition.CRANKING)
"""At accessory part of the modules is without supply; while cranking the supply dips: readings count for less."""


def is_stated(reading: Reading) -> bool:
    """Return whether the state of the vehicle is known, and one in which the whole bus is supplied or none of it."""
    volts = reading.quantity is not Quantity.RESISTANCE
    return not reading.unknown_state and not (volts and reading.ignition in NOT_ALL_SUPPLIED)
