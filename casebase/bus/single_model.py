"""LIN, K-line and single-wire CAN as models for the simulation bank."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from casebase.bus.chain import Array
from casebase.bus.network import PairBuses
from casebase.bus.observe import observed, roles_in
from casebase.bus.single_draws import (
    K_LINE_SPREAD,
    LIN_SPREAD,
    SINGLE_ROLES,
    SINGLE_WIRE_SPREAD,
    SingleSpread,
)
from casebase.bus.single_faults import SINGLE_FAULTS, SingleDrawn, draw_single
from casebase.bus.single_line import line_columns
from casebase.record.vocabulary import BusState, Medium


@dataclass(frozen=True)
class SingleModel:
    """A single line. Only LIN has a commander to unplug; elsewhere that row is a tester or one more module."""

    medium: Medium
    spread: SingleSpread
    states: tuple[BusState, ...]
    unpluggable: tuple[str, ...]

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

    def hosts(self, state: BusState, count: int, seed: int) -> NDArray[np.int64]:
        """Return for each bus the role of the module that the fault lies in, -1 for none of them."""
        drawn = self._drawn(state, count, seed).drawn
        found = np.full(count, -1)
        for index in reversed(range(len(self.unpluggable))):
            slots = drawn.roles[SINGLE_ROLES.index(self.unpluggable[index])]
            found = np.where((drawn.host >= 0) & (slots == drawn.host), index, found)
        return found

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
