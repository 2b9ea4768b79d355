"""High-speed CAN and J1939 as a model for the simulation bank: every state, and the fault that makes it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.random import Generator

from casebase.bus.chain import Array
from casebase.bus.instruments import solved_columns
from casebase.bus.pair_draws import ROLES, Drawn, Spread, facts_of, healthy_pairs
from casebase.bus.pair_faults import (
    Fault,
    extra_terminator,
    leak,
    opened,
    poor_joint,
    short,
    terminators_lost,
    wrong_terminator,
)
from casebase.bus.pair_modules import asleep, awake_alone, ground_offset, loading, quiet, stuck, talking
from casebase.record.vocabulary import BusState, Medium

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
