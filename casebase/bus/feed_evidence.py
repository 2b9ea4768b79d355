"""Readings of supply and ground at a plug as evidence: of which module they tell, and how well feeds explain them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from casebase.bus.feed_draws import (
    OPEN_OHMS,
    Array,
    Feeds,
    Load,
    Supplied,
    Taken,
    ohms_along,
    volts_between,
)
from casebase.bus.measured import is_live
from casebase.record.modules import module_identity, modules_named_in
from casebase.record.quantities import Amount
from casebase.record.reading import Reading, place_kind
from casebase.record.reading_value import Bound, Comparison, OverLimit, Several
from casebase.record.vocabulary import POWER_LINES, Battery, Ignition, Into, Line, Quantity, Stage, YesNo

SLIP: Final = 0.015
"""Chance that a reading says nothing: wrong pin, probe not through, anything shown (judged)."""

METER_VOLTS: Final = 0.06
METER_SHARE: Final = 0.01
LEADS_OHMS: Final = 0.2
OHMS_SPREAD: Final = 0.3
WIDEST_VOLTS: Final = 15.0
WIDEST_OHMS: Final = 15.0
"""What a slip may show, evenly: so many volts, or so many powers of e of ohms."""

NORMAL_WITHIN: Final = 0.08
"""A value called normal lies this near to what sound feeds show, as a share of the battery's volts (judged)."""
BAD_NOW_AND_THEN: Final = 0.1
"""How well any bad feed explains a value that comes and goes (judged)."""

DLC_NAME: Final = "DLC"


def is_of_a_feed(reading: Reading) -> bool:
    """Return whether a reading tells of the supply or ground at a plug, and of no bus line."""
    leads = {reading.line, reading.against} - {None}
    return bool(leads & {Line.SUPPLY, Line.GROUND, Line.BATTERY_PLUS}) and leads <= set(POWER_LINES)


def module_at(reading: Reading) -> str | None:
    """Return the name of the module whose feed a reading tells of, `DLC` there; None where it tells of none."""
    if not is_of_a_feed(reading) or reading.stage is Stage.AFTER_REPAIR or reading.into is Into.MODULE:
        return None
    if place_kind(reading.at) == DLC_NAME:
        return DLC_NAME
    if place_kind(reading.at) != "connector":
        return None
    named = modules_named_in(reading.at, strict=False)
    return reading.at[named[0].start : named[0].end] if named else reading.at


def load_of(reading: Reading, module: str) -> Load | None:
    """Return what drew current while it was read; None where nobody says."""
    if reading.loaded is YesNo.YES:
        return Load.LAMP
    if reading.loaded is YesNo.NO:
        return Load.NONE
    if reading.into is Into.HARNESS or _is_unplugged(reading, module):
        return Load.NONE
    if module == DLC_NAME:
        return Load.NONE
    return None if reading.unplugged is None else Load.MODULE


def _is_unplugged(reading: Reading, module: str) -> bool:
    return any(module_identity(name) == module_identity(module) for name in reading.unplugged or ())


def explained_by_feeds(reading: Reading, module: str, drawn: Feeds) -> Array:
    """Return how well each drawn feed explains a reading that can be used, shape (rows,), 0..1."""
    agreed = np.mean(
        [_agreement(reading, shows, drawn) for shows in _would_show(reading, module, drawn)], axis=0
    )
    return np.asarray(SLIP * _by_chance(reading) + (1.0 - SLIP) * agreed)


def _by_chance(reading: Reading) -> float:
    """Return how well a value agrees, on average, with anything that a slip may show."""
    if not isinstance(reading.value, Amount):
        return 0.2
    if reading.quantity is Quantity.RESISTANCE:
        return float((2 * np.pi) ** 0.5 * OHMS_SPREAD / WIDEST_OHMS)
    return min(float((2 * np.pi) ** 0.5 * _error_volts(reading.value) / WIDEST_VOLTS), 0.5)


def _error_volts(amount: Amount) -> float:
    return float(np.hypot(METER_VOLTS + METER_SHARE * abs(amount.number), (amount.high - amount.low) / 2))


def _would_show(reading: Reading, module: str, drawn: Feeds) -> Iterator[Array]:
    """Yield what the feeds would show, once for each load that may have drawn current."""
    line, load = reading.line or Line.SUPPLY, load_of(reading, module)
    if reading.quantity is Quantity.RESISTANCE:
        yield ohms_along(drawn, line, plugged=load is not Load.NONE)
        return
    for each in (load,) if load else (Load.NONE, Load.MODULE):
        taken = Taken(_supplied(reading), each, reading.ignition is Ignition.OFF)
        yield volts_between(drawn, line, reading.against or Line.GROUND, taken)


def _is_along_a_wire(reading: Reading) -> bool:
    """Return whether ohms are of one wire: between supply and ground they are those of what hangs on it."""
    if reading.to is not None:
        return True
    ends: tuple[Line | None, ...] = (Line.GROUND, Line.BATTERY_MINUS, None)
    if reading.line is Line.SUPPLY:
        ends = (Line.BATTERY_PLUS,)
    return reading.against in ends


def unusable_for_a_feed(reading: Reading) -> str | None:
    """Return why a reading at a plug says nothing of the feed there; None where it does."""
    ohms = reading.quantity is Quantity.RESISTANCE
    reasons = (
        (
            reading.quantity not in {Quantity.RESISTANCE, Quantity.VOLTAGE},
            "of a feed only volts and ohms are judged: kept with the job",
        ),
        (
            not ohms and (reading.to is not None or reading.line is reading.against),
            "a drop between two points of one wire is kept with the job: read each end against a battery pole",
        ),
        (reading.is_below_zero_ohms, "ohms below zero: there is a voltage on the wire; measure volts first"),
        (
            ohms and is_live(reading),
            "ohms on a live circuit mean nothing: disconnect the battery and read again",
        ),
        (
            ohms and not _is_along_a_wire(reading),
            "ohms between supply and ground only show what is connected to them: read each against its battery pole",
        ),
        (
            not ohms and reading.battery is Battery.DISCONNECTED,
            "volts with the battery disconnected say nothing",
        ),
        (
            isinstance(reading.value, Comparison) and reading.value is not Comparison.NORMAL,
            "of a feed the value counts: give the volts, or normal",
        ),
    )
    return next((words for applies, words in reasons if applies), None)


_SUPPLIED: Final = {
    Ignition.OFF: Supplied.RESTING,
    Ignition.ACCESSORY: Supplied.ON,
    Ignition.CRANKING: Supplied.CRANKING,
    Ignition.RUNNING: Supplied.RUNNING,
}


def _supplied(reading: Reading) -> Supplied:
    return _SUPPLIED.get(reading.ignition, Supplied.ON) if reading.ignition else Supplied.ON


def _agreement(reading: Reading, shows: Array, drawn: Feeds) -> Array:
    """Return how well what the feeds show agrees with the value, 0..1."""
    value = reading.value
    if isinstance(value, Several):
        # A feed that is bad now and then is bad, by any amount: the value that sound feeds explain worst counts.
        agreed = [_to_one(reading, each, shows) for each in value.values]
        worst = min(agreed, key=lambda each: float(each[drawn.state == 0].mean()))
        return np.where(drawn.state == 0, worst, np.maximum(worst, BAD_NOW_AND_THEN))
    if isinstance(value, Bound):
        beyond = shows >= value.limit.number if value.is_over else shows <= value.limit.number
        return np.where(beyond, 1.0, 0.0)
    if isinstance(value, Amount | OverLimit):
        return _to_one(reading, value, shows)
    usual = float(np.median(shows[drawn.state == 0]))
    volts = reading.quantity is Quantity.VOLTAGE
    near = NORMAL_WITHIN * float(np.median(drawn.battery[Supplied.ON])) if volts else 1.0
    return np.where(np.abs(shows - usual) <= near, 1.0, 0.0)


def _to_one(reading: Reading, value: Amount | OverLimit, shows: Array) -> Array:
    if isinstance(value, OverLimit):
        return np.where(shows >= OPEN_OHMS / 100, 1.0, 0.0)
    if reading.quantity is Quantity.RESISTANCE:
        apart = (np.log(shows + LEADS_OHMS) - np.log(value.number + LEADS_OHMS / 2)) / OHMS_SPREAD
    else:
        apart = (shows - abs(value.number)) / _error_volts(value)
    return np.asarray(np.exp(-0.5 * np.minimum(apart**2, 100.0)))
