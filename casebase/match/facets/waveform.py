"""What two waveforms on a scope have in common: traffic, fixed words, and what was measured on them.

Levels are compared in units of tolerance, as volts are. What levels tell is not told once more by words: where both
pictures have levels, only the words that no level tells count. The sum of two lines, their symmetry, follows from their
levels: it is told as a reason and does not count again.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from casebase.match.facets.arrays import Atom, Floats
from casebase.match.profile import (
    DRIVEN_SHARE,
    LEVEL_NAMES,
    LEVEL_STATES,
    MEASURED,
    SHARES,
    STEPS_PER_TOLERANCE,
    WHOLE_FRAMES,
    ReadingTrait,
    number_step,
)
from casebase.record.vocabulary import LINES_OF_MEDIUM, Look, YesNo
from casebase.record.words import per_cent

FALL_OFF: Final = 3.0
"""Tolerances apart at which the likeness of two values has fallen to 1/e (judged)."""

NOTHING_SEEN: Final = 0.5
"""Likeness of two pictures of a scope that have nothing to compare."""

SHARE_TOLERANCE: Final = 0.1
"""How long the lines are driven depends on the vehicle and on what is switched on (judged)."""

BROKEN_FLOOR: Final = 0.01
BROKEN_TOLERANCE: Final = 0.8
"""Broken frames count by their logarithm above 1 in 100: none from 10 in 100 is three tolerances (judged)."""

TOLD_BY_LEVELS: Final[Mapping[str, frozenset[str]]] = {
    "recessive": frozenset({str(Look.STUCK)}),
    "dominant": frozenset(map(str, (Look.TOO_TALL, Look.TOO_SMALL, Look.ONE_LINE_FLAT, Look.BOTH_TOGETHER))),
}
"""The words that say again what levels of that state say."""


def step_likeness(apart: float) -> float:
    """Return how alike two values so many steps apart are; rounded, so that what is far apart is equally unlike."""
    return round(math.exp(-((apart / (STEPS_PER_TOLERANCE * FALL_OFF)) ** 2)), 9)


@lru_cache(maxsize=4096)  # the same values are compared with one another, over and over
def measured_step(name: str, number: float) -> int:
    """Return the step of one thing measured, by its name in `MEASURED`: volts, or a share of 0 to 1."""
    if name == DRIVEN_SHARE:
        return round(number / SHARE_TOLERANCE * STEPS_PER_TOLERANCE)
    if name == WHOLE_FRAMES:
        return round(math.log1p((1.0 - number) / BROKEN_FLOOR) / BROKEN_TOLERANCE * STEPS_PER_TOLERANCE)
    return number_step("voltage", number)


def words_likeness(
    traffic: str | None, looks: tuple[str, ...], other_traffic: str | None, other_looks: tuple[str, ...]
) -> float:
    """Return how alike two pictures of a scope are of which one has no numbers at least."""
    told = traffic_likeness(traffic, other_traffic), looks_likeness(looks, other_looks, ())
    grades = [grade for grade in told if grade is not None]
    return sum(grades) / len(grades) if grades else NOTHING_SEEN


def picture_likeness(ours: ReadingTrait, theirs: ReadingTrait) -> float:
    """Return how alike two pictures of a scope are: the mean over what both tell."""
    grades = list(_grades(ours, theirs))
    return sum(grades) / len(grades) if grades else NOTHING_SEEN


def _grades(ours: ReadingTrait, theirs: ReadingTrait) -> Iterator[float]:
    """Yield what counts: the levels of a state count once, whether of one line or of both."""
    traffic = traffic_likeness(ours.traffic, theirs.traffic)
    if traffic is not None:
        yield traffic
    here, there = dict(ours.measured), dict(theirs.measured)
    seen: set[str] = set()
    for state in LEVEL_STATES:
        both = [name for name in LEVEL_NAMES[state] if name in here and name in there]
        levels = [measured_likeness(name, here[name], there[name]) for name in both]
        if levels:
            seen.add(state)
            yield sum(levels) / len(levels)
    looks = looks_likeness(ours.looks, theirs.looks, seen)
    if looks is not None:
        yield looks
    if both_sending(ours.traffic, theirs.traffic):
        both = [name for name in SHARES if name in here and name in there]
        yield from (measured_likeness(name, here[name], there[name]) for name in both)


def measured_likeness(name: str, here: float, there: float) -> float:
    """Return how alike one thing measured is, by its name in `MEASURED`."""
    return step_likeness(abs(measured_step(name, here) - measured_step(name, there)))


def traffic_likeness(ours: str | None, theirs: str | None) -> float | None:
    """Return whether both saw traffic or none; None where either does not say."""
    return float(ours == theirs) if ours and theirs else None


def both_sending(ours: str | None, theirs: str | None) -> bool:
    """Return whether neither says that there was no traffic: else how much there was tells nothing new."""
    return YesNo.NO not in (ours, theirs)


def looks_likeness(ours: tuple[str, ...], theirs: tuple[str, ...], levels: Collection[str]) -> float | None:
    """Return the share of words in common; None where either has none. `levels`: of which states both have levels."""
    told = {word for state in levels for word in TOLD_BY_LEVELS[state]}
    here, there = set(ours) - told, set(theirs) - told
    return len(here & there) / len(here | there) if here and there else None


Steps = NDArray[np.uint16]
"""What was measured on pictures, shape (pictures, `MEASURED`): a step, or `NOT_MEASURED`."""

NOT_MEASURED: Final = 65_535
FARTHEST: Final = 5 * round(STEPS_PER_TOLERANCE * FALL_OFF)
BY_STEPS_APART: Final = np.array([step_likeness(apart) for apart in range(FARTHEST + 1)])
"""Likeness of two numbers by their distance in steps; farther apart it rounds to 0."""

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


_PAIRS: Final = tuple(
    dict.fromkeys(tuple(map(str, lines)) for lines in LINES_OF_MEDIUM.values() if len(lines) == 2)
)
_SHARE_WORDS: Final = {DRIVEN_SHARE: "time driven", WHOLE_FRAMES: "whole frames"}


class PicturePart(NamedTuple):
    """One thing that both pictures tell: how alike it is, 0..1, and what it was here and there.

    `follows` from other parts: where it agrees it says nothing new.
    """

    what: str
    likeness: float
    here: str
    there: str
    follows: bool = False

    def words(self) -> str:
        """Return it in words.

        >>> PicturePart("dominant level of CAN high", 1.0, "3.1 V", "3.1 V").words()
        'dominant level of CAN high: here 3.1 V, there 3.1 V'
        """
        return f"{self.what}: here {self.here}, there {self.there}"


def picture_parts(ours: ReadingTrait, theirs: ReadingTrait) -> Iterator[PicturePart]:
    """Yield what two pictures both tell; nothing where they have no number in common.

    The sum of a pair's levels, its symmetry, follows from them: it is told here and does not count in the likeness.
    """
    here, there = dict(ours.measured), dict(theirs.measured)
    names = [name for name in here if name in there]
    if not names:
        return
    for name in names:
        yield _measured(name, here[name], there[name])
    for state in LEVEL_STATES:
        yield from _sums(state, here, there)
    yield from _words(ours, theirs)


def _measured(name: str, here: float, there: float) -> PicturePart:
    likeness = measured_likeness(name, here, there)
    if name in SHARES:
        return PicturePart(_SHARE_WORDS[name], likeness, per_cent(here), per_cent(there))
    state, line = name.split(" ", maxsplit=1)
    return PicturePart(f"{state} level of {line}", likeness, _volts(here), _volts(there))


def _sums(state: str, here: Mapping[str, float], there: Mapping[str, float]) -> Iterator[PicturePart]:
    for first, second in _PAIRS:
        both = (f"{state} {first}", f"{state} {second}")
        if all(name in levels for name in both for levels in (here, there)):
            ours, theirs = (levels[both[0]] + levels[both[1]] for levels in (here, there))
            likeness = measured_likeness(both[0], ours, theirs)
            yield PicturePart(f"sum of the {state} levels", likeness, _volts(ours), _volts(theirs), True)


def _words(ours: ReadingTrait, theirs: ReadingTrait) -> Iterator[PicturePart]:
    traffic = traffic_likeness(ours.traffic, theirs.traffic)
    if traffic is not None:
        driven = all(_is_driven(reading) for reading in (ours, theirs))
        yield PicturePart("traffic", traffic, str(ours.traffic), str(theirs.traffic), driven)
    looks = looks_likeness(ours.looks, theirs.looks, ())
    if looks is not None:
        yield PicturePart("looks", looks, " and ".join(ours.looks), " and ".join(theirs.looks))


def _is_driven(reading: ReadingTrait) -> bool:
    return any(name in LEVEL_NAMES["dominant"] for name, _ in reading.measured)


def _volts(volts: float) -> str:
    return f"{round(volts, 2) + 0.0:g} V"
