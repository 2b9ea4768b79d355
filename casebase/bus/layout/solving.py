"""Kirchhoff's laws on a layout: every impedance between any two ports of healthy networks, once; each change is cheap.

The unknowns are the drop along each branch of a spanning tree and the volts of its root, not the volts of the points:
a wire of milliohms whose far side hangs on megohms is then opened without loss of figures. A port is a branch (its
drop), a point (its volts) or a chord, numbered in `Ports`. Putting something on a port changes two rows and columns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.bus.chain import Array
from casebase.bus.layout.draws import Drawn
from casebase.bus.layout.two_by_two import Pair, TwoByTwo, admittance
from casebase.bus.layout.wiring import Wiring

LEAK_SIEMENS: Final = 1e-9
"""Of each point's line to ground, so that a part that nothing holds is determined."""

Index = NDArray[np.int64]


@dataclass(frozen=True)
class Ports:
    """The numbers of the ports of a wiring: drops first, then points, then chords."""

    wiring: Wiring

    @property
    def count(self) -> int:
        """How many there are."""
        return 2 * len(self.wiring.points) + len(self.wiring.chords)

    def point(self, point: int) -> int:
        """Return the port of a point: its volts to ground."""
        return len(self.wiring.points) + point

    @cached_property
    def of_branch(self) -> Index:
        """The port of each branch: its drop."""
        points = len(self.wiring.points)
        found = np.zeros(len(self.wiring.branches), dtype=np.int64)
        for point, _, branch in self.wiring.trees:
            if branch >= 0:
                found[branch] = point
        for place, branch in enumerate(self.wiring.chords):
            found[branch] = 2 * points + place
        return found

    @cached_property
    def rows(self) -> Array:
        """Each port in terms of the unknowns, shape (ports, points): 0, 1 or -1."""
        points = len(self.wiring.points)
        volts = np.zeros((points, points))
        for point, parent, _ in self.wiring.trees:
            if parent >= 0:
                volts[point] = volts[parent]
            volts[point, point] = 1.0
        chords = [
            volts[one] - volts[other]
            for one, other in (self.wiring.branches[index].ends for index in self.wiring.chords)
        ]
        return np.vstack([np.eye(points), volts, *[chord[None] for chord in chords]])


@dataclass(frozen=True)
class Healthy:
    """Healthy networks solved without a sender: impedances (draws, ports, ports) among ports, volts (draws, ports)."""

    ports: Ports
    hh: Array
    ll: Array
    hl: Array
    volts: Pair

    @property
    def draws(self) -> int:
        """How many networks."""
        return len(self.hh)

    def between(self, one: Index, other: Index) -> TwoByTwo:
        """Return the impedances between ports, shape of both indices broadcast and (draws,) behind."""
        one, other = np.broadcast_arrays(one, other)
        taken = [np.moveaxis(part[:, one, other], 0, -1) for part in (self.hh, self.hl, self.ll)]
        crossed = np.moveaxis(self.hl[:, other, one], 0, -1)
        return TwoByTwo(taken[0], taken[1], crossed, taken[2])

    def at(self, port: Index) -> Pair:
        """Return the volts of ports, (draws,) behind."""
        return np.moveaxis(self.volts[0][:, port], 0, -1), np.moveaxis(self.volts[1][:, port], 0, -1)


def healthy(wiring: Wiring, drawn: Drawn, *, powered: bool) -> Healthy:
    """Solve healthy networks, powered and at rest, or without supply as an ohmmeter sees them."""
    ports, points = Ports(wiring), len(wiring.points)
    rows = ports.rows
    volts = rows[points : 2 * points]
    share = np.ones((drawn.count, 1)) if powered else drawn.dead_share[:, None]
    high, low, across, current = _hanging(wiring, drawn, share)
    matrix = np.zeros((drawn.count, 2, points, 2, points))
    for line, hanging in ((0, high), (1, low)):
        matrix[:, line, :, line, :] = _seen(volts, hanging + across)
    coupling = _seen(volts, across)
    matrix[:, 0, :, 1, :] -= coupling
    matrix[:, 1, :, 0, :] -= coupling
    for line, ohms in ((0, drawn.branch_high), (1, drawn.branch_low)):
        _add_branches(matrix, line, 1 / ohms, ports)
    inverse = _inverse(matrix.reshape(drawn.count, 2 * points, 2 * points))
    blocks = inverse.reshape(drawn.count, 2, points, 2, points)
    hh, ll, hl = (
        np.matmul(np.matmul(rows, blocks[:, one, :, other, :]), rows.T)
        for one, other in ((0, 0), (1, 1), (0, 1))
    )
    inner = slice(points, 2 * points)
    raised: Pair = (
        np.einsum("kpq,kq->kp", hh[:, :, inner], current[0])
        + np.einsum("kpq,kq->kp", hl[:, :, inner], current[1]),
        np.einsum("kqp,kq->kp", hl[:, inner, :], current[0])
        + np.einsum("kpq,kq->kp", ll[:, :, inner], current[1]),
    )
    return Healthy(ports, hh, ll, hl, raised)


def _hanging(wiring: Wiring, drawn: Drawn, share: Array) -> tuple[Array, Array, Array, Pair]:
    """Return siemens to ground of each line and across, at each point, and the current that bias drives in."""
    shape = (drawn.count, len(wiring.points))
    high, low, across = np.full(shape, LEAK_SIEMENS), np.full(shape, LEAK_SIEMENS), np.zeros(shape)
    driven = np.zeros(shape), np.zeros(shape)
    inside = list(wiring.inside.values())
    if inside:
        for line, bias, current in ((high, drawn.bias_high, driven[0]), (low, drawn.bias_low, driven[1])):
            line[:, inside] += bias * share
            current[:, inside] += bias * drawn.bias_volts
    for place, (point, _, _) in enumerate(wiring.terminators):
        across[:, point] += drawn.terminators[:, place]
    return high, low, across, driven


def _seen(volts: Array, hanging: Array) -> Array:
    """Return what hangs at the points as the unknowns see it, shape (draws, unknowns, unknowns)."""
    return np.asarray(np.matmul(volts.T[None] * hanging[:, None, :], volts))


def _add_branches(matrix: Array, line: int, siemens: Array, ports: Ports) -> None:
    for point, _, branch in ports.wiring.trees:
        if branch >= 0:
            matrix[:, line, point, line, point] += siemens[:, branch]
    for branch in ports.wiring.chords:
        row = ports.rows[ports.of_branch[branch]]
        matrix[:, line, :, line, :] += siemens[:, branch, None, None] * np.outer(row, row)


def _inverse(matrix: Array) -> Array:
    """Return the inverse of symmetric matrices, scaled so that each diagonal is 1: small drops keep their figures."""
    scale = 1 / np.sqrt(np.diagonal(matrix, axis1=1, axis2=2))
    found = np.linalg.inv(matrix * scale[:, :, None] * scale[:, None, :])
    return np.asarray(found * scale[:, :, None] * scale[:, None, :])


@dataclass(frozen=True)
class Change:
    """Something put on one port of every network: siemens per line and across, amperes into each line; (draws,)."""

    port: int
    high: Array
    low: Array
    across: Array
    amperes_high: Array
    amperes_low: Array


@dataclass(frozen=True)
class Changed:
    """Healthy networks with some changes, such as plugs parted: the same questions, answered for them."""

    base: Healthy
    changes: tuple[Change, ...]

    @property
    def draws(self) -> int:
        """How many networks."""
        return self.base.draws

    @cached_property
    def _ports(self) -> Index:
        return np.array([change.port for change in self.changes], dtype=np.int64)

    @cached_property
    def _solved(self) -> tuple[Array, Array]:
        """(what each port's current answers to volts there, its currents); (draws, 2c, 2c) and (draws, 2c)."""
        many, draws = len(self.changes), self.draws
        siemens = np.zeros((draws, many, 2, many, 2))
        amperes = np.zeros((draws, many, 2))
        for place, change in enumerate(self.changes):
            one = admittance(change.high, change.low, change.across)
            siemens[:, place, 0, place, 0], siemens[:, place, 1, place, 1] = one.hh, one.ll
            siemens[:, place, 0, place, 1] = siemens[:, place, 1, place, 0] = one.hl
            amperes[:, place, 0], amperes[:, place, 1] = change.amperes_high, change.amperes_low
        both = siemens.reshape(draws, 2 * many, 2 * many)
        among = _stacked(self.base.between(self._ports[:, None], self._ports[None, :]))
        answer = np.linalg.inv(np.eye(2 * many) + both @ among)
        volts = np.stack(self.base.at(self._ports), axis=1).transpose(2, 0, 1).reshape(draws, 2 * many)
        driven = amperes.reshape(draws, 2 * many) - np.einsum("kij,kj->ki", both, volts)
        return answer @ both, np.einsum("kij,kj->ki", answer, driven)

    def between(self, one: Index, other: Index) -> TwoByTwo:
        """Return the impedances between ports, as `Healthy.between`."""
        found = self.base.between(one, other)
        if not self.changes:
            return found
        one, other = np.broadcast_arrays(one, other)
        shape = (*one.shape, self.draws)
        left = _rows(self.base.between(one.reshape(-1, 1), self._ports[None, :]))
        right = _rows(self.base.between(other.reshape(-1, 1), self._ports[None, :]))
        less = np.einsum("nkxi,kij,nkyj->xynk", left, self._solved[0], right, optimize=True)
        (hh, hl), (lh, ll) = less.reshape(2, 2, *shape)
        return found - TwoByTwo(hh, hl, lh, ll)

    def at(self, port: Index) -> Pair:
        """Return the volts of ports, as `Healthy.at`."""
        high, low = self.base.at(port)
        if not self.changes:
            return high, low
        port = np.asarray(port)
        rows = _rows(self.base.between(port.reshape(-1, 1), self._ports[None, :]))
        more = np.einsum("nkxi,ki->xnk", rows, self._solved[1]).reshape(2, *port.shape, self.draws)
        return high + more[0], low + more[1]


def _stacked(blocks: TwoByTwo) -> Array:
    """Return blocks (c, c, draws) as (draws, 2c, 2c)."""
    many = blocks.hh.shape[0]
    whole = np.empty((blocks.hh.shape[-1], many, 2, many, 2))
    for x, y, part in ((0, 0, blocks.hh), (0, 1, blocks.hl), (1, 0, blocks.lh), (1, 1, blocks.ll)):
        whole[:, :, x, :, y] = part.transpose(2, 0, 1)
    return whole.reshape(-1, 2 * many, 2 * many)


def _rows(blocks: TwoByTwo) -> Array:
    """Return blocks (n, c, draws) as (n, draws, 2, 2c)."""
    whole = np.empty((blocks.hh.shape[0], blocks.hh.shape[2], 2, blocks.hh.shape[1], 2))
    for x, y, part in ((0, 0, blocks.hh), (0, 1, blocks.hl), (1, 0, blocks.lh), (1, 1, blocks.ll)):
        whole[:, :, x, :, y] = part.transpose(0, 2, 1)
    return whole.reshape(*whole.shape[:3], -1)


def opened(healthy_ports: Ports, drawn: Drawn, branches: Sequence[int]) -> tuple[Change, ...]:
    """Return the changes that open branches in both lines."""
    nothing = np.zeros(drawn.count)
    return tuple(
        Change(
            int(healthy_ports.of_branch[branch]),
            -1 / drawn.branch_high[:, branch],
            -1 / drawn.branch_low[:, branch],
            nothing,
            nothing,
            nothing,
        )
        for branch in branches
    )
