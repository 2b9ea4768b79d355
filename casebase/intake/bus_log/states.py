"""What the whole bus did: waking, running, most of it off, asleep; and where the logger lost frames.

A gap is the bus's, not a module's, where most of the identifiers that could show it show it at the same time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.intake.bus_log.traffic import BusTime, BusTraffic, Identifier, IdentifierKey

COMMON_SHARE: Final = 0.5
"""From this share of the identifiers that could show a gap it is common to the bus (chosen)."""
_SMALL_BUS, _COMMON_ON_A_SMALL_BUS = 10, 0.8
"""Of so few identifiers one module may send the half."""
_FEWEST: Final = 3
_ALONE_SECONDS: Final = 1.5
"""A shorter gap that fewer identifiers could show is nobody's: a lost frame or two look alike."""
_SWITCHING_OFF_SECONDS: Final = 6.0
"""Modules run on so long after one another when the ignition goes off (common practice, no source)."""
_STATE_SECONDS: Final = 2.0
_ASLEEP_SECONDS: Final = 1.0
_OVERLAP: Final = 0.5
_EARLIER: Final = 0.9


@dataclass(frozen=True, slots=True)
class Gap:
    """One identifier's silence; `end` None: until the log ended."""

    key: IdentifierKey
    begin: float
    end: float | None
    reach: float
    """How far off the moment may be that caused it and that ended it."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A time in which the bus was in a state; `end` None: until the log ended. `identifiers`: how many were silent."""

    state: str
    begin: float
    end: float | None
    identifiers: int = 0


@dataclass(frozen=True)
class BusStates:
    """What the bus did, in order of time, and how often and how long at most the logger lost frames."""

    stretches: tuple[Stretch, ...]
    lost: int
    longest_lost: float


def common_gaps(
    gaps: Sequence[Gap], periodic: Sequence[Identifier], time: BusTime, log_end: float
) -> NDArray[np.bool_]:
    """Return which gaps are those of the bus, of the logger or of nobody, and not of one module."""
    if not gaps:
        return np.zeros(0, bool)
    places = {one.key: place for place, one in enumerate(periodic)}
    limits = np.array([one.gap_from for one in periodic])
    firsts = np.array([one.first for one in periodic])
    owner = np.array([places[gap.key] for gap in gaps])
    begins = np.array([time.at(gap.begin) for gap in gaps])
    ends = np.array([time.at(log_end if gap.end is None else gap.end) for gap in gaps])
    for_good = np.array([gap.end is None for gap in gaps])
    found = np.zeros(len(gaps), bool)
    for place in range(len(gaps)):
        length = ends[place] - begins[place]
        could = (limits <= _EARLIER * length) & (firsts <= gaps[place].begin)
        could[owner[place]] = True
        overlap = np.minimum(ends, ends[place]) - np.maximum(begins, begins[place])
        covered = np.bincount(owner, np.maximum(overlap, 0.0), len(periodic))
        there = covered >= _OVERLAP * length
        near = np.abs(begins - begins[place]) <= _SWITCHING_OFF_SECONDS
        back = (
            for_good
            if for_good[place]
            else ~for_good & (np.abs(ends - ends[place]) <= _SWITCHING_OFF_SECONDS)
        )
        if for_good[place] or length >= _STATE_SECONDS:
            there[owner[near & back]] = True
        showing, count = int(np.count_nonzero(there & could)), int(np.count_nonzero(could))
        alone = count < _FEWEST and length < _ALONE_SECONDS
        share = COMMON_SHARE if count >= _SMALL_BUS else _COMMON_ON_A_SMALL_BUS
        found[place] = alone or (count >= _FEWEST and showing >= max(_FEWEST, share * count))
    return found


def states_of(
    bus: BusTraffic, common: Sequence[Gap], periodic: Sequence[Identifier], log_end: float
) -> BusStates:
    """Return what the bus did, from the gaps common to it."""
    stretches = _waking(bus, periodic)
    lost = 0
    longest = 0.0
    for group in _one_after_the_other(common, log_end):
        begin = float(np.median([gap.begin for gap in group]))
        ends = [gap.end for gap in group if gap.end is not None]
        end = float(np.median(ends)) if len(ends) == len(group) else None
        long = (log_end if end is None else end) - begin
        if long >= _STATE_SECONDS or end is None:
            stretches.append(Stretch("mostly off", begin, end, len({gap.key for gap in group})))
        else:
            lost, longest = lost + 1, max(longest, long)
    if log_end - bus.last >= _ASLEEP_SECONDS:
        stretches.append(Stretch("asleep", bus.last, None))
    return BusStates(tuple(sorted(stretches, key=lambda stretch: stretch.begin)), lost, longest)


def _waking(bus: BusTraffic, periodic: Sequence[Identifier]) -> list[Stretch]:
    """Return the time at the beginning in which modules woke one after the other."""
    late = [one.first for one in periodic if one.first - bus.first > max(0.3, 2.0 * (one.period or 0.0))]
    if len(late) < max(_FEWEST, COMMON_SHARE * len(periodic)):
        return []
    return [Stretch("waking", bus.first, max(late), len(late))]


def _one_after_the_other(gaps: Sequence[Gap], log_end: float) -> list[list[Gap]]:
    """Return gaps in groups that overlap."""
    groups: list[list[Gap]] = []
    until = -np.inf
    for gap in sorted(gaps, key=lambda gap: gap.begin):
        end = log_end if gap.end is None else gap.end
        if groups and gap.begin < until:
            groups[-1].append(gap)
            until = max(until, end)
        else:
            groups.append([gap])
            until = end
    return groups
