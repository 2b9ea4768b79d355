"""What was measured on the pictures of a library, as arrays, and one picture of a job compared with many of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.match.arrays import Atom
from casebase.match.pictures import (
    FALL_OFF,
    NOTHING_SEEN,
    both_sending,
    looks_likeness,
    measured_step,
    step_likeness,
    traffic_likeness,
)
from casebase.match.ragged import Floats
from casebase.match.scales import STEPS_PER_TOLERANCE
from casebase.match.traits import LEVEL_NAMES, LEVEL_STATES, MEASURED, SHARES, ReadingTrait

Steps = NDArray[np.uint16]
"""What was measured on pictures, shape (pictures, `MEASURED`): a step, or `NOT_MEASURED`."""

NOT_MEASURED: Final = 65_535
FARTHEST: Final = 5 * round(STEPS_PER_TOLERANCE * FALL_OFF)
BY_STEPS_APART: Final = np.array([step_likeness(apart) for apart in range(FARTHEST + 1)])
"""Likeness of two numbers by their distance in steps; farther apart it rounds to nought."""

_STATES_SEEN: Final = tuple(
    tuple(state for state, there in zip(LEVEL_STATES, seen, strict=True) if there)
    for seen in ((False, False), (True, False), (False, True), (True, True))
)
"""Of which states both pictures have levels, by the number 1 x recessive + 2 x dominant."""


def measured_steps(reading: ReadingTrait) -> list[int]:
    """Return what was measured on a picture, one step for each of `MEASURED`."""
    measured = dict(reading.measured)
    return [measured_step(name, measured[name]) if name in measured else NOT_MEASURED for name in MEASURED]


class Pictures:
    """The pictures with numbers among the readings of a library: `places` among all readings, ascending."""

    def __init__(self, places: NDArray[np.int64], steps: NDArray[np.uint16]) -> None:
        self._places = places
        self._steps = steps.reshape(len(places), len(MEASURED))

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self._places)

    def at(self, places: NDArray[np.int64]) -> tuple[NDArray[np.intp], Steps]:
        """Return which of the readings named are pictures with numbers, and these numbers."""
        found = np.searchsorted(self._places, places)
        found[found == len(self._places)] = 0
        which = np.flatnonzero(self._places[found] == places)
        return which, self._steps[found[which]]


class AskedPicture:
    """A picture of a job, ready to be compared with those of many cases that have numbers too."""

    def __init__(self, ours: ReadingTrait, words: Sequence[Atom]) -> None:
        self._own = np.array(measured_steps(ours), dtype=np.int64)
        self._is_word = np.array([bool(ours.word or word) for word, _, _ in words])
        self._traffic = _unknown_as_nan([traffic_likeness(ours.traffic, seen) for _, seen, _ in words])
        self._sending = np.array([both_sending(ours.traffic, seen) for _, seen, _ in words])
        self._looks = np.array(
            [
                _unknown_as_nan([looks_likeness(ours.looks, looks, levels) for _, _, looks in words])
                for levels in _STATES_SEEN
            ]
        )

    def likeness(self, otherwise: Floats, words: NDArray[np.intp], steps: Steps) -> Floats:
        """Return `picture_likeness` with pictures, by their word and numbers; with plain words, `otherwise`."""
        found = self._each(steps)
        levels = [_mean_of_known(found[_COLUMNS[state]]) for state in LEVEL_STATES]
        seen = np.array([1, 2]) @ ~np.isnan(levels)
        shares = np.where(self._sending[words], found[_SHARE_COLUMNS], np.nan)
        grades = np.array([self._traffic[words], *levels, self._looks[seen, words], *shares])
        mean = _mean_of_known(grades)
        return np.where(self._is_word[words], otherwise, np.where(np.isnan(mean), NOTHING_SEEN, mean))

    def _each(self, steps: Steps) -> Floats:
        """Return the likeness of each thing measured, shape (`MEASURED`, pictures); NaN where one is missing."""
        theirs = steps.astype(np.int64).T
        own = self._own[:, None]
        likeness = BY_STEPS_APART[np.minimum(np.abs(theirs - own), FARTHEST)]
        return np.where((theirs == NOT_MEASURED) | (own == NOT_MEASURED), np.nan, likeness)


def _mean_of_known(grades: Floats) -> Floats:
    """Return the mean over the first axis of what is not NaN; NaN where all is."""
    known = ~np.isnan(grades)
    count = known.sum(axis=0)
    whole = np.where(known, grades, 0.0).sum(axis=0)
    return np.asarray(np.where(count > 0, whole / np.maximum(count, 1), np.nan))


def _unknown_as_nan(grades: Sequence[float | None]) -> Floats:
    return np.array([np.nan if grade is None else grade for grade in grades], dtype=np.float64)


_COLUMNS: Final = {state: [MEASURED.index(name) for name in LEVEL_NAMES[state]] for state in LEVEL_STATES}
_SHARE_COLUMNS: Final = [MEASURED.index(name) for name in SHARES]
