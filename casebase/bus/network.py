"""Buses of a two-wire medium: modules on stubs along a trunk, terminators, drivers, a fault; solved in any state.

Shapes are (places, buses) where not said otherwise; a place is a point of the trunk at which a module or the DLC
hangs. Units: volt, ohm, siemens, ampere.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.bus.chain import Array, Block, Chain

OPEN_OHMS: Final = 1e9
METER_OHMS: Final = 10e6
"""Input resistance of a hand-held voltmeter (common practice, no source)."""

LEAK_SIEMENS: Final = 1e-10
"""Keeps a line that nothing holds from being undetermined."""

DRIVER_PASSES: Final = 4
"""Rounds in which a driver's mode (driving, blocked by its diode, at its current limit) settles."""

Slots = NDArray[np.int64]


@dataclass(frozen=True)
class Shunt:
    """What hangs from the lines to fixed voltages and between them: a fault, a driver, a rail.

    Conductances in siemens, currents in ampere (conductance times the voltage behind it).
    """

    high: Array
    low: Array
    across: Array
    amperes_high: Array
    amperes_low: Array

    @classmethod
    def none(cls, shape: tuple[int, ...]) -> Shunt:
        """Return nothing at all."""
        return cls(*(np.zeros(shape) for _ in range(5)))

    def __add__(self, other: Shunt) -> Shunt:
        return Shunt(
            self.high + other.high,
            self.low + other.low,
            self.across + other.across,
            self.amperes_high + other.amperes_high,
            self.amperes_low + other.amperes_low,
        )

    def where(self, mask: Any) -> Shunt:
        """Return this where `mask` holds, and nothing elsewhere."""
        return Shunt(*(np.where(mask, part, 0.0) for part in self._parts()))

    def _parts(self) -> tuple[Array, ...]:
        return self.high, self.low, self.across, self.amperes_high, self.amperes_low


@dataclass(frozen=True)
class Drivers:
    """The output stages of the modules: what each drives each line to, through what, and its limit."""

    volts_high: Array
    volts_low: Array
    ohms_high: Array
    ohms_low: Array
    limit_amperes: Array


@dataclass(frozen=True)
class PairBuses:
    """Many buses of one two-wire medium, each with its fault.

    `present`: where a module hangs. `bias_high`, `bias_low`: siemens to the bias voltage (powered) or ground
    (unpowered, asleep). `bias_volts_high`, `bias_volts_low`: each module's own. `termination`: siemens between the
    lines inside the module. `stub_ohms_high`, `stub_ohms_low`: the module's stub. `wire_ohms_high`, `wire_ohms_low`:
    shape (places - 1, buses). `powered_*`, `unpowered_*`: what the fault and fixed parts add, on the trunk and inside
    modules. `stuck`: modules whose driver never lets go. `dlc`: shape (buses,), the DLC's place, on its own stub.
    `dead_share`: how much of the bias an ohmmeter sees through transceivers without supply.
    """

    present: NDArray[np.bool_]
    bias_high: Array
    bias_low: Array
    bias_volts_high: Array
    bias_volts_low: Array
    termination: Array
    stub_ohms_high: Array
    stub_ohms_low: Array
    wire_ohms_high: Array
    wire_ohms_low: Array
    powered_trunk: Shunt
    powered_module: Shunt
    unpowered_trunk: Shunt
    unpowered_module: Shunt
    drivers: Drivers
    stuck: NDArray[np.bool_]
    dlc: Slots
    dlc_ohms_high: Array
    dlc_ohms_low: Array
    dead_share: Array | float = 1.0

    @property
    def count(self) -> int:
        """The number of buses."""
        return int(self.present.shape[1])

    def without(self, slots: Slots) -> PairBuses:
        """Return the buses with the module at `slots` (one per bus; -1 for none) unplugged."""
        here = np.arange(self.present.shape[0])[:, None] == slots[None, :]
        return replace(
            self,
            present=self.present & ~here,
            termination=np.where(here, 0.0, self.termination),
            bias_high=np.where(here, 0.0, self.bias_high),
            bias_low=np.where(here, 0.0, self.bias_low),
            powered_module=self.powered_module.where(~here),
            unpowered_module=self.unpowered_module.where(~here),
            stuck=self.stuck & ~here,
        )


@dataclass(frozen=True)
class Solved:
    """Buses solved in one state, with the voltages at every place."""

    buses: PairBuses
    module: Shunt
    impedance: Block
    trunk_high: Array
    trunk_low: Array

    def at_modules(self) -> tuple[Array, Array]:
        """Return the voltages at the modules' own pins."""
        series_high, series_low = 1 / self.buses.stub_ohms_high, 1 / self.buses.stub_ohms_low
        inner = _module_block(self.module, series_high, series_low).inverse()
        return inner.times(
            series_high * self.trunk_high + self.module.amperes_high,
            series_low * self.trunk_low + self.module.amperes_low,
        )

    def at_dlc(self) -> tuple[Array, Array]:
        """Return what a voltmeter shows at the DLC."""
        return self.metered(self.buses.dlc, self.buses.dlc_ohms_high, self.buses.dlc_ohms_low)

    def metered(self, slots: Slots, ohms_high: Array, ohms_low: Array) -> tuple[Array, Array]:
        """Return what a voltmeter shows on the trunk at one place per bus, through `ohms_high` and `ohms_low`.

        The meter loads a line that hardly anything holds.
        """
        columns = np.arange(self.buses.count)
        source = self.impedance_at(slots)
        return (
            self.trunk_high[slots, columns] * METER_OHMS / (METER_OHMS + ohms_high + source.hh),
            self.trunk_low[slots, columns] * METER_OHMS / (METER_OHMS + ohms_low + source.ll),
        )

    def impedance_at(self, slots: Slots) -> Block:
        """Return the driving-point impedance of the trunk at one place per bus."""
        columns = np.arange(self.buses.count)
        whole = self.impedance
        return Block(whole.hh[slots, columns], whole.ll[slots, columns], whole.hl[slots, columns])


def recessive(buses: PairBuses) -> Solved:
    """Solve the powered buses while nobody sends; a stuck driver drives on."""
    return _settled(buses, buses.stuck)


def dominant(buses: PairBuses, sender: Slots) -> Solved:
    """Solve the powered buses while the module at `sender` (one place per bus) drives."""
    sending = np.arange(buses.present.shape[0])[:, None] == sender[None, :]
    return _settled(buses, (sending & buses.present) | buses.stuck)


def asleep(buses: PairBuses) -> Solved:
    """Solve the buses with every module asleep: bias to ground, faults to battery still live."""
    return _solved(buses, buses.powered_trunk, buses.powered_module + _bias(buses, np.zeros(buses.count)))


def unpowered(buses: PairBuses) -> Solved:
    """Solve the buses with the battery disconnected, for ohms."""
    dead = replace(
        buses, bias_high=buses.bias_high * buses.dead_share, bias_low=buses.bias_low * buses.dead_share
    )
    return _solved(buses, buses.unpowered_trunk, buses.unpowered_module + _bias(dead, np.zeros(buses.count)))


def _bias(buses: PairBuses, volts_high: Array, volts_low: Array | None = None) -> Shunt:
    volts_low = volts_high if volts_low is None else volts_low
    bias_high = np.where(buses.present, buses.bias_high, 0.0)
    bias_low = np.where(buses.present, buses.bias_low, 0.0)
    return Shunt(
        bias_high + LEAK_SIEMENS,
        bias_low + LEAK_SIEMENS,
        np.where(buses.present, buses.termination, 0.0),
        bias_high * volts_high,
        bias_low * volts_low,
    )


def _settled(buses: PairBuses, driving: NDArray[np.bool_]) -> Solved:
    """Solve with drivers on, letting their diodes and limits find their mode."""
    fixed = buses.powered_module + _bias(buses, buses.bias_volts_high, buses.bias_volts_low)
    if not driving.any():
        return _solved(buses, buses.powered_trunk, fixed)
    mode_high = mode_low = np.where(driving, _DRIVES, _OFF)
    solved = _solved(buses, buses.powered_trunk, fixed + _driven(buses.drivers, mode_high, mode_low))
    for _ in range(DRIVER_PASSES):
        pins_high, pins_low = solved.at_modules()
        before = mode_high, mode_low
        mode_high = _mode(
            driving, buses.drivers.volts_high - pins_high, buses.drivers.ohms_high, buses.drivers
        )
        mode_low = _mode(driving, pins_low - buses.drivers.volts_low, buses.drivers.ohms_low, buses.drivers)
        if np.array_equal(before[0], mode_high) and np.array_equal(before[1], mode_low):
            return solved
        solved = _solved(buses, buses.powered_trunk, fixed + _driven(buses.drivers, mode_high, mode_low))
    return solved


_OFF, _DRIVES, _LIMITS = 0, 1, 2


def _mode(
    driving: NDArray[np.bool_], forward_volts: Array, ohms: Array, drivers: Drivers
) -> NDArray[np.int64]:
    """Return each driver's mode from the voltage across it: a diode blocks backward, a limit caps forward."""
    beyond = forward_volts > drivers.limit_amperes * ohms
    return np.where(driving & (forward_volts > 0), np.where(beyond, _LIMITS, _DRIVES), _OFF)


def _driven(drivers: Drivers, mode_high: NDArray[np.int64], mode_low: NDArray[np.int64]) -> Shunt:
    siemens_high = np.where(mode_high == _DRIVES, 1 / drivers.ohms_high, 0.0)
    siemens_low = np.where(mode_low == _DRIVES, 1 / drivers.ohms_low, 0.0)
    return Shunt(
        siemens_high,
        siemens_low,
        np.zeros_like(siemens_high),
        siemens_high * drivers.volts_high + np.where(mode_high == _LIMITS, drivers.limit_amperes, 0.0),
        siemens_low * drivers.volts_low - np.where(mode_low == _LIMITS, drivers.limit_amperes, 0.0),
    )


def _module_block(module: Shunt, series_high: Array, series_low: Array) -> Block:
    return Block(
        module.high + module.across + series_high, module.low + module.across + series_low, -module.across
    )


def _solved(buses: PairBuses, trunk: Shunt, module: Shunt) -> Solved:
    """Fold every module through its stub onto the trunk, and solve the trunk."""
    series_high, series_low = 1 / buses.stub_ohms_high, 1 / buses.stub_ohms_low
    inner = _module_block(module, series_high, series_low).inverse()
    across = series_high * series_low * inner.hl
    seen_high, seen_low = inner.times(module.amperes_high, module.amperes_low)
    chain = Chain(
        high=trunk.high + LEAK_SIEMENS + series_high - series_high * series_high * inner.hh - across,
        low=trunk.low + LEAK_SIEMENS + series_low - series_low * series_low * inner.ll - across,
        across=trunk.across + across,
        amperes_high=trunk.amperes_high + series_high * seen_high,
        amperes_low=trunk.amperes_low + series_low * seen_low,
        series_high=1 / buses.wire_ohms_high,
        series_low=1 / buses.wire_ohms_low,
    )
    return Solved(buses, module, *chain.solved().everywhere())
