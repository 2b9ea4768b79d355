"""What is believed of one network: rows drawn by probability, the bits of a test, what nothing given tells apart."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
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
from casebase.bus.layout.whereabouts import ElementKind, Indistinct
from casebase.bus.layout.wiring import Element, Wiring
from casebase.bus.posterior import expected_entropy

Words = NDArray[Any]
"""What rows show, in words; shape (rows,)."""


@dataclass(frozen=True)
class Candidate:
    """A test at one place: words, minutes, what must hold, cautions; `told`: what it reads, as observations name it."""

    place: str
    what: str
    minutes: float
    precondition: str
    cautions: tuple[str, ...]
    told: tuple[tuple[View, str], ...]
    shows: Callable[[Rows], Words]
    """What each row shows, in words."""


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


LEVEL_WITHIN: Final = 1.25
"""Elements explain all that is given equally well where one does so at most so many times better (judged)."""


def level_groups(wiring: Wiring, shares: Array, explains: Array, credible: Sequence[str]) -> list[Indistinct]:
    """Return the credible elements that hang together and explain all that is given equally well, two at least.

    `shares`: the probability of each element; `explains`: how well each explains it; shape (elements,).
    """
    numbers = {element.name: index for index, element in enumerate(wiring.elements)}
    left = sorted((numbers[name] for name in credible), key=lambda index: -explains[index])
    levels: list[list[int]] = []
    for index in left:
        if levels and explains[levels[-1][0]] <= LEVEL_WITHIN * explains[index]:
            levels[-1].append(index)
        else:
            levels.append([index])
    found = [
        Indistinct(
            tuple(wiring.elements[index].name for index in group),
            stretch_words([wiring.elements[index] for index in sorted(group)]),
            float(shares[group].sum()),
        )
        for level in levels
        for group in _hanging_together(wiring, level)
        if len(group) > 1
    ]
    return sorted(found, key=lambda group: -group.probability)


def _hanging_together(wiring: Wiring, level: Sequence[int]) -> list[list[int]]:
    """Return elements in groups that touch: a wire and the places at its ends, a feed and what it serves."""
    touching = {index: wiring.touching(wiring.elements[index]) for index in level}
    groups: list[list[int]] = []
    for index in level:
        near = [group for group in groups if any(touching[index] & touching[other] for other in group)]
        groups = [group for group in groups if group not in near]
        groups.append([*(each for group in near for each in group), index])
    return groups


def stretch_words(elements: Sequence[Element]) -> str:
    """Return elements in words: `between DLC and splice S417` where they make one stretch, else by name."""
    names = [element.name for element in elements]
    listed = f"{', '.join(names[:-1])} or {names[-1]}" if len(names) > 1 else names[0]
    wires = [element.ends for element in elements if element.kind is ElementKind.WIRE]
    places = {element.name for element in elements if element.kind is not ElementKind.WIRE}
    counted = Counter(end for ends in wires for end in ends)
    outer = [end for end, times in counted.items() if times == 1]
    if len(outer) != 2 or len(counted) != len(wires) + 1 or not places <= set(counted) or not wires:
        return listed
    itself = [end for end in outer if end in places]
    also = f", {' and '.join(itself)} counted" if itself else ""
    return f"between {outer[0]} and {outer[1]}{also}"
