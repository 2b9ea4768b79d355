"""Matrices of two rows and columns, CAN high and CAN low, many at once: each entry an array of one shape."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from casebase.bus.chain import Array

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
