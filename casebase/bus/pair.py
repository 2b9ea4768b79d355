"""High-speed CAN and J1939 as a model for the simulation bank: every state, the fault behind it, what modules do."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.random import Generator

from casebase.bus.chain import Array
from casebase.bus.instruments import solved_columns
from casebase.bus.network import Shunt, Slots
from casebase.bus.pair_draws import (
    PLACES,
    ROLES,
    SUSPECTS,
    Drawn,
    Spread,
    facts_of,
    healthy_pairs,
    in_cells,
    log_uniform,
    stepped,
    suspect,
    traffic_shares,
)
from casebase.bus.pair_faults import (
    Fault,
    at,
    extra_terminator,
    leak,
    opened,
    poor_joint,
    short,
    still_talking,
    terminators_lost,
    with_shunts,
    wrong_terminator,
)
from casebase.record.vocabulary import BusState, Medium

LOAD_OHMS: Final = (100.0, 15e3)
"""Of each line to ground through a module that lost its supply or half of it (judged)."""

OFFSET_VOLTS: Final = (0.05, 2.0)
"""How far a module's ground is lifted; less passes unnoticed (judged)."""

ALONE: Final = ((0.6, (0.05, 0.50)), (0.4, (0.0, 0.02)))
"""Traffic of a module that nobody answers: it repeats its frames, or has given up (judged)."""


def talking(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    """A bus as it should be."""
    return drawn


def quiet(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    """Awake, and nobody sends."""
    return replace(drawn, shares=np.zeros_like(drawn.shares))


def asleep(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    """Standby: each line within 0.1 V of ground (TCAN1042HGV 7.7)."""
    shape = drawn.buses.present.shape
    volts = np.broadcast_to(random.uniform(-0.10, 0.10, (2, 1, drawn.buses.count)), (2, *shape))
    buses = replace(drawn.buses, bias_volts_high=volts[0], bias_volts_low=volts[1])
    return replace(drawn, buses=buses, shares=np.zeros_like(drawn.shares))


def stuck(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    """One driver never lets go."""
    cell, _ = in_cells(drawn.buses.count, SUSPECTS)
    module = suspect(drawn, random, cell)
    held = np.arange(PLACES)[:, None] == module
    changed = replace(drawn, buses=replace(drawn.buses, stuck=held), host=module)
    return still_talking(changed, random, 0.6)


def loading(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    """One module without supply, or with half of it: its inputs load the lines instead of holding them at rest."""
    count = drawn.buses.count
    cell, along = in_cells(count, SUSPECTS)
    module = suspect(drawn, random, cell)
    here = np.arange(PLACES)[:, None] == module
    ohms = stepped(random, LOAD_OHMS, along)
    unlike = log_uniform(random, (0.7, 1.4), count)
    nothing = np.zeros(count)
    load = at(module, Shunt(1 / (ohms * unlike), unlike / ohms, nothing, nothing, nothing))
    # Half of them let current in only where the lines lie above their dead supply: an ohmmeter sees nothing of it.
    shows = random.random(count) < 0.5
    buses = replace(
        with_shunts(drawn, load, load.where(shows), np.ones(count, dtype=bool)),
        bias_volts_high=np.where(here, 0.0, drawn.buses.bias_volts_high),
        bias_volts_low=np.where(here, 0.0, drawn.buses.bias_volts_low),
    )
    return replace(drawn, buses=buses, host=module, size=ohms)


def ground_offset(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    """One module's ground lies higher than the others': its rest and its levels rise with it."""
    count = drawn.buses.count
    cell, along = in_cells(count, SUSPECTS)
    module = suspect(drawn, random, cell)
    volts = stepped(random, OFFSET_VOLTS, along)
    lifted = np.where(np.arange(PLACES)[:, None] == module, volts, 0.0)
    drivers = drawn.buses.drivers
    buses = replace(
        drawn.buses,
        bias_volts_high=drawn.buses.bias_volts_high + lifted,
        bias_volts_low=drawn.buses.bias_volts_low + lifted,
        drivers=replace(
            drivers, volts_high=drivers.volts_high + lifted, volts_low=drivers.volts_low + lifted
        ),
    )
    return replace(drawn, buses=buses, host=module, size=volts, senders=_sends_first(drawn, module))


def awake_alone(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    """One module awake on a bus whose others hold the lines near ground."""
    count = drawn.buses.count
    cell, _ = in_cells(count, SUSPECTS)
    module = suspect(drawn, random, cell)
    here = np.arange(PLACES)[:, None] == module
    # How hard the sleepers hold the lines: as while awake, or hardly at all.
    held = np.where(here, 1.0, log_uniform(random, (0.01, 1.0), count))
    buses = replace(
        drawn.buses,
        bias_high=drawn.buses.bias_high * held,
        bias_low=drawn.buses.bias_low * held,
        dead_share=drawn.buses.dead_share / held,
        bias_volts_high=np.where(here, drawn.buses.bias_volts_high, random.uniform(-0.05, 0.05, count)),
        bias_volts_low=np.where(here, drawn.buses.bias_volts_low, random.uniform(-0.05, 0.05, count)),
    )
    shares = np.zeros_like(drawn.shares)
    shares[0] = traffic_shares(random, count, ALONE).sum(axis=0)
    senders = _sends_first(drawn, module)
    return replace(drawn, buses=buses, shares=shares, host=module, senders=senders)


def _sends_first(drawn: Drawn, module: Slots) -> Slots:
    """Return the senders with `module` as the first of them."""
    others = np.where(drawn.senders[1:] == module, drawn.senders[:1], drawn.senders[1:])
    return np.concatenate([module[None, :], others])


USUAL: Final = Spread()

_FAULTS: Final[dict[BusState, Fault]] = {
    BusState.HEALTHY: talking,
    BusState.BUS_QUIET: quiet,
    BusState.BUS_ASLEEP: asleep,
    BusState.LINES_SHORTED_TOGETHER: short("", "line"),
    BusState.HIGH_SHORTED_TO_GROUND: short("high", "ground"),
    BusState.LOW_SHORTED_TO_GROUND: short("low", "ground"),
    BusState.HIGH_SHORTED_TO_BATTERY: short("high", "battery"),
    BusState.LOW_SHORTED_TO_BATTERY: short("low", "battery"),
    BusState.HIGH_OPEN: opened(high=True, low=False),
    BusState.LOW_OPEN: opened(high=False, low=True),
    BusState.BOTH_OPEN: opened(high=True, low=True),
    BusState.TERMINATOR_MISSING: terminators_lost(1),
    BusState.BOTH_TERMINATORS_MISSING: terminators_lost(2),
    BusState.EXTRA_TERMINATOR: extra_terminator,
    BusState.DRIVER_STUCK_DOMINANT: stuck,
    BusState.POOR_JOINT: poor_joint,
    BusState.TERMINATOR_WRONG_VALUE: wrong_terminator,
    BusState.LEAK: leak,
    BusState.MODULE_LOADS_LINES: loading,
    BusState.GROUND_OFFSET: ground_offset,
    BusState.ONE_AWAKE_ALONE: awake_alone,
}

PAIR_STATES: Final = tuple(_FAULTS)


def draw_pairs(state: BusState, count: int, random: Generator, spread: Spread = USUAL) -> Drawn:
    """Return `count` random buses in `state`."""
    return _FAULTS[state](healthy_pairs(count, random, spread), random, spread)


@dataclass(frozen=True)
class PairModel:
    """The two-wire model with the levels of ISO 11898-2."""

    medium: Medium = Medium.HIGH_SPEED_CAN
    spread: Spread = field(default_factory=Spread)
    traffics: int = 3

    @property
    def states(self) -> tuple[BusState, ...]:
        """The states that make sense on a pair."""
        return PAIR_STATES

    @property
    def unpluggable(self) -> tuple[str, ...]:
        """The roles whose module may be unplugged."""
        return ROLES

    def simulate(self, state: BusState, unplugged: str, count: int, seed: int) -> dict[str, Array]:
        """Return what does not depend on the traffic, seen with `unplugged` taken off."""
        return solved_columns(self._drawn(state, count, seed), unplugged)

    def facts(self, state: BusState, count: int, seed: int) -> dict[str, Array]:
        """Return what is known of each bus."""
        return facts_of(self._drawn(state, count, seed))

    def _drawn(self, state: BusState, count: int, seed: int) -> Drawn:
        return draw_pairs(state, count, np.random.default_rng(seed), self.spread)


def high_speed_can() -> PairModel:
    """Return the model of high-speed CAN (CAN FD has the same levels)."""
    return PairModel()


def j1939() -> PairModel:
    """Return the model of J1939: the same pair, on 12 and 24 V (up to 28.8 V charging; common practice, no source)."""
    return PairModel(Medium.J1939, Spread(battery_volts=(11.6, 28.8)))
