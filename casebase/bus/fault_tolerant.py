"""Low-speed fault-tolerant CAN (ISO 11898-3) as a model for the simulation bank.

Each line is held by every module by itself: CAN high to ground through RTH, CAN low to 5 V through RTL. When a line
fails, the transceivers switch off what makes it worse (NXP TJA1055 Rev 4, table 4) and go on with the other line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from casebase.bus.chain import Array
from casebase.bus.instruments import observed, roles_in
from casebase.bus.media import FAULT_TOLERANT, FAULT_TOLERANT_LINE_OHMS, SUPPLY_12_VOLTS
from casebase.bus.network import OPEN_OHMS, Drivers, Shunt
from casebase.bus.pair import draw_pairs
from casebase.bus.pair_draws import ROLES, Drawn, Spread, facts_of
from casebase.record.vocabulary import BusState, Medium

FAULT_TOLERANT_STATES: Final = (
    BusState.HEALTHY,
    BusState.BUS_QUIET,
    BusState.BUS_ASLEEP,
    BusState.LINES_SHORTED_TOGETHER,
    BusState.HIGH_SHORTED_TO_GROUND,
    BusState.LOW_SHORTED_TO_GROUND,
    BusState.HIGH_SHORTED_TO_BATTERY,
    BusState.LOW_SHORTED_TO_BATTERY,
    BusState.HIGH_OPEN,
    BusState.LOW_OPEN,
    BusState.BOTH_OPEN,
    BusState.DRIVER_STUCK_DOMINANT,
)

FAULT_TOLERANT_SPREAD: Final = Spread(
    bias_ohms=(1e5, 4e5),
    bias_volts=((1.0, (2.40, 2.58)),),
    dead_share=((1.0, (0.999, 1.0)),),
    modules_seldom=(4, 14),
    worn_ohms=((1.0, (0.0, 0.05)),),
    traffic=((1.0, (0.03, 0.36)),),
    short_ohms=(0.05, 20.0),
    high_volts=(4.30, 4.60),
    low_volts=(0.35, 0.65),
    driver_ohms=(8.0, 20.0),  # VCC - 1.4 V and 1.4 V at 40 mA (NXP TJA1055 Rev 5, table 8)
    limit_amperes=(0.045, 0.110),  # NXP TJA1055 Rev 5, table 8
    contact_ohms=(0.005, 0.10),
)

VCC_VOLTS: Final = (4.85, 5.15)
WEAK_AMPERES: Final = 75e-6
"""What replaces RTH or RTL after a failure (NXP TJA1055 Rev 4, table 4)."""

SLEEP_PULL_UP_OHMS: Final = (8e3, 30e3)
"""RTL to the battery while asleep, per module (from memory, ISO 11898-3)."""

UNPOWERED_SHARE: Final = (0.005, 1.0)
"""How much of RTH and RTL an ohmmeter sees through unpowered transceivers: from all to hardly any (judged)."""

GROUND_OFFSET_VOLTS: Final = (-0.01, 0.10)
"""Between the modules' ground and the meter's: recessive CAN high stays below 0.2 V (NXP TJA1055 Rev 5, table 8)."""

TRAFFIC: Final = (0.03, 0.36)
SILENT: Final = 0.05


@dataclass(frozen=True)
class Reaction:
    """What the transceivers switch off after a failure."""

    weak_rth: bool = False
    weak_rtl: bool = False
    high_driver_off: bool = False
    low_driver_off: bool = False


REACTIONS: Final = {
    BusState.HIGH_SHORTED_TO_BATTERY: Reaction(weak_rth=True, high_driver_off=True),
    BusState.LOW_SHORTED_TO_GROUND: Reaction(weak_rtl=True),
    BusState.LOW_SHORTED_TO_BATTERY: Reaction(weak_rtl=True, low_driver_off=True),
    BusState.LINES_SHORTED_TOGETHER: Reaction(weak_rtl=True, low_driver_off=True),
}
"""NXP TJA1055 Rev 4, table 4: failures 3, 4, 6 and 7; after the others all stays on."""

ONE_LINE_FAULTS: Final = (
    BusState.LINES_SHORTED_TOGETHER,
    BusState.HIGH_SHORTED_TO_GROUND,
    BusState.LOW_SHORTED_TO_GROUND,
    BusState.HIGH_SHORTED_TO_BATTERY,
    BusState.LOW_SHORTED_TO_BATTERY,
    BusState.HIGH_OPEN,
    BusState.LOW_OPEN,
)
"""The bus goes on working on one line (NXP TJA1055 Rev 4, table 4)."""


@dataclass(frozen=True)
class FaultTolerantModel:
    """The two-wire model with the levels, resistors and failure reactions of ISO 11898-3."""

    medium: Medium = Medium.FAULT_TOLERANT_CAN
    states: tuple[BusState, ...] = FAULT_TOLERANT_STATES
    unpluggable: tuple[str, ...] = ROLES
    traffics: int = 1

    def simulate(
        self, state: BusState, unplugged: str, count: int, seed: int
    ) -> dict[str, NDArray[np.float64]]:
        """Return every column seen with `unplugged` taken off."""
        return observed(draw_fault_tolerant(state, count, seed, unplugged), unplugged)

    def facts(self, state: BusState, count: int, seed: int) -> dict[str, Array]:
        """Return what is known of each bus."""
        return facts_of(draw_fault_tolerant(state, count, seed))


def fault_tolerant_can() -> FaultTolerantModel:
    """Return the model of low-speed fault-tolerant CAN."""
    return FaultTolerantModel()


def draw_fault_tolerant(state: BusState, count: int, seed: int, unplugged: str = "nothing") -> Drawn:
    """Return random buses in `state`; where the module at fault is `unplugged` the transceivers recover."""
    random = np.random.default_rng(seed)
    drawn = draw_pairs(state, count, random, FAULT_TOLERANT_SPREAD)
    failed = np.ones(count, dtype=bool)
    for role in roles_in(unplugged):
        failed &= drawn.host != drawn.roles[ROLES.index(role)]
    held = _held(_on_one_line(drawn, state, random), state, failed, random)
    reaction = REACTIONS.get(state, Reaction())
    drivers = _switched_off(held.buses.drivers, reaction, failed)
    return replace(held, buses=replace(held.buses, drivers=drivers))


def _on_one_line(drawn: Drawn, state: BusState, random: Generator) -> Drawn:
    """Return the buses with the traffic of one that works on, where one line is at fault."""
    if state not in ONE_LINE_FAULTS:
        return drawn
    count = drawn.buses.count
    parts = random.exponential(1.0, (3, count))
    shares = parts / parts.sum(axis=0) * random.uniform(*TRAFFIC, count)
    return replace(drawn, shares=np.where(random.random(count) < SILENT, 0.0, shares))


def _held(drawn: Drawn, state: BusState, failed: NDArray[np.bool_], random: Generator) -> Drawn:
    """Return the buses with RTH and RTL in their modules instead of terminators between the lines."""
    buses, count = drawn.buses, drawn.buses.count
    rth, rtl = (_shared_out(buses.present, random) for _ in ("RTH", "RTL"))
    seen_rth, seen_rtl = (siemens * _log_uniform(random, UNPOWERED_SHARE, count) for siemens in (rth, rtl))
    vcc = random.uniform(*VCC_VOLTS, count)
    battery = random.uniform(SUPPLY_12_VOLTS.low, SUPPLY_12_VOLTS.high, count)
    asleep = state is BusState.BUS_ASLEEP
    sleep_ohms = _log_uniform(random, SLEEP_PULL_UP_OHMS, buses.present.shape)
    live_rtl = np.where(buses.present, 1 / sleep_ohms, 0.0) if asleep else rtl
    live = _weakened(
        _resistors(rth, live_rtl, random.uniform(*GROUND_OFFSET_VOLTS, count), battery if asleep else vcc),
        REACTIONS.get(state, Reaction()),
        buses.present & failed,
    )
    changed = replace(
        buses,
        termination=np.zeros_like(buses.termination),
        bias_volts_high=np.zeros_like(buses.bias_high),
        bias_volts_low=np.zeros_like(buses.bias_low),
        powered_module=buses.powered_module + live,
        unpowered_module=buses.unpowered_module + _resistors(seen_rth, seen_rtl),
    )
    return replace(drawn, buses=changed)


def _log_uniform(random: Generator, bounds: tuple[float, float], shape: int | tuple[int, ...]) -> Array:
    return np.asarray(np.exp(random.uniform(math.log(bounds[0]), math.log(bounds[1]), shape)))


def _shared_out(present: NDArray[np.bool_], random: Generator) -> Array:
    """Return each module's resistor as siemens: in parallel they make about 100 ohm, none is below 500 ohm."""
    # The modules nearest to the ends of the network often carry the smaller resistors (common practice, no source).
    weights = np.where(present, np.exp(random.uniform(0.0, 2.5, present.shape)), 0.0)
    line_ohms = random.uniform(FAULT_TOLERANT_LINE_OHMS.low, FAULT_TOLERANT_LINE_OHMS.high, present.shape[1])
    return np.asarray(
        np.minimum(weights / weights.sum(axis=0) / line_ohms, 1 / FAULT_TOLERANT.termination.low)
    )


def _resistors(
    rth: Array, rtl: Array, volts_high: Array | float = 0.0, volts_low: Array | float = 0.0
) -> Shunt:
    return Shunt(rth, rtl, np.zeros_like(rth), rth * volts_high, rtl * volts_low)


def _weakened(held: Shunt, reaction: Reaction, failed: NDArray[np.bool_]) -> Shunt:
    """Return what holds the lines after the transceivers have put a weak source in place of a resistor."""
    no_rth, no_rtl = failed & reaction.weak_rth, failed & reaction.weak_rtl
    return Shunt(
        np.where(no_rth, 0.0, held.high),
        np.where(no_rtl, 0.0, held.low),
        held.across,
        np.where(no_rth, -WEAK_AMPERES, held.amperes_high),
        np.where(no_rtl, WEAK_AMPERES, held.amperes_low),
    )


def _switched_off(drivers: Drivers, reaction: Reaction, failed: NDArray[np.bool_]) -> Drivers:
    """Return the drivers with those off that the failure makes useless."""
    return replace(
        drivers,
        ohms_high=np.where(failed & reaction.high_driver_off, OPEN_OHMS, drivers.ohms_high),
        ohms_low=np.where(failed & reaction.low_driver_off, OPEN_OHMS, drivers.ohms_low),
    )
