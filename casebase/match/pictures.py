"""What two pictures of a scope have in common: traffic, fixed words, and what was measured on them.

Levels are compared in units of tolerance, as volts are. What levels tell is not told once more by words: where both
pictures have levels, only the words that no level tells count. The sum of two lines, their symmetry, follows from their
levels: it is told as a reason and does not count again.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from functools import lru_cache
from typing import Final

from casebase.match.scales import STEPS_PER_TOLERANCE, number_step
from casebase.match.traits import (
    DRIVEN_SHARE,
    LEVEL_NAMES,
    LEVEL_STATES,
    SHARES,
    WHOLE_FRAMES,
    ReadingTrait,
)
from casebase.record.vocabulary import Look, YesNo

FALL_OFF: Final = 3.0
"""Tolerances apart at which the likeness of two values has fallen to 1/e (judged)."""

NOTHING_SEEN: Final = 0.5
"""Likeness of two pictures of a scope that have nothing to compare."""

SHARE_TOLERANCE: Final = 0.1
"""How long the lines are driven hangs on the vehicle and on what is switched on (judged)."""

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
