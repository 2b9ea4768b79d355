"""Readings told in a few words, for somebody lying under the dash: ohms and volts at the DLC, nothing unplugged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from casebase.errors import InputError, QuantityError
from casebase.record.quantities import RESISTANCE, VOLTAGE, ReadingValue, read_reading_value
from casebase.record.reading import Reading
from casebase.record.vocabulary import LINES_OF_MEDIUM, Battery, Ignition, Line, Medium, Quantity

_OHMS: Final = {"quantity": Quantity.RESISTANCE, "battery": Battery.DISCONNECTED, "unplugged": []}
_VOLTS: Final = {
    "quantity": Quantity.VOLTAGE,
    "ignition": Ignition.ON,
    "unplugged": [],
    "against": Line.GROUND,
}


@dataclass(frozen=True)
class QuickReadings:
    """Readings on one bus of a medium."""

    medium: Medium
    readings: tuple[Reading, ...]


def quick_readings(medium: str, **given: str | None) -> QuickReadings:
    """Return the readings that the options `pair`, `high`, `low`, `high_ohms`, `low_ohms` give.

    Raises `InputError` for a value that cannot be read, or a medium that is none.
    """
    try:
        of_medium = Medium(medium)
    except ValueError:
        raise InputError(f"--medium '{medium}': expected one of {', '.join(Medium)}") from None
    lines = LINES_OF_MEDIUM[of_medium]
    upper, lower = lines[0], lines[-1]
    shapes: dict[str, dict[str, Any]] = {
        "pair": {**_OHMS, "line": upper, "against": lower},
        "high": {**_VOLTS, "line": upper},
        "low": {**_VOLTS, "line": lower},
        "high_ohms": {**_OHMS, "line": upper, "against": Line.GROUND},
        "low_ohms": {**_OHMS, "line": lower, "against": Line.GROUND},
    }
    read = [_reading(option, text, shapes[option]) for option, text in given.items() if text is not None]
    return QuickReadings(of_medium, tuple(read))


def _reading(option: str, text: str, shape: dict[str, Any]) -> Reading:
    return Reading(**shape, value=_value(option, text, shape["quantity"]))


def _value(option: str, text: str, quantity: Quantity) -> ReadingValue:
    try:
        return read_reading_value(text, RESISTANCE if quantity is Quantity.RESISTANCE else VOLTAGE)
    except QuantityError as error:
        raise InputError(f"--{option.replace('_', '-')} '{text}': {error}") from None
