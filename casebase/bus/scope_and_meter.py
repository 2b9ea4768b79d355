"""Levels on a scope held against the average that a meter shows on the same line: it never lies beyond the driven one.

Beyond the level at rest it may well lie: a line that is slow to come back is not at rest between two bits. How far it
lies from either is not asked here: senders differ, and the simulated buses know how much.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

from casebase.bus.meter import SCOPE_VOLTS
from casebase.bus.observation import SMOOTH_VOLTS_SHARE, LevelRead, NumberRead, Observation
from casebase.bus.observe import TRAFFIC_SEEN_VOLTS
from casebase.bus.posterior import CLASH_FROM, Clash
from casebase.record.reading import Reading

AVERAGES: Final = {"volts_high": "high", "volts_low": "low", "volts_line": "line"}


class _Level(NamedTuple):
    """A level with its place among the observations."""

    place: int
    read: LevelRead


def level_clashes(observations: Sequence[Observation], readings: Sequence[Reading]) -> list[Clash]:
    """Return the averages beyond the driven level of their line, read in the same place and state; the worst first."""
    levels = [_Level(place, one) for place, one in enumerate(observations) if isinstance(one, LevelRead)]
    found = [
        clash
        for place, one in enumerate(observations)
        if isinstance(one, NumberRead) and one.quantity in AVERAGES
        for rest, driven in _both_levels(one, levels, readings)
        if (clash := _clash(place, one, rest, driven))
    ]
    return sorted(found, key=lambda clash: -clash.misfit)


def _both_levels(
    average: NumberRead, levels: Sequence[_Level], readings: Sequence[Reading]
) -> Iterator[tuple[_Level, _Level]]:
    """Yield rest and driven level of the line that was averaged, off one picture each time."""
    side = AVERAGES[average.quantity]
    seen = [
        level
        for level in levels
        if level.read.view == average.view and _same_state(readings, average, level.read)
    ]
    for rest in seen:
        for driven in seen:
            names = rest.read.quantity, driven.read.quantity
            if (
                names == (f"recessive_{side}", f"dominant_{side}")
                and rest.read.readings == driven.read.readings
            ):
                yield rest, driven


def _same_state(readings: Sequence[Reading], average: NumberRead, level: LevelRead) -> bool:
    """Return whether both were taken at one stage and in one state."""
    meter, scope = readings[average.readings[0]], readings[level.readings[0]]
    return (meter.stage, meter.tester, meter.ignition) == (scope.stage, scope.tester, scope.ignition)


def _clash(place: int, average: NumberRead, rest: _Level, driven: _Level) -> Clash | None:
    """Return the average with the driven level, where it lies farther beyond it than the errors allow."""
    swing = driven.read.volts - rest.read.volts
    if abs(swing) < TRAFFIC_SEEN_VOLTS:
        return None
    beyond = (average.read.value - driven.read.volts) * (1.0 if swing > 0 else -1.0)
    of_level = SCOPE_VOLTS + SMOOTH_VOLTS_SHARE * abs(driven.read.volts)
    misfit = beyond / (average.read.error**2 + of_level**2) ** 0.5
    return Clash((place, driven.place), misfit) if misfit > CLASH_FROM else None
