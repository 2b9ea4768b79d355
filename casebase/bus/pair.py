"""A fault put into each of many healthy buses, by state: where it sits, how many ohms, what it does to the traffic.

High-speed CAN and J1939 as a model for the simulation bank.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from casebase.bus.chain import Array
from casebase.bus.instruments import observed
from casebase.bus.network import OPEN_OHMS, Shunt, Slots
from casebase.bus.pair_draws import (
    PLACES,
    ROLES,
    Drawn,
    Spread,
    healthy_pairs,
    log_uniform,
    pick_modules,
    traffic_shares,
    uniform,
)
from casebase.record.vocabulary import BusState, Medium

Fault = Callable[[Drawn, Generator, Spread], Drawn]

USUAL: Final = Spread()


def draw_pairs(state: BusState, count: int, random: Generator, spread: Spread = USUAL) -> Drawn:
    """Return `count` random buses in `state`."""
    return _FAULTS[state](healthy_pairs(count, random, spread), random, spread)


SHORT_OHMS: Final = (0.05, 20.0)
RAIL_OHMS: Final = (2.0, 60.0)
"""What the loads on a dead battery rail amount to (common practice, no source)."""

ON_TRUNK, IN_MODULE = 0.75, 0.25
"""Where a short sits: on the trunk, or inside a module (judged)."""

TRUNK_CUT, BRANCH_CUT, DLC_CUT = 0.84, 0.10, 0.06
"""Where a line is open: in the trunk, in the branch to one module, in the branch to the DLC (judged)."""


def _still_talking(drawn: Drawn, random: Generator, silent_share: float) -> Drawn:
    """Traffic of a disturbed bus: often none at all, else anything from a few retries to constant error flags."""
    shares = traffic_shares(random, drawn.buses.count, (0.005, 0.45))
    silent = random.random(drawn.buses.count) < silent_share
    return replace(drawn, shares=np.where(silent, 0.0, shares))


def _short(line: str, to: str) -> Fault:
    def put(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
        count = drawn.buses.count
        siemens = 1 / log_uniform(random, SHORT_OHMS, count)
        rail = 1 / (1 / siemens + log_uniform(random, RAIL_OHMS, count))
        volts = uniform(random, spread.battery_volts, count) if to == "battery" else np.zeros(count)
        in_module = random.random(count) < IN_MODULE
        place = pick_modules(random, drawn.buses.present, 1)[0]
        live = _at(place, _shunt(line, to, siemens, siemens * volts))
        dead = _at(place, _shunt(line, to, rail if to == "battery" else siemens, np.zeros(count)))
        buses = replace(
            drawn.buses,
            powered_trunk=live.where(~in_module),
            powered_module=live.where(in_module),
            unpowered_trunk=dead.where(~in_module),
            unpowered_module=dead.where(in_module),
        )
        silent = 0.1 if (line, to) in {("low", "ground"), ("high", "battery")} else 0.35
        return _still_talking(
            replace(drawn, buses=buses, host=np.where(in_module, place, -1)), random, silent
        )

    return put


def _shunt(line: str, to: str, siemens: Array, amperes: Array) -> Shunt:
    nothing = np.zeros_like(siemens)
    if to == "line":
        return Shunt(nothing, nothing, siemens, nothing, nothing)
    if line == "high":
        return Shunt(siemens, nothing, nothing, amperes, nothing)
    return Shunt(nothing, siemens, nothing, nothing, amperes)


def _at(place: Slots, shunt: Shunt) -> Shunt:
    """Put one shunt per bus at its place."""
    here = np.arange(PLACES)[:, None] == place[None, :]
    parts = (shunt.high, shunt.low, shunt.across, shunt.amperes_high, shunt.amperes_low)
    return Shunt(*(np.where(here, part[None, :], 0.0) for part in parts))


def _open(high: bool, low: bool) -> Fault:
    def put(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
        buses, count = drawn.buses, drawn.buses.count
        where = random.random(count)
        trunk, branch = where < TRUNK_CUT, (where >= TRUNK_CUT) & (where < TRUNK_CUT + BRANCH_CUT)
        at_dlc = ~trunk & ~branch
        cut = random.integers(0, np.maximum(drawn.ends[1], 1))
        module = pick_modules(random, buses.present, 1)[0]
        ohms = np.where(random.random(count) < 0.85, OPEN_OHMS, log_uniform(random, (2e3, 2e5), count))
        on_trunk = (np.arange(PLACES - 1)[:, None] == cut) & trunk
        on_branch = (np.arange(PLACES)[:, None] == module) & branch
        changed: dict[str, Any] = {
            key: np.where(mask & opened, ohms, getattr(buses, key))
            for opened, line in ((high, "high"), (low, "low"))
            for key, mask in (
                (f"wire_ohms_{line}", on_trunk),
                (f"stub_ohms_{line}", on_branch),
                (f"dlc_ohms_{line}", at_dlc),
            )
        }
        result = replace(drawn, buses=replace(buses, **changed), host=np.where(branch, module, -1))
        return replace(result, shares=_still_talking(result, random, 0.15).shares)

    return put


def _terminators(missing: int) -> Fault:
    def put(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
        end = random.integers(0, 2, drawn.buses.count)
        places = np.arange(PLACES)[:, None]
        lost = (places == np.where(end == 0, drawn.ends[0], drawn.ends[1])) | (missing == 2)
        buses = replace(drawn.buses, termination=np.where(lost, 0.0, drawn.buses.termination))
        changed = replace(drawn, buses=buses)
        return _still_talking(changed, random, 0.3) if missing == 2 else changed

    return put


def _extra_terminator(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    place = pick_modules(random, drawn.buses.present, 1)[0]
    in_module = random.random(drawn.buses.count) < 0.6
    ohms = np.where(random.random(drawn.buses.count) < 0.8, 120.0, 60.0) * random.uniform(
        0.98, 1.02, drawn.buses.count
    )
    extra = _at(place, _shunt("", "line", 1 / ohms, np.zeros(drawn.buses.count)))
    buses = replace(
        drawn.buses,
        powered_trunk=extra.where(~in_module),
        powered_module=extra.where(in_module),
        unpowered_trunk=extra.where(~in_module),
        unpowered_module=extra.where(in_module),
    )
    return replace(drawn, buses=buses, host=np.where(in_module, place, -1))


def _stuck(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    module = pick_modules(random, drawn.buses.present, 1)[0]
    stuck = np.arange(PLACES)[:, None] == module
    changed = replace(drawn, buses=replace(drawn.buses, stuck=stuck), host=module)
    return _still_talking(changed, random, 0.6)


def _healthy_traffic(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    return drawn


def _quiet(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    return replace(drawn, shares=np.zeros_like(drawn.shares))


def _asleep(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    """Standby: each line within 0.1 V of ground (TCAN1042HGV 7.7)."""
    shape = drawn.buses.present.shape
    volts = np.broadcast_to(random.uniform(-0.10, 0.10, (2, 1, drawn.buses.count)), (2, *shape))
    buses = replace(drawn.buses, bias_volts_high=volts[0], bias_volts_low=volts[1])
    return replace(drawn, buses=buses, shares=np.zeros_like(drawn.shares))


_FAULTS: Final[dict[BusState, Fault]] = {
    BusState.HEALTHY: _healthy_traffic,
    BusState.BUS_QUIET: _quiet,
    BusState.BUS_ASLEEP: _asleep,
    BusState.LINES_SHORTED_TOGETHER: _short("", "line"),
    BusState.HIGH_SHORTED_TO_GROUND: _short("high", "ground"),
    BusState.LOW_SHORTED_TO_GROUND: _short("low", "ground"),
    BusState.HIGH_SHORTED_TO_BATTERY: _short("high", "battery"),
    BusState.LOW_SHORTED_TO_BATTERY: _short("low", "battery"),
    BusState.HIGH_OPEN: _open(high=True, low=False),
    BusState.LOW_OPEN: _open(high=False, low=True),
    BusState.BOTH_OPEN: _open(high=True, low=True),
    BusState.TERMINATOR_MISSING: _terminators(1),
    BusState.BOTH_TERMINATORS_MISSING: _terminators(2),
    BusState.EXTRA_TERMINATOR: _extra_terminator,
    BusState.DRIVER_STUCK_DOMINANT: _stuck,
}

PAIR_STATES: Final = tuple(_FAULTS)


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
