"""A fault put into each random bus of a single line; figures without a document are judged, and marked.

LIN, K-line and single-wire CAN as models for the simulation bank.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from casebase.bus.chain import Array
from casebase.bus.instruments import observed, roles_in
from casebase.bus.network import OPEN_OHMS, PairBuses, Shunt, Slots
from casebase.bus.pair_draws import Drawn, facts_of
from casebase.bus.single_draws import (
    K_LINE_SPREAD,
    LIN_SPREAD,
    PLACES,
    SINGLE_ROLES,
    SINGLE_WIRE_SPREAD,
    Parts,
    SingleSpread,
    bare_buses,
    line_columns,
    log_uniform,
    pick,
    pull_to_ground,
    pull_to_rail,
    shares_of_time,
    uniform,
    with_shunts,
)
from casebase.record.vocabulary import BusState, Medium

SHORT_OHMS: Final = (0.05, 12.0)
SOFT_SHORT_OHMS: Final = (0.05, 600.0)
"""Inside a module a short may be a wet or burnt board of some hundred ohm (judged)."""

IN_MODULE: Final = 0.5
"""Share of shorts inside a module: a single line mostly serves small ones in doors, seats, mirrors (judged)."""

TRUNK_CUT: Final = 0.5
"""A single line often is a star of branches: half of the opens lie in one module's branch (judged)."""

NO_TESTER: Final = 0.3
"""Share of silent K-lines that are read without a tester on them (judged)."""

OWN_PULL_UP: Final = 0.5
"""Share of commanders that keep their chip's own pull-up of 30 kohm when the kilohm is lost (judged)."""

OWN_PULL_UP_OHMS: Final = (20e3, 60e3)
CREEPING_OHMS: Final = (1e6, 1e9)
"""What creeps across a broken joint (judged)."""

Fault = Callable[[Drawn, Parts, Generator, SingleSpread], Drawn]


@dataclass(frozen=True)
class SingleDrawn:
    """Drawn buses, and what makes the edges of a weakly held line slow; all shaped (buses,).

    `healthy_shares`: (3, buses), the traffic once the fault is gone. `farads`: of the line. `bit_seconds`. `run_bits`:
    bits between two rising edges.
    """

    drawn: Drawn
    healthy_shares: Array
    farads: Array
    bit_seconds: Array
    run_bits: Array


def draw_single(state: BusState, count: int, random: Generator, spread: SingleSpread) -> SingleDrawn:
    """Return `count` random buses in `state`."""
    bare, parts = bare_buses(count, random, spread)
    drawn = SINGLE_FAULTS[state](bare, parts, random, spread)
    modules = drawn.buses.present.sum(axis=0)
    # 220 pF a module, 1 nF at the commander, 100 to 150 pF a metre: 1 to 10 nF in all (from memory, ISO 17987-4).
    farads = 1e-9 + modules * uniform(random, (1e-10, 2.5e-10), count) + uniform(random, (2e-10, 2e-9), count)
    bit_seconds = 1 / random.choice([9600.0, 10400.0, 19200.0], count)
    return SingleDrawn(drawn, bare.shares, farads, bit_seconds, uniform(random, (1.5, 4.0), count))


def _at(place: Slots, value: Array) -> Array:
    """Return one value per bus at its place, 0 elsewhere; shape (places, buses)."""
    return np.where(np.arange(PLACES)[:, None] == place, value, 0.0)


def _with_leader(drawn: Drawn, parts: Parts, spread: SingleSpread, share: Array | float = 1.0) -> Drawn:
    """Return the buses with `share` of the pull-up in the commander or the tester (1: all of it)."""
    live, dead = parts.leader_siemens * share, parts.dead_leader_siemens * share
    buses = with_shunts(
        drawn.buses,
        powered_module=pull_to_rail(spread.drive, _at(parts.leader, live), parts.drop_volts),
        unpowered_module=pull_to_rail(spread.drive, _at(parts.leader, dead)),
    )
    return replace(drawn, buses=buses)


def _still_talking(drawn: Drawn, random: Generator, silent_share: float) -> Drawn:
    """Traffic of a disturbed bus: none, or anything from a few tries to a full bus."""
    count = drawn.buses.count
    silent = random.random(count) < silent_share
    return replace(drawn, shares=np.where(silent, 0.0, shares_of_time(random, count, (0.005, 0.45))))


def _silent(drawn: Drawn) -> Drawn:
    return replace(drawn, shares=np.zeros_like(drawn.shares))


def _any_module(drawn: Drawn, parts: Parts, random: Generator, spread: SingleSpread) -> Slots:
    """Return one module of each bus; a tester is none."""
    tester = (np.arange(PLACES)[:, None] == parts.leader) & spread.leader_is_tester
    return np.asarray(pick(random, drawn.buses.present & ~tester, 1)[0])


def _healthy(drawn: Drawn, parts: Parts, random: Generator, spread: SingleSpread) -> Drawn:
    return _with_leader(drawn, parts, spread)


def _quiet(drawn: Drawn, parts: Parts, random: Generator, spread: SingleSpread) -> Drawn:
    quiet = _silent(drawn)
    away = (random.random(drawn.buses.count) < NO_TESTER) & spread.leader_is_tester
    present = quiet.buses.present & ~((np.arange(PLACES)[:, None] == parts.leader) & away)
    quiet = replace(quiet, buses=replace(quiet.buses, present=present))
    return _with_leader(quiet, parts, spread, np.where(away, 0.0, 1.0))


def _short(to: Callable[[SingleSpread, Array], Shunt]) -> Fault:
    def put(drawn: Drawn, parts: Parts, random: Generator, spread: SingleSpread) -> Drawn:
        count = drawn.buses.count
        place = _any_module(drawn, parts, random, spread)
        in_module = random.random(count) < IN_MODULE
        hard, soft = (log_uniform(random, ohms, count) for ohms in (SHORT_OHMS, SOFT_SHORT_OHMS))
        inside = to(spread, _at(place, np.where(in_module, 1 / soft, 0.0)))
        outside = to(spread, _at(place, np.where(in_module, 0.0, 1 / hard)))
        buses = with_shunts(
            drawn.buses,
            powered_trunk=outside,
            unpowered_trunk=outside,
            powered_module=inside,
            unpowered_module=inside,
        )
        faulty = replace(drawn, buses=buses, host=np.where(in_module, place, -1))
        return _still_talking(_with_leader(faulty, parts, spread), random, 0.6)

    return put


def _open(drawn: Drawn, parts: Parts, random: Generator, spread: SingleSpread) -> Drawn:
    buses, count = drawn.buses, drawn.buses.count
    on_trunk = random.random(count) < TRUNK_CUT
    cut = random.integers(0, np.maximum(drawn.ends[1], 1))
    module = _any_module(drawn, parts, random, spread)
    ohms = np.where(random.random(count) < 0.85, OPEN_OHMS, log_uniform(random, (2e3, 2e5), count))
    wire, stub = f"wire_ohms_{spread.drive.value}", f"stub_ohms_{spread.drive.value}"
    changed: dict[str, Any] = {
        wire: np.where((np.arange(PLACES - 1)[:, None] == cut) & on_trunk, ohms, getattr(buses, wire)),
        stub: np.where((np.arange(PLACES)[:, None] == module) & ~on_trunk, ohms, getattr(buses, stub)),
    }
    faulty = replace(drawn, buses=replace(buses, **changed), host=np.where(on_trunk, -1, module))
    beyond = np.where(on_trunk, (drawn.senders <= cut) != (parts.leader <= cut), drawn.senders == module)
    faulty = _still_talking(_with_leader(faulty, parts, spread), random, 0.1)
    return _answering(faulty, parts, spread, beyond)


def _answering(drawn: Drawn, parts: Parts, spread: SingleSpread, deaf: NDArray[np.bool_]) -> Drawn:
    """Return the buses with the time of modules that the leader does not reach given to the leader itself."""
    if spread.leader_ohms is None:
        return drawn
    return replace(drawn, senders=np.where(deaf, parts.leader, drawn.senders))


def _pull_up_missing(drawn: Drawn, parts: Parts, random: Generator, spread: SingleSpread) -> Drawn:
    """The commander's kilohm, or the tester's pull-up, is lost; what the modules hold themselves is left."""
    count = drawn.buses.count
    own = (random.random(count) < OWN_PULL_UP) & (not spread.leader_is_tester)
    own_ohms, creeping_ohms = (log_uniform(random, ohms, count) for ohms in (OWN_PULL_UP_OHMS, CREEPING_OHMS))
    left = 1 / np.where(own, own_ohms, creeping_ohms) / parts.leader_siemens
    weak = _without_own_pull(drawn, parts)
    host = np.full_like(drawn.host, -1) if spread.leader_is_tester else parts.leader
    return replace(_still_talking(_with_leader(weak, parts, spread, left), random, 0.3), host=host)


def _without_own_pull(drawn: Drawn, parts: Parts) -> Drawn:
    """Return the buses with no pull-up at all in the leader, not even what every module has."""
    leader = np.arange(PLACES)[:, None] == parts.leader

    def let_go(shunt: Shunt) -> Shunt:
        held = shunt.where(~leader)
        return replace(
            shunt, across=held.across, amperes_high=held.amperes_high, amperes_low=held.amperes_low
        )

    live, dead = let_go(drawn.buses.powered_module), let_go(drawn.buses.unpowered_module)
    return replace(drawn, buses=replace(drawn.buses, powered_module=live, unpowered_module=dead))


def _stuck(drawn: Drawn, parts: Parts, random: Generator, spread: SingleSpread) -> Drawn:
    """A driver that never lets go; nobody else gets a word in."""
    module = _any_module(drawn, parts, random, spread)
    stuck = np.arange(PLACES)[:, None] == module
    senders = np.stack([module] * len(drawn.senders))
    faulty = replace(drawn, buses=replace(drawn.buses, stuck=stuck), host=module, senders=senders)
    return _with_leader(faulty, parts, spread)


def _to_ground(spread: SingleSpread, siemens: Array) -> Shunt:
    return pull_to_ground(spread.drive, siemens)


def _to_battery(spread: SingleSpread, siemens: Array) -> Shunt:
    return pull_to_rail(spread.drive, siemens)


SINGLE_FAULTS: Final[dict[BusState, Fault]] = {
    BusState.HEALTHY: _healthy,
    BusState.BUS_QUIET: _quiet,
    BusState.LINE_SHORTED_TO_GROUND: _short(_to_ground),
    BusState.LINE_SHORTED_TO_BATTERY: _short(_to_battery),
    BusState.LINE_OPEN: _open,
    BusState.PULL_UP_MISSING: _pull_up_missing,
    BusState.DRIVER_STUCK_DOMINANT: _stuck,
}


@dataclass(frozen=True)
class SingleModel:
    """A single line. Only LIN has a commander to unplug; elsewhere that row is a tester or one more module."""

    medium: Medium
    spread: SingleSpread
    states: tuple[BusState, ...]
    unpluggable: tuple[str, ...]
    traffics: int = 1

    def simulate(
        self, state: BusState, unplugged: str, count: int, seed: int
    ) -> dict[str, NDArray[np.float64]]:
        """Return every column seen with `unplugged` taken off."""
        single = self._drawn(state, count, seed)
        single = replace(single, drawn=replace(single.drawn, shares=self._shares(single, unplugged)))
        columns = line_columns(observed(single.drawn, unplugged, SINGLE_ROLES), self.spread.drive)
        if state is BusState.PULL_UP_MISSING:
            return _slowed(columns, single, unplugged)
        return columns

    def facts(self, state: BusState, count: int, seed: int) -> dict[str, Array]:
        """Return what is known of each bus."""
        drawn = self._drawn(state, count, seed).drawn
        first = len(SINGLE_ROLES) - len(self.unpluggable)
        return facts_of(replace(drawn, roles=drawn.roles[first:]), self.unpluggable)

    def _shares(self, single: SingleDrawn, unplugged: str) -> Array:
        """Return the traffic with modules unplugged: none without a commander, as usual once the fault is gone."""
        drawn, roles = single.drawn, roles_in(unplugged)
        if SINGLE_ROLES[0] in roles and self.spread.leader_ohms is not None:
            return np.zeros_like(drawn.shares)
        gone = np.zeros(drawn.buses.count, dtype=bool)
        for role in roles:
            gone |= drawn.host == drawn.roles[SINGLE_ROLES.index(role)]
        return np.where(gone, single.healthy_shares, drawn.shares)

    def _drawn(self, state: BusState, count: int, seed: int) -> SingleDrawn:
        return draw_single(state, count, np.random.default_rng(seed), self.spread)


def _slowed(columns: dict[str, Array], single: SingleDrawn, unplugged: str) -> dict[str, Array]:
    """Return the columns with edges as slow as the pull-ups left make them: the line is not up when the bit ends."""
    bits = single.farads / np.maximum(_pull_up_siemens(single, unplugged), 1e-9) / single.bit_seconds
    not_there = np.exp(-1 / bits)
    lost = single.drawn.shares.sum(axis=0) * np.minimum(bits * (1 - not_there) / single.run_bits, 1.0)
    talking = single.drawn.shares.sum(axis=0) > 0
    slowed = dict(columns)
    for name, rest in columns.items():
        view, _, quantity = name.rpartition("|")
        if quantity != "recessive_line":
            continue
        swing = rest - columns[f"{view}|dominant_line"]
        slowed[name] = np.where(talking, rest - swing * not_there, rest)
        slowed[f"{view}|volts_line"] = columns[f"{view}|volts_line"] - swing * lost
    return slowed


def _pull_up_siemens(single: SingleDrawn, unplugged: str) -> Array:
    """Return what still lifts the line, shape (buses,)."""
    buses: PairBuses = single.drawn.buses
    for role in roles_in(unplugged):
        buses = buses.without(single.drawn.roles[SINGLE_ROLES.index(role)])
    return np.asarray(buses.powered_module.across.sum(axis=0))


_STATES = tuple(SINGLE_FAULTS)


def lin() -> SingleModel:
    """Return the model of LIN, on 12 and 24 V."""
    return SingleModel(Medium.LIN, LIN_SPREAD, _STATES, SINGLE_ROLES)


def k_line() -> SingleModel:
    """Return the model of K-line with a tester at the DLC, on 12 and 24 V."""
    return SingleModel(Medium.K_LINE, K_LINE_SPREAD, _STATES, SINGLE_ROLES[1:])


def single_wire_can() -> SingleModel:
    """Return the model of single-wire CAN: every module's load holds the line, so there is no pull-up to lose."""
    states = tuple(state for state in _STATES if state is not BusState.PULL_UP_MISSING)
    return SingleModel(Medium.SINGLE_WIRE_CAN, SINGLE_WIRE_SPREAD, states, SINGLE_ROLES[1:])
