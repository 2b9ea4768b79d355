"""What ohms between the bus pins of a bare module mean: sound, with a terminator in it, shorted or open inside.

It is no reading of the bus. Bounds: 2.25 to 160 kohm in order by kind of module, 0 to 50 ohm a shorted transceiver,
over 500 kohm open (a machine maker's service manual for its CAN modules); 37.1 kohm in order (an engine maker's).
A terminator is 108 to 132 ohm (quoted for CAN; see docs), beside a transceiver of 2.25 kohm or more.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from casebase.bus.measured import quantity_of
from casebase.record.quantities import Amount
from casebase.record.reading import Reading
from casebase.record.reading_value import Bound, Comparison, OverLimit, Several
from casebase.record.vocabulary import Medium, Stage

SHORTED_TO_OHMS: Final = 50.0
TERMINATOR_OHMS: Final = (102.0, 134.0)
"""108 and 132 ohm with 2.25 kohm beside them at the least, and a meter's error."""
SOUND_OHMS: Final = (2.25e3, 160e3)
OPEN_FROM_OHMS: Final = 500e3

_MEDIA: Final = (Medium.HIGH_SPEED_CAN, Medium.J1939)


class Bare(StrEnum):
    """What a bare module is."""

    SOUND = "sound between its bus pins"
    HOLDS_TERMINATOR = "sound, and holds a terminator"
    SHORTED = "shorted inside, as by its transceiver"
    OPEN = "open inside: its transceiver, or a pin, does not connect"
    UNUSUAL = "neither in order nor plainly at fault: hold a like module against it"


@dataclass(frozen=True)
class BareModule:
    """The meaning of one reading into a bare module; `reading` is its index, `at` its plug."""

    reading: int
    at: str
    shown: str
    meaning: Bare

    def words(self) -> str:
        """Return it as a sentence.

        >>> BareModule(0, "connector of ABS", "20 ohm", Bare.SHORTED).words()
        'The bare module at connector of ABS (20 ohm) is shorted inside, as by its transceiver.'
        """
        return f"The bare module at {self.at} ({self.shown}) is {self.meaning}."


def bare_module(index: int, reading: Reading, medium: Medium) -> BareModule | str:
    """Return what a reading into a bare module means, or why it means nothing."""
    if reading.stage is Stage.AFTER_REPAIR:
        return "taken after the repair"
    if medium not in _MEDIA or quantity_of(reading) != "ohms_between":
        return "into a bare module only ohms between CAN high and CAN low are judged"
    if reading.is_below_zero_ohms:
        return "ohms below zero: there is a voltage on the pins; measure volts first"
    value = reading.value.values[-1] if isinstance(reading.value, Several) else reading.value
    meaning = _meaning(value)
    if meaning is None:
        return "a bare module is judged by its ohms: give the number, OL or normal"
    return BareModule(index, reading.at, str(reading.value), meaning)


def _meaning(value: object) -> Bare | None:
    """Return what a value means; of a limit, what all beyond it mean."""
    if isinstance(value, OverLimit):
        return Bare.OPEN
    if isinstance(value, Bound):
        return _of_limit(value)
    if isinstance(value, Amount):
        return meaning_of_ohms(value.number)
    return Bare.SOUND if value is Comparison.NORMAL else None


def _of_limit(bound: Bound) -> Bare:
    ohms = bound.limit.number
    if bound.is_over:
        return Bare.OPEN if ohms >= OPEN_FROM_OHMS else Bare.UNUSUAL
    return Bare.SHORTED if ohms <= SHORTED_TO_OHMS else Bare.UNUSUAL


def meaning_of_ohms(ohms: float) -> Bare:
    """Return what ohms between the bus pins of a bare module mean."""
    if ohms <= SHORTED_TO_OHMS:
        return Bare.SHORTED
    if ohms > OPEN_FROM_OHMS:
        return Bare.OPEN
    if TERMINATOR_OHMS[0] <= ohms <= TERMINATOR_OHMS[1]:
        return Bare.HOLDS_TERMINATOR
    return Bare.SOUND if SOUND_OHMS[0] <= ohms <= SOUND_OHMS[1] else Bare.UNUSUAL
