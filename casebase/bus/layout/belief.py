"""What is believed of one network: rows drawn by their probability, and the bits that a test tells about where."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.bus.chain import Array
from casebase.bus.instruments import View
from casebase.bus.layout.rows import Rows
from casebase.bus.layout.solving import Index
from casebase.bus.layout.ways import ROWS
from casebase.bus.posterior import expected_entropy

Words = NDArray[Any]
"""What rows show, in words; shape (rows,)."""

ROWS_DRAWN: Final = 3000
_SEED: Final = 23


@dataclass(frozen=True)
class Belief:
    """What is believed of one network: the probability of every row (ways, rows), what was read, each way's element."""

    rows: Rows
    by_row: Array
    done: set[tuple[View, str]]
    element_of_way: Array

    @cached_property
    def _drawn(self) -> tuple[Index, Array]:
        """(rows drawn by their probability, how often each)."""
        flat = self.by_row.reshape(-1)
        random = np.random.default_rng(_SEED)
        rows, counts = np.unique(
            random.choice(flat.size, ROWS_DRAWN, p=flat / flat.sum()), return_counts=True
        )
        return rows, counts.astype(np.float64)

    @cached_property
    def some(self) -> Rows:
        """The rows drawn."""
        return self.rows.picked(self._drawn[0])

    @cached_property
    def counts(self) -> Array:
        """How often each was drawn."""
        return self._drawn[1]

    @cached_property
    def ways(self) -> Index:
        """The way of each row drawn."""
        return np.asarray(self._drawn[0] // ROWS)

    @cached_property
    def elements(self) -> Index:
        """The element of each row drawn."""
        return np.asarray(self.element_of_way[self.ways])

    def bits(self, shown: Words) -> float:
        """Return the bits that a test is expected to tell about which element, from what each row drawn shows.

        Less the bias of counting some hundred rows into cells (Miller and Madow's correction).
        """
        _, shows = np.unique(shown, return_inverse=True)
        _, lies = np.unique(self.elements, return_inverse=True)
        cells = np.zeros((shows.max() + 1, lies.max() + 1))
        np.add.at(cells, (shows, lies), self.counts)
        whole = cells.sum()
        told = (
            _entropy(cells.sum(axis=0) / whole)
            + _entropy(cells.sum(axis=1) / whole)
            - _entropy(cells / whole)
        )
        spare = np.count_nonzero(cells) - cells.shape[0] - cells.shape[1] + 1
        return float(max(told - spare / (2 * len(self.counts) * np.log(2)), 0.0))


def _entropy(shares: Array) -> float:
    return expected_entropy(shares.reshape(1, -1))
