"""How each identifier is sent, learned from its own spacing: at a period, on events, by a tester, as a flood.

Only who sends at a period from the beginning can be told to have fallen silent. The limits are chosen; what standards
say of testers and of J1939 stands beside the ranges.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from statistics import median
from typing import Final

from casebase.intake.bus_log.tally import GAPS_KEPT
from casebase.intake.bus_log.traffic import BusTime, BusTraffic, Identifier, IdentifierKey

TESTER_BASE: Final = range(0x7DF, 0x7F0)
TESTER_EXTENDED: Final = range(0x18DA_0000, 0x18DC_0000)
"""ISO 15765-4: what a tester asks on and modules answer it on."""

_ON_REQUEST_GROUPS: Final = frozenset({59392, 59904, 60160, 60416, 60928, 61184, 55808})
"""J1939-21 and -81: acknowledgement, request, transport protocol, address claimed, proprietary A, ISO 15765."""

_SPREAD: Final = 0.25
"""The middle half of a period's intervals lies this close together, as a share of the period."""
_FEWEST_IN_A_STRETCH: Final = 15
_MOST_STRETCHES: Final = 10
_SEVERAL: Final = 3
_STRETCH_SECONDS: Final = 3.0
"""What is active for so short a time, again and again, is switched on and off by somebody (chosen)."""
_PRESENT: Final = 0.5
_LATE_SECONDS: Final = 3.0
_LATE_PERIODS: Final = 5.0
_ACTIVE_SECONDS: Final = 6.0
"""What is sent for less, from the beginning, belongs to waking the network (judged)."""
_ACTIVE_SHARE: Final = 0.25
_FLOOD_INTERVAL: Final = 0.0015
"""No module sends at so short a period (common practice, no source); at 500 kbit/s a frame takes 0.26 ms."""
_FLOOD_SPREAD: Final = 4.0
_FLOOD_SECONDS: Final = 0.3
_FLOOD_PAUSE: Final = 0.05
_MOSTLY: Final = 0.3
_FILLED: Final = 0.6


class Habit(Enum):
    """How an identifier is sent."""

    PERIOD = "at a period"
    EVENTS = "on events"
    TESTER = "by or for a tester"
    START = "for a short time only"
    FLOOD = "as fast as the bus takes it"
    FEW = "too seldom to tell"


@dataclass(frozen=True, slots=True)
class Flood:
    """An identifier that took the bus; times in seconds since the log began."""

    key: IdentifierKey
    begin: float
    end: float
    frames_per_second: float


def habits_of(bus: BusTraffic, good: BusTraffic | None = None) -> Mapping[IdentifierKey, Habit]:
    """Return how each identifier is sent; `good`: the same bus when it was well, where events show too."""
    known = {one.key: one for one in good.identifiers} if good else {}
    return {one.key: _habit(one, bus, known.get(one.key)) for one in bus.identifiers}


def is_tester(key: IdentifierKey) -> bool:
    """Return whether an identifier is one that testers ask on, or are answered on."""
    return key.number in (TESTER_EXTENDED if key.extended else TESTER_BASE)


def floods_of(bus: BusTraffic, habits: Mapping[IdentifierKey, Habit]) -> tuple[Flood, ...]:
    """Return who took the bus, and when."""
    found = []
    for one in bus.identifiers:
        if habits[one.key] is Habit.FLOOD and one.period:
            begin, end = _longest_stretch(one)
            if one.count * one.period >= _MOSTLY * (one.last - one.first):
                begin, end = one.first, one.last  # the logger lost some of it
            found.append(Flood(one.key, begin, end, 1.0 / one.period))
    return tuple(found)


def _habit(one: Identifier, bus: BusTraffic, good: Identifier | None) -> Habit:
    if is_tester(one.key) or _on_request(one.key):
        return Habit.TESTER
    if _floods(one):
        return Habit.FLOOD
    if one.intervals is None:
        return Habit.FEW
    if not _keeps_a_period(one) or (
        good is not None and good.intervals is not None and not _keeps_a_period(good)
    ):
        return Habit.EVENTS
    late = max(_LATE_SECONDS, _LATE_PERIODS * one.intervals.median)
    active = min(_ACTIVE_SECONDS, _ACTIVE_SHARE * (bus.last - bus.first))
    if one.last - one.first < active or (one.first - bus.first > late and good is None):
        return Habit.START
    in_stretches = _in_stretches(one, bus.time) or (good is not None and _in_stretches(good, BusTime(())))
    return Habit.EVENTS if in_stretches else Habit.PERIOD


def _on_request(key: IdentifierKey) -> bool:
    group = (key.number >> 8) & 0x3FFFF
    group = group if group >> 8 & 0xFF >= 240 else group & 0x3FF00
    return key.extended and group in _ON_REQUEST_GROUPS


def _keeps_a_period(one: Identifier) -> bool:
    spread = one.intervals
    return spread is not None and one.steady and spread.of_75 - spread.of_25 <= _SPREAD * spread.median


def _in_stretches(one: Identifier, time: BusTime) -> bool:
    """Whether it is sent in short stretches with pauses of its own between, as what is active for a while."""
    gaps = own_gaps(one, time)
    if len(gaps) >= _MOST_STRETCHES:
        return True
    begins = [one.first, *(end for _, end in gaps)]
    ends = [*(begin for begin, _ in gaps), one.last]
    stretches = [time.between(begin, end) for begin, end in zip(begins, ends, strict=True)]
    whole = time.between(one.first, one.last)
    short = len(gaps) >= _SEVERAL and (
        one.count / len(stretches) < _FEWEST_IN_A_STRETCH or median(stretches) < _STRETCH_SECONDS
    )
    return short or (len(gaps) >= 2 and sum(stretches) < _PRESENT * whole)


def own_gaps(one: Identifier, time: BusTime) -> list[tuple[float, float]]:
    """Return the gaps of an identifier, begin and end, in which the bus went on for long enough to tell; by time."""
    found = [(begin, begin + length) for length, begin in one.gaps if length > one.gap_from]
    return sorted((begin, end) for begin, end in found if time.between(begin, end) > one.gap_from)


def _floods(one: Identifier) -> bool:
    spread = one.intervals
    if spread is None or spread.median > _FLOOD_INTERVAL or spread.of_90 > _FLOOD_SPREAD * spread.median:
        return False
    begin, end = _longest_stretch(one)
    sent = one.count * spread.median
    if (
        len(one.gaps) >= GAPS_KEPT
        and min(one.gaps)[0] > _FLOOD_PAUSE
        and sent < _MOSTLY * (one.last - one.first)
    ):
        return False  # more pauses than are kept: packets, one after the other
    return end - begin >= _FLOOD_SECONDS and sent >= _FILLED * (end - begin)


def _longest_stretch(one: Identifier) -> tuple[float, float]:
    """Return the longest time that it was sent without a pause."""
    pauses = sorted((begin, begin + length) for length, begin in one.gaps if length > _FLOOD_PAUSE)
    begins = [one.first, *(end for _, end in pauses)]
    ends = [*(begin for begin, _ in pauses), one.last]
    return max(zip(begins, ends, strict=True), key=lambda stretch: stretch[1] - stretch[0])
