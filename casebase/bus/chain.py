"""A nodal DC solver for many buses at once: two conductors along a trunk, whatever hangs on them at each place.

Every bus is a chain of places. At each place a 2 x 2 admittance (line to reference, line to line) and two current
sources hang on the pair; neighbouring places are joined by a conductance per line. Kirchhoff's current law then is
a block-tridiagonal system of 2 x 2 blocks, solved for all buses together by block elimination in both directions.

Shapes: `buses` x `places`; index 0 is CAN high (or the only line), index 1 CAN low. Units: volt, ampere, siemens, ohm.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Block:
    """A symmetric 2 x 2 matrix per bus: `hh`, `ll` on the diagonal, `hl` beside it; each of shape (buses,)."""

    hh: Any
    ll: Any
    hl: Any

    def __add__(self, other: Block) -> Block:
        return Block(self.hh + other.hh, self.ll + other.ll, self.hl + other.hl)

    def inverse(self) -> Block:
        """Return the inverse."""
        determinant = self.hh * self.ll - self.hl * self.hl
        return Block(self.ll / determinant, self.hh / determinant, -self.hl / determinant)

    def times(self, high: Any, low: Any) -> tuple[Any, Any]:
        """Return the product with a vector (high, low)."""
        return self.hh * high + self.hl * low, self.hl * high + self.ll * low

    def beyond(self, series_high: Any, series_low: Any) -> Block:
        """Return what this admittance looks like through a series conductance in each line."""
        inner = Block(self.hh + series_high, self.ll + series_low, self.hl).inverse()
        return Block(
            series_high - series_high * series_high * inner.hh,
            series_low - series_low * series_low * inner.ll,
            -series_high * series_low * inner.hl,
        )


@dataclass(frozen=True)
class Chain:
    """Buses as chains: admittances and sources at each place, series conductances between places.

    `high`, `low` (siemens to reference), `across` (siemens between the lines), `amperes_high`, `amperes_low`: shape
    (places, buses). `series_high`, `series_low`: shape (places - 1, buses).
    """

    high: Array
    low: Array
    across: Array
    amperes_high: Array
    amperes_low: Array
    series_high: Array
    series_low: Array

    def block(self, place: int) -> Block:
        """Return the admittance that hangs on one place."""
        across = self.across[place]
        return Block(self.high[place] + across, self.low[place] + across, -across)

    def solved(self) -> Solution:
        """Return the voltages and driving-point impedances of every place."""
        toward_left = _swept(self, range(len(self.high)))
        toward_right = _swept(self, range(len(self.high) - 1, -1, -1))
        return Solution(self, toward_left, toward_right)


Side = list[tuple[Block, Any, Any] | None]


def _swept(chain: Chain, places: range) -> Side:
    """Return, for each place, what its neighbour's side looks like from it: (admittance, amperes high, amperes low)."""
    sides: Side = [None] * len(chain.high)
    for here, following in pairwise(places):
        known = sides[here]
        own = chain.block(here)
        amperes_high, amperes_low = chain.amperes_high[here], chain.amperes_low[here]
        if known is not None:
            own = own + known[0]
            amperes_high, amperes_low = amperes_high + known[1], amperes_low + known[2]
        joint = min(here, following)
        series_high, series_low = chain.series_high[joint], chain.series_low[joint]
        inner = Block(own.hh + series_high, own.ll + series_low, own.hl).inverse()
        seen_high, seen_low = inner.times(amperes_high, amperes_low)
        sides[following] = (
            own.beyond(series_high, series_low),
            series_high * seen_high,
            series_low * seen_low,
        )
    return sides


@dataclass(frozen=True)
class Solution:
    """A solved chain: voltages, and what an ohmmeter sees."""

    chain: Chain
    from_left: Side
    from_right: Side

    def _total(self, place: int) -> tuple[Block, Any, Any]:
        admittance = self.chain.block(place)
        amperes_high, amperes_low = self.chain.amperes_high[place], self.chain.amperes_low[place]
        for side in (self.from_left[place], self.from_right[place]):
            if side is not None:
                admittance = admittance + side[0]
                amperes_high, amperes_low = amperes_high + side[1], amperes_low + side[2]
        return admittance, amperes_high, amperes_low

    def everywhere(self) -> tuple[Block, Array, Array]:
        """Return the driving-point impedance of every place and both lines' voltages, each of shape (places, buses)."""
        blocks, high, low = zip(*(self._total(place) for place in range(len(self.chain.high))), strict=True)
        total = Block(*(np.stack([getattr(block, part) for block in blocks]) for part in ("hh", "ll", "hl")))
        impedance = total.inverse()
        return impedance, *impedance.times(np.stack(high), np.stack(low))


def ohms_between_lines(impedance: Block) -> Any:
    """Return what an ohmmeter reads between the lines."""
    return impedance.hh + impedance.ll - 2 * impedance.hl
