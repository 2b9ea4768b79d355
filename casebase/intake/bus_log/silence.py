"""Who fell silent and when, for how long, and who came back: from gaps much longer than a sender's own period."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.intake.bus_log.habits import Flood, Habit, floods_of, habits_of, own_gaps
from casebase.intake.bus_log.states import BusStates, Gap, common_gaps, states_of
from casebase.intake.bus_log.traffic import GAP_PERIODS, BusTime, BusTraffic, Identifier, IdentifierKey

SHORTEST_PAUSE_SECONDS: Final = 0.02
"""No pause of a whole bus is told below this (chosen)."""

ERRORS_NEAR_SECONDS: Final = 0.5
"""Error frames that close to the last frame before a silence, on either side, are told with it (chosen)."""

_REACH: Final = 1.5
_SEVERAL_TIMES: Final = 2
_CHANGE_SECONDS: Final = 8.0
_TWO_WITHIN_SECONDS: Final = 1.5
"""Two are enough within this time: that two modules fail so close together is less likely than a switch (judged)."""
_QUICK_SECONDS: Final = 0.6
"""What is sent more slowly tells no moment to speak of."""
_MOMENTS_APART_SECONDS: Final = 0.25
_STOPPED_PERIODS, _STOPPED_SHARE, _ASLEEP_WITHIN_SECONDS = 2.5, 0.5, 15.0
_SHORTEST_SECONDS: Final = 0.3
"""No module is back on the bus so soon after it left (judged); lost frames look like that."""
_SENDERS_OF_A_CHANGE: Final = 3
"""So many senders that stop at moments of their own within this time make a change of the whole bus (chosen)."""


@dataclass(frozen=True, slots=True)
class Silence:
    """Identifiers that fell silent together; times in seconds since the log began."""

    identifiers: tuple[IdentifierKey, ...]
    sender: str | None
    """Who sends them, where that is known."""
    whole_sender: bool
    """Whether these are all identifiers of that sender that are sent at a period."""
    begin: float
    end: float | None
    """None where none of them came back before the log ended."""
    error_frames_near: int


@dataclass(frozen=True, slots=True)
class BusPause:
    """No frame at all from `begin` to `end`; None: until the log ended."""

    begin: float
    end: float | None


def bus_pauses(bus: BusTraffic, log_end: float) -> tuple[BusPause, ...]:
    """Return when the whole bus was silent, in order of time."""
    periods = [one.period for one in bus.identifiers if one.steady and one.period]
    if not periods:
        return ()
    least = max(SHORTEST_PAUSE_SECONDS, GAP_PERIODS * min(periods))
    found = [BusPause(begin, begin + length) for length, begin in bus.pauses if length > least]
    if log_end - bus.last > least:
        found.append(BusPause(bus.last, None))
    return tuple(sorted(found, key=lambda pause: pause.begin))


@dataclass(frozen=True)
class Silences:
    """Who fell silent while the bus went on, what the bus did as a whole, who flooded it."""

    found: tuple[Silence, ...]
    states: BusStates
    floods: tuple[Flood, ...]
    habits: Mapping[IdentifierKey, Habit]


def silences(
    bus: BusTraffic,
    log_end: float,
    senders: Mapping[IdentifierKey, str],
    good: BusTraffic | None = None,
    *,
    by_address: bool = False,
) -> Silences:
    """Return who fell silent while the rest of the bus went on, in order of time.

    Only identifiers sent at a period count. Gaps that most of the bus shares are the bus's; those within a flood are
    the flood's. Identifiers of one sender (or, where senders are not known, those that fell silent and came back in the
    same moment) are told together; `by_address`: senders are J1939 addresses, of which all that is sent must be silent.
    """
    habits = habits_of(bus, good)
    floods = floods_of(bus, habits)
    periodic = [one for one in bus.identifiers if habits[one.key] is Habit.PERIOD]
    until = bus.last  # what follows the last frame of all is the bus's own silence
    gaps = [gap for one in periodic for gap in _gaps(one, bus.time, until)]
    common = common_gaps(gaps, periodic, bus.time, until) | _of_a_change(gaps, bus.time, until)
    asleep_from = _going_to_sleep(periodic, bus)
    common |= np.array([gap.end is None and gap.begin >= asleep_from for gap in gaps], dtype=bool)
    by_sender: dict[str | None, list[Gap]] = {}
    for gap, is_common in zip(gaps, common.tolist(), strict=True):
        if not is_common and not any(_within(gap, flood, log_end) for flood in floods):
            by_sender.setdefault(senders.get(gap.key), []).append(gap)
    steady = {one.key for one in periodic}
    found = [
        _silence(bus, group, sender, {key for key in steady if senders.get(key) == sender})
        for sender, own in by_sender.items()
        for group in _together(own)
    ]
    found = _without_now_and_then(found)
    if by_address:
        found = [silence for silence in found if silence.sender is None or silence.whole_sender]
    states = states_of(
        bus, [gap for gap, one in zip(gaps, common.tolist(), strict=True) if one], periodic, log_end
    )
    ordered = tuple(sorted(found, key=lambda silence: (silence.begin, silence.identifiers)))
    return Silences(ordered, states, floods, habits)


def _of_a_change(gaps: list[Gap], time: BusTime, log_end: float) -> NDArray[np.bool_]:
    """Return which gaps belong to a change of the whole bus: several senders, each at its own moment, close together.

    One module stops in one moment. Where several do shortly after one another, and come back shortly after one another,
    or never, the ignition or the network was switched.
    """
    groups = [group for group in _together(gaps) if (group[0].end or log_end) - group[0].begin > 1.0]
    spans = [
        (
            time.at(max(gap.begin for gap in group)),
            None if group[0].end is None else time.at(min(gap.end or log_end for gap in group)),
        )
        for group in groups
    ]
    changed: set[int] = set()
    for begin, end in spans:
        near = [
            place
            for place, (other, back) in enumerate(spans)
            if abs(other - begin) <= _CHANGE_SECONDS and (back is None) == (end is None)
            if end is None or back is None or abs(back - end) <= _CHANGE_SECONDS
        ]
        quick = [place for place in near if min(gap.reach for gap in groups[place]) <= _QUICK_SECONDS]
        moments = _moments_of_others([groups[place] for place in quick], [spans[place][0] for place in quick])
        close = any(after - before <= _TWO_WITHIN_SECONDS for before, after in pairwise(moments))
        if len(moments) >= _SENDERS_OF_A_CHANGE or close:
            latest = float("inf") if end is None else max(spans[place][1] or end for place in near)
            changed |= {
                id(gap)
                for group, (other, back) in zip(groups, spans, strict=True)
                if abs(other - begin) <= _CHANGE_SECONDS
                and (float("inf") if back is None else back) <= latest
                for gap in group
            }
    return np.array([id(gap) in changed for gap in gaps], dtype=bool)


def _moments_of_others(groups: list[list[Gap]], begins: list[float]) -> list[float]:
    """Return the moments apart at which groups began that share no identifier: who comes and goes is one sender."""
    seen: set[IdentifierKey] = set()
    moments: list[float] = []
    for begin, group in sorted(zip(begins, groups, strict=True), key=lambda one: one[0]):
        keys = {gap.key for gap in group}
        if not keys & seen and (not moments or begin - moments[-1] > _MOMENTS_APART_SECONDS):
            moments.append(begin)
        seen |= keys
    return moments


def _going_to_sleep(periodic: list[Identifier], bus: BusTraffic) -> float:
    """Return from when on the bus was going to sleep as the log ends; infinite where it was not.

    Then most identifiers have stopped at the last frame of all, the later ones without a gap that tells.
    """
    stopped = [
        one.last
        for one in periodic
        if one.intervals and bus.last - one.last > _STOPPED_PERIODS * one.intervals.of_90
    ]
    if len(stopped) < max(_SENDERS_OF_A_CHANGE, _STOPPED_SHARE * len(periodic)):
        return float("inf")
    usual = float(np.median(stopped))
    near_the_end = bus.time.between(usual, bus.last) <= _ASLEEP_WITHIN_SECONDS
    return usual - _CHANGE_SECONDS if near_the_end else float("inf")


def _without_now_and_then(found: list[Silence]) -> list[Silence]:
    """Leave out a single identifier that came and went by itself and then stayed away: it is sent now and then."""
    alone: dict[IdentifierKey, list[Silence]] = {}
    for silence in found:
        if silence.sender is None and len(silence.identifiers) == 1:
            alone.setdefault(silence.identifiers[0], []).append(silence)
    together = {key for silence in found if len(silence.identifiers) > 1 for key in silence.identifiers}
    now_and_then = {
        key
        for key, silences in alone.items()
        if len(silences) > _SEVERAL_TIMES and any(one.end is None for one in silences) and key not in together
    }
    return [one for one in found if one.sender is not None or not now_and_then & set(one.identifiers)]


def _within(gap: Gap, flood: Flood, log_end: float) -> bool:
    end = log_end if gap.end is None else gap.end
    overlap = min(end, flood.end + gap.reach) - max(gap.begin, flood.begin - gap.reach)
    return overlap >= 0.5 * (end - gap.begin)


def returns(found: tuple[Silence, ...]) -> dict[tuple[IdentifierKey, ...], int]:
    """Return who fell silent and came back more than once, and how often: as after bus off, or without supply."""
    counted: dict[tuple[IdentifierKey, ...], int] = {}
    for silence in found:
        if silence.end is not None:
            counted[silence.identifiers] = counted.get(silence.identifiers, 0) + 1
    return {identifiers: count for identifiers, count in counted.items() if count > 1}


def _gaps(one: Identifier, time: BusTime, log_end: float) -> list[Gap]:
    if one.intervals is None:
        return []
    reach = _REACH * one.intervals.of_90
    found = [
        Gap(one.key, begin, end, reach)
        for begin, end in own_gaps(one, time)
        if time.between(begin, end) >= _SHORTEST_SECONDS
    ]
    if time.between(one.last, log_end) > one.gap_from:
        found.append(Gap(one.key, one.last, None, reach))
    return found


def _together(gaps: list[Gap]) -> list[list[Gap]]:
    """Return gaps in groups that one moment can have begun, and one moment ended."""
    groups: list[list[Gap]] = []
    for gap in sorted(gaps, key=lambda gap: (gap.begin, gap.key)):
        fitting = next((group for group in groups if _fits(group, gap)), None)
        if fitting is None:
            groups.append([gap])
        else:
            fitting.append(gap)
    return groups


def _fits(group: list[Gap], gap: Gap) -> bool:
    if any(other.key == gap.key for other in group):
        return False
    latest_begin = min(other.begin + other.reach for other in group)
    if gap.begin > latest_begin or (gap.end is None) != (group[0].end is None):
        return False
    ends = [other for other in (*group, gap) if other.end is not None]
    if not ends:
        return True
    earliest_return = max((other.end or 0.0) - other.reach for other in ends)
    return earliest_return <= min(other.end or 0.0 for other in ends)


def _silence(bus: BusTraffic, group: list[Gap], sender: str | None, steady: set[IdentifierKey]) -> Silence:
    begin = max(gap.begin for gap in group)
    ends = [gap.end for gap in group if gap.end is not None]
    keys = tuple(sorted(gap.key for gap in group))
    return Silence(
        identifiers=keys,
        sender=sender,
        whole_sender=sender is not None and steady == set(keys),
        begin=begin,
        end=min(ends) if ends else None,
        error_frames_near=_errors_near(bus, min(gap.begin for gap in group), begin),
    )


def _errors_near(bus: BusTraffic, earliest: float, latest: float) -> int:
    origin = bus.bits_over_time.begin
    return sum(
        burst.count
        for burst in bus.error_frames.bursts
        if burst.end - origin >= earliest - ERRORS_NEAR_SECONDS
        and burst.begin - origin <= latest + ERRORS_NEAR_SECONDS
    )
