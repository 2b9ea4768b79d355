"""High-speed CAN and J1939 as a model for the simulation bank."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from casebase.bus.observe import observed
from casebase.bus.pair_draws import ROLES, Drawn, Spread
from casebase.bus.pair_faults import PAIR_STATES, draw_pairs
from casebase.record.vocabulary import BusState, Medium


@dataclass(frozen=True)
class PairModel:
    """The two-wire model with the levels of ISO 11898-2."""

    medium: Medium = Medium.HIGH_SPEED_CAN
    spread: Spread = field(default_factory=Spread)

    @property
    def states(self) -> tuple[BusState, ...]:
        """The states that make sense on a pair."""
        return PAIR_STATES

    @property
    def unpluggable(self) -> tuple[str, ...]:
        """The roles whose module may be unplugged."""
        return ROLES

    def simulate(
        self, state: BusState, unplugged: str, count: int, seed: int
    ) -> dict[str, NDArray[np.float64]]:
        """Return every column seen with `unplugged` taken off."""
        return observed(self._drawn(state, count, seed), unplugged)

    def hosts(self, state: BusState, count: int, seed: int) -> NDArray[np.int64]:
        """Return for each bus the role of the module that the fault lies in, -1 for none of them."""
        drawn = self._drawn(state, count, seed)
        found = np.full(count, -1)
        for index in reversed(range(len(ROLES))):
            found = np.where((drawn.host >= 0) & (drawn.roles[index] == drawn.host), index, found)
        return found

    def _drawn(self, state: BusState, count: int, seed: int) -> Drawn:
        return draw_pairs(state, count, np.random.default_rng(seed), self.spread)


def high_speed_can() -> PairModel:
    """Return the model of high-speed CAN (CAN FD has the same levels)."""
    return PairModel()


def j1939() -> PairModel:
    """Return the model of J1939: the same pair, on 12 and 24 V (up to 28.8 V charging; common practice, no source)."""
    return PairModel(Medium.J1939, Spread(battery_volts=(11.6, 28.8)))
