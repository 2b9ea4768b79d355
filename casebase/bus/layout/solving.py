"""Kirchhoff's laws on a layout: every impedance between any two ports of healthy networks, once; each change is cheap.

Drops along the branches of a spanning tree are kept beside the volts of the points: a wire of milliohms whose far side
hangs on megohms is then opened without loss of figures. A port is a branch (its drop), a point (its volts) or a chord
that closes a ring, numbered in `Ports`. Putting something on a port changes two rows and columns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.bus.chain import Array
from casebase.bus.layout.draws import Drawn
from casebase.bus.layout.wiring import Wiring

Pair = tuple[Any, Any]
"""Something of CAN high and of CAN low."""


@dataclass(frozen=True, slots=True)
class TwoByTwo:
    """Entries by row and column; ohms, siemens or no unit."""

    hh: Any
    hl: Any
    lh: Any
    ll: Any

    def __matmul__(self, other: TwoByTwo) -> TwoByTwo:
        return TwoByTwo(
            self.hh * other.hh + self.hl * other.lh,
            self.hh * other.hl + self.hl * other.ll,
            self.lh * other.hh + self.ll * other.lh,
            self.lh * other.hl + self.ll * other.ll,
        )

    def __add__(self, other: TwoByTwo) -> TwoByTwo:
        return TwoByTwo(self.hh + other.hh, self.hl + other.hl, self.lh + other.lh, self.ll + other.ll)

    def __sub__(self, other: TwoByTwo) -> TwoByTwo:
        return TwoByTwo(self.hh - other.hh, self.hl - other.hl, self.lh - other.lh, self.ll - other.ll)

    def __getitem__(self, index: Any) -> TwoByTwo:
        return TwoByTwo(self.hh[index], self.hl[index], self.lh[index], self.ll[index])

    @property
    def transposed(self) -> TwoByTwo:
        """The entries beside the diagonal exchanged."""
        return TwoByTwo(self.hh, self.lh, self.hl, self.ll)

    def plus_one(self) -> TwoByTwo:
        """Return this with 1 added on the diagonal."""
        return TwoByTwo(self.hh + 1.0, self.hl, self.lh, self.ll + 1.0)

    def inverse(self) -> TwoByTwo:
        """Return the inverse."""
        scale = 1.0 / (self.hh * self.ll - self.hl * self.lh)
        return TwoByTwo(self.ll * scale, -self.hl * scale, -self.lh * scale, self.hh * scale)

    def times(self, pair: Pair) -> Pair:
        """Return the product with a pair."""
        return self.hh * pair[0] + self.hl * pair[1], self.lh * pair[0] + self.ll * pair[1]

    @property
    def between(self) -> Array:
        """What lies between the lines: ohms, where these are impedances."""
        return np.asarray(self.hh + self.ll - self.hl - self.lh)


def admittance(high: Any, low: Any, across: Any) -> TwoByTwo:
    """Return what hangs from each line to reference and between them, in siemens, as a matrix."""
    return TwoByTwo(high + across, -across, -across, low + across)


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


@dataclass(frozen=True)
class Healthy:
    """Healthy networks solved without a sender: impedances (ports, ports, draws) among ports, volts (ports, draws)."""

    ports: Ports
    hh: Array
    ll: Array
    hl: Array
    volts: Pair

    @property
    def draws(self) -> int:
        """How many networks."""
        return int(self.hh.shape[-1])

    def between(self, one: Index, other: Index) -> TwoByTwo:
        """Return the impedances between ports, shape of both indices broadcast and (draws,) behind."""
        return TwoByTwo(self.hh[one, other], self.hl[one, other], self.hl[other, one], self.ll[one, other])

    def at(self, port: Index) -> Pair:
        """Return the volts of ports, (draws,) behind."""
        return self.volts[0][port], self.volts[1][port]


def healthy(wiring: Wiring, drawn: Drawn, *, powered: bool) -> Healthy:
    """Solve healthy networks, powered and at rest, or without supply as an ohmmeter sees them."""
    ports = Ports(wiring)
    share = np.ones((drawn.count, 1)) if powered else drawn.dead_share[:, None]
    high, low, across, current = _hanging(wiring, drawn, share)
    found = _closed(_of_trees(wiring, drawn, admittance(high, low, across)), wiring, drawn)
    inner = slice(len(wiring.points), 2 * len(wiring.points))
    volts = tuple(
        np.einsum("kpq,kq->kp", one[:, :, inner], current[0])
        + np.einsum("kpq,kq->kp", other[:, :, inner], current[1])
        for one, other in ((found.hh, found.hl), (found.lh, found.ll))
    )
    hh, ll, hl = (np.ascontiguousarray(part.transpose(1, 2, 0)) for part in (found.hh, found.ll, found.hl))
    return Healthy(ports, hh, ll, hl, (volts[0].T.copy(), volts[1].T.copy()))


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


def _of_trees(wiring: Wiring, drawn: Drawn, hanging: TwoByTwo) -> TwoByTwo:
    """Return the impedances among drops and points, (draws, ports, ports), with every chord open.

    Elimination from the leaves of each tree to its root, then back. A drop is never the difference of two volts, and a
    current put on a drop never the difference of two currents: that keeps the figures of what is all but open.
    """
    points = len(wiring.points)
    seen: list[TwoByTwo] = [hanging[:, point] for point in range(points)]
    inner: list[TwoByTwo] = list(seen)
    # Currents at each point for a unit current on each port of each line: (draws, 2 x ports).
    one = np.zeros((points, 2, drawn.count, 2, 2 * points))
    for point in range(points):
        for line in (0, 1):
            one[point, line, :, line, [point, points + point]] = 1.0
    amperes = one.reshape(points, 2, drawn.count, 4 * points)
    for point, parent, branch in reversed(wiring.trees):
        if parent < 0:
            continue
        joint = _joint(drawn, branch)
        inner[point] = (joint + seen[point]).inverse()
        passed = joint @ inner[point]
        beyond = passed @ seen[point]
        seen[parent] = seen[parent] + beyond
        more = _wide(passed).times(amperes[point])
        # Of the current on this drop, what comes back at its other end is left out above and is exact here.
        own = seen[point] @ inner[point]
        for line, column in ((0, (own.hh, own.hl)), (1, (own.lh, own.ll))):
            part = more[line].reshape(drawn.count, 2, 2 * points)
            part[:, 0, point], part[:, 1, point] = -column[0], -column[1]
            amperes[parent, line] += part.reshape(drawn.count, -1)
    return _back(wiring, drawn, seen, inner, amperes)


def _back(
    wiring: Wiring, drawn: Drawn, seen: Sequence[TwoByTwo], inner: Sequence[TwoByTwo], amperes: Array
) -> TwoByTwo:
    points = len(wiring.points)
    drops, volts = np.empty_like(amperes), np.empty_like(amperes)
    for point, parent, _ in wiring.trees:
        own = amperes[point, 0], amperes[point, 1]
        if parent < 0:
            volts[point, 0], volts[point, 1] = drops[point] = _wide(seen[point].inverse()).times(own)
            continue
        above = volts[parent, 0], volts[parent, 1]
        drawn_off = _wide(seen[point]).times(above)
        drop = _wide(inner[point]).times((own[0] - drawn_off[0], own[1] - drawn_off[1]))
        drops[point, 0], drops[point, 1] = drop
        volts[point, 0], volts[point, 1] = above[0] + drop[0], above[1] + drop[1]
    every = np.concatenate([drops, volts]).reshape(2 * points, 2, drawn.count, 2, 2 * points)
    parts = [np.ascontiguousarray(every[:, x, :, y, :].transpose(1, 0, 2)) for x in (0, 1) for y in (0, 1)]
    return TwoByTwo(*parts)


def _joint(drawn: Drawn, branch: int) -> TwoByTwo:
    nothing = np.zeros(drawn.count)
    return admittance(1 / drawn.branch_high[:, branch], 1 / drawn.branch_low[:, branch], nothing)


def _wide(matrix: TwoByTwo) -> TwoByTwo:
    """Return a matrix per draw with an axis behind, for what differs by port."""
    return matrix[:, None]


def _closed(tree: TwoByTwo, wiring: Wiring, drawn: Drawn) -> TwoByTwo:
    """Return the impedances with the chords as ports behind the others, and closed one by one."""
    points = len(wiring.points)
    for branch in wiring.chords:
        one, other = (points + end for end in wiring.branches[branch].ends)
        across = tree[:, one] - tree[:, other]
        along = tree[:, :, one] - tree[:, :, other]
        corner = across[:, one] - across[:, other]
        tree = TwoByTwo(
            *(
                np.block([[whole, column[:, :, None]], [row[:, None, :], own[:, None, None]]])
                for whole, column, row, own in zip(
                    *(_parts(each) for each in (tree, along, across, corner)), strict=True
                )
            )
        )
        siemens = _joint(drawn, branch)
        answer = (siemens @ tree[:, -1, -1]).plus_one().inverse() @ siemens
        tree = tree - tree[:, :, -1][:, :, None] @ answer[:, None, None] @ tree[:, -1, :][:, None, :]
    return tree


def _parts(matrix: TwoByTwo) -> tuple[Array, ...]:
    return matrix.hh, matrix.hl, matrix.lh, matrix.ll


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
        left, right = (
            _rows(self.base.between(np.asarray(port)[..., None], self._ports)) for port in (one, other)
        )
        less = (left @ self._solved[0]) @ right.swapaxes(-1, -2)
        return found - TwoByTwo(less[..., 0, 0], less[..., 0, 1], less[..., 1, 0], less[..., 1, 1])

    def at(self, port: Index) -> Pair:
        """Return the volts of ports, as `Healthy.at`."""
        high, low = self.base.at(port)
        if not self.changes:
            return high, low
        rows = _rows(self.base.between(np.asarray(port)[..., None], self._ports))
        more = (rows @ self._solved[1][:, :, None])[..., 0]
        return high + more[..., 0], low + more[..., 1]


def _stacked(blocks: TwoByTwo) -> Array:
    """Return blocks (c, c, draws) as (draws, 2c, 2c)."""
    many = blocks.hh.shape[0]
    whole = np.empty((blocks.hh.shape[-1], many, 2, many, 2))
    for x, y, part in ((0, 0, blocks.hh), (0, 1, blocks.hl), (1, 0, blocks.lh), (1, 1, blocks.ll)):
        whole[:, :, x, :, y] = part.transpose(2, 0, 1)
    return whole.reshape(-1, 2 * many, 2 * many)


def _rows(blocks: TwoByTwo) -> Array:
    """Return blocks (..., c, draws) as (..., draws, 2, 2c)."""
    parts = np.stack([blocks.hh, blocks.hl, blocks.lh, blocks.ll], axis=-1)
    whole = np.moveaxis(parts.reshape(*parts.shape[:-1], 2, 2), -4, -2)
    return np.asarray(whole.reshape(*whole.shape[:-2], -1))


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
