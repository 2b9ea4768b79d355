"""What a reading tells of the simulated buses: a quantity, words (over a limit, one of several), or why nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Final

import numpy as np
from numpy.typing import NDArray

from casebase.bus.bank import Bank
from casebase.bus.chain import Array
from casebase.bus.instruments import Uncertain, View, roles_in
from casebase.bus.observation import (
    WORD_BY_CHANCE,
    WRONG_LOOK,
    Bench,
    NumberRead,
    Observation,
    Slip,
    capped,
    column_of,
)
from casebase.bus.roles import Places
from casebase.record.reading import Reading
from casebase.record.vocabulary import BUS_SUPPLIED, Battery, BusState, Ignition, Line, Quantity, Stage

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


@dataclass(frozen=True)
class LimitRead:
    """A resistance or voltage over or under a limit; misfit 0 on the right side of it."""

    readings: tuple[int, ...]
    view: View
    quantity: str
    limit: Uncertain
    is_over: bool

    @property
    def told(self) -> tuple[tuple[View, str], ...]:
        """What need not be read again."""
        return ((self.view, self.quantity),)

    @property
    def live(self) -> bool:
        """Whether it was read with the bus supplied."""
        return not self.quantity.startswith("ohms")

    @property
    def by_chance(self) -> float:
        """How likely any bus at all is to explain it."""
        return WORD_BY_CHANCE

    def misfit(self, bench: Bench) -> Array:
        """Return how far each bus lies beyond the limit, in standard errors."""
        # As a number read at the limit: the errors and smoothing are those of a number.
        error = NumberRead(self.readings, self.view, self.quantity, self.limit).error
        true = column_of(bench, self.view, self.quantity)
        if self.live:
            beyond = (true - self.limit.value) / error
        else:
            # By ratio: 5 ohm is far below 10 Mohm, although the error at 10 Mohm is megohms.
            beyond = (
                np.log(np.maximum(true, 0.01) / max(self.limit.value, 0.01))
                * max(self.limit.value, 0.01)
                / error
            )
        return capped((-beyond if self.is_over else beyond).clip(min=0))

    def slips(self, bench: Bench) -> list[Slip]:
        """Return nothing: nobody usually takes it wrongly."""
        return []


@dataclass(frozen=True)
class EitherRead:
    """Several values in one state: a fault that comes and goes shows one, a sound bus or the same fault the others.

    `healthy` marks the rows of healthy buses; every state has as many.
    """

    options: tuple[Observation, ...]
    view: View
    quantity: str
    healthy: slice

    @property
    def readings(self) -> tuple[int, ...]:
        """The readings it comes from."""
        return tuple(dict.fromkeys(place for option in self.options for place in option.readings))

    @property
    def told(self) -> tuple[tuple[View, str], ...]:
        """What need not be read again."""
        return self.options[0].told

    @property
    def live(self) -> bool:
        """Whether it was read with the bus supplied."""
        return self.options[0].live

    @property
    def by_chance(self) -> float:
        """How likely any bus at all is to explain it."""
        return max(option.by_chance for option in self.options)

    def misfit(self, bench: Bench) -> Array:
        """Return the misfit of a bus that shows one of the values, the others shown by what it changes with."""
        explained = np.stack([np.exp(-0.5 * option.misfit(bench) ** 2) for option in self.options])
        elsewhere = self._shown_elsewhere(explained)
        others = np.stack(
            [np.delete(elsewhere, place, axis=0).prod(axis=0) for place in range(len(explained))]
        )
        together = (explained * others).sum(axis=0) / max(float(others.max()), 1e-300)
        return capped(np.sqrt(-2.0 * np.log(np.clip(together, 1e-30, 1.0))))

    def _shown_elsewhere(self, explained: Array) -> Array:
        """Return how well each value is shown by healthy buses, or by others in the state of the row."""
        buses = self.healthy.stop - self.healthy.start
        by_state = explained.reshape(len(explained), -1, buses).mean(axis=2)
        sound = explained[:, self.healthy].mean(axis=1, keepdims=True)
        return np.repeat(np.maximum(by_state, sound), buses, axis=1)

    def slips(self, bench: Bench) -> list[Slip]:
        """Return nothing: what changes while it is watched was looked at well."""
        return []


LEAVES_WITH_MODULE: Final = frozenset(
    {
        *(BusState.LINES_SHORTED_TOGETHER, BusState.HIGH_SHORTED_TO_GROUND, BusState.LOW_SHORTED_TO_GROUND),
        *(BusState.HIGH_SHORTED_TO_BATTERY, BusState.LOW_SHORTED_TO_BATTERY, BusState.EXTRA_TERMINATOR),
        *(BusState.DRIVER_STUCK_DOMINANT, BusState.MODULE_LOADS_LINES, BusState.GROUND_OFFSET),
        *(BusState.ONE_AWAKE_ALONE, BusState.LINE_SHORTED_TO_GROUND, BusState.LINE_SHORTED_TO_BATTERY),
    }
)
"""Faults that, where they lie in a module, are gone when it is unplugged; one that is open or missing stays."""

LEAVES_WITH_SWAP: Final = LEAVES_WITH_MODULE | {BusState.TERMINATOR_WRONG_VALUE}
"""A terminator in the module comes back right with another module."""

NO_FAULT_OF_THE_BUS: Final = frozenset({BusState.HEALTHY, BusState.BUS_QUIET, BusState.BUS_ASLEEP})


@dataclass(frozen=True)
class FaultRead:
    """The fault gone, or not, with modules unplugged or swapped.

    `explains`: how likely each simulated bus makes what was seen, shape (rows,), 0..1.
    """

    readings: tuple[int, ...]
    explains: NDArray[np.float64]
    live: ClassVar[bool] = True
    told: ClassVar[tuple[tuple[View, str], ...]] = ()
    by_chance: ClassVar[float] = WORD_BY_CHANCE

    def misfit(self, bench: Bench) -> Array:
        """Return how badly each simulated bus explains it."""
        return capped(np.sqrt(-2.0 * np.log(self.explains)))

    def slips(self, bench: Bench) -> list[Slip]:
        """Return nothing: a fault that comes and goes by itself is in `explains`."""
        return []


CANNOT_TELL: Final = 0.5
"""How likely either answer is where the fault is none of the bus's own."""


def fault_read(index: int, bank: Bank, unplugged: str, swapped: Sequence[str], *, gone: bool) -> FaultRead:
    """Return what a fault that is gone, or not, with these roles' modules unplugged or swapped tells of its host."""
    state_of_row = bank.state_of_row
    leaves = np.zeros(len(state_of_row), dtype=bool)
    for roles, leaving in ((roles_in(unplugged), LEAVES_WITH_MODULE), (swapped, LEAVES_WITH_SWAP)):
        hosts = [bank.model.unpluggable.index(role) for role in roles]
        of_state = np.array([state in leaving for state in bank.states])
        leaves |= np.isin(bank.hosts, hosts) & of_state[state_of_row]
    wrong = float(np.exp(-0.5 * WRONG_LOOK**2))
    explains = np.where(leaves == gone, 1.0 - wrong, wrong)
    of_the_bus = np.array([state not in NO_FAULT_OF_THE_BUS for state in bank.states])[state_of_row]
    return FaultRead((index,), np.where(of_the_bus, explains, CANNOT_TELL))
