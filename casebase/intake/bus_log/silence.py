"""Who fell silent and when, for how long, and who came back: from gaps much longer than a sender's own period."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from casebase.intake.bus_log.traffic import GAP_PERIODS, BusTraffic, Identifier, IdentifierKey

SHORTEST_PAUSE_SECONDS: Final = 0.02
"""No pause of a whole bus is told below this (chosen)."""

ERRORS_NEAR_SECONDS: Final = 0.5
"""Error frames that close to the last frame before a silence, on either side, are told with it (chosen)."""

_REACH: Final = 1.5


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


@dataclass(frozen=True, slots=True)
class _Gap:
    """One identifier's silence, and how far off the moment may be that caused it and that ended it."""

    key: IdentifierKey
    begin: float
    end: float | None
    reach: float


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


def silences(bus: BusTraffic, log_end: float, senders: Mapping[IdentifierKey, str]) -> tuple[Silence, ...]:
    """Return who fell silent while the rest of the bus went on, in order of time.

    Identifiers of one sender (or, where senders are not known, those that fell silent and came back in the same
    moment) are told together.
    """
    pauses = bus_pauses(bus, log_end)
    by_sender: dict[str | None, list[_Gap]] = {}
    for one in bus.identifiers:
        for gap in _gaps(one, log_end):
            if not any(_is_the_pause(gap, one, pause, log_end) for pause in pauses):
                by_sender.setdefault(senders.get(one.key), []).append(gap)
    found = [
        _silence(bus, group, sender, senders)
        for sender, gaps in by_sender.items()
        for group in _together(gaps)
    ]
    return tuple(sorted(found, key=lambda silence: (silence.begin, silence.identifiers)))


def returns(found: tuple[Silence, ...]) -> dict[tuple[IdentifierKey, ...], int]:
    """Return who fell silent and came back more than once, and how often: as after bus off, or without supply."""
    counted: dict[tuple[IdentifierKey, ...], int] = {}
    for silence in found:
        if silence.end is not None:
            counted[silence.identifiers] = counted.get(silence.identifiers, 0) + 1
    return {identifiers: count for identifiers, count in counted.items() if count > 1}


def _gaps(one: Identifier, log_end: float) -> list[_Gap]:
    if not one.steady or one.intervals is None:
        return []
    reach = _REACH * one.intervals.of_90
    found = [
        _Gap(one.key, begin, begin + length, reach) for length, begin in one.gaps if length > one.gap_from
    ]
    if log_end - one.last > one.gap_from:
        found.append(_Gap(one.key, one.last, None, reach))
    return found


def _is_the_pause(gap: _Gap, one: Identifier, pause: BusPause, log_end: float) -> bool:
    """Return whether a gap is no longer than a pause of the whole bus makes it."""
    begin, end = gap.begin, log_end if gap.end is None else gap.end
    pause_end = log_end if pause.end is None else pause.end
    overlaps = begin < pause_end and pause.begin < end
    return overlaps and (end - begin) - (pause_end - pause.begin) <= one.gap_from


def _together(gaps: list[_Gap]) -> list[list[_Gap]]:
    """Return gaps in groups that one moment can have begun, and one moment ended."""
    groups: list[list[_Gap]] = []
    for gap in sorted(gaps, key=lambda gap: (gap.begin, gap.key)):
        fitting = next((group for group in groups if _fits(group, gap)), None)
        if fitting is None:
            groups.append([gap])
        else:
            fitting.append(gap)
    return groups


def _fits(group: list[_Gap], gap: _Gap) -> bool:
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


def _silence(
    bus: BusTraffic, group: list[_Gap], sender: str | None, senders: Mapping[IdentifierKey, str]
) -> Silence:
    begin = max(gap.begin for gap in group)
    ends = [gap.end for gap in group if gap.end is not None]
    keys = tuple(sorted(gap.key for gap in group))
    steady = {one.key for one in bus.identifiers if one.steady and senders.get(one.key) == sender}
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
