"""What would settle whether a job is a past case: a reading that was taken there and not yet here."""

from __future__ import annotations

from casebase.match.profile import Profile, readings_compared
from casebase.match.ranking import Match
from casebase.match.rarity import Rarity
from casebase.match.readings_facet import comparability
from casebase.match.traits import ReadingTrait


def would_settle(job: Profile, match: Match, rarity: Rarity) -> str | None:
    """Return what would settle whether the job is this past case: its most telling reading that the job has not.

    Where the job has them all, the step that settled the search there.
    """
    past = match.profile
    if past.fault is None:
        return None
    left = [reading for reading in readings_compared(past) if not _taken(job, reading)]
    if not left:
        return past.settled_by
    best = max(left, key=lambda reading: (rarity.of(f"reading {reading.bucket}"), bool(reading.unplugged)))
    state = _state(best)
    return f"{best.what}{f' ({state})' if state else ''}: there {best.shown}"


def _taken(job: Profile, reading: ReadingTrait) -> bool:
    return any(comparability(ours, reading) for ours in job.readings)


def _state(reading: ReadingTrait) -> str:
    powered = {True: "ignition on", False: "battery disconnected", None: ""}[reading.powered]
    unplugged = "" if reading.unplugged is None else f"{', '.join(reading.unplugged) or 'nothing'} unplugged"
    return ", ".join(part for part in (powered, unplugged) if part)
