"""Where to look next, from the nearest cases: the readings they have, the job has not, and that part their causes.

It is what these cases had, not what physics says; the answer names them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from casebase.match.profile import Profile, readings_compared
from casebase.match.ranking import Match
from casebase.match.rarity import Rarity
from casebase.match.readings_facet import comparability, value_likeness
from casebase.match.traits import ReadingTrait

NEAR_SHARE: Final = 0.6
"""A case this much less like the job than the best one is left out (judged)."""

PARTS_FROM: Final = 0.5
"""Two values whose likeness is below this tell two causes apart."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What one past case read there, and what its cause was."""

    case_id: str
    cause: str
    shown: str


@dataclass(frozen=True, slots=True)
class NextLook:
    """A reading worth taking next; `parts` is the number of pairs of causes that it told apart."""

    what: str
    state: str
    seen: list[Seen]
    parts: int


def next_looks(job: Profile, matches: Iterable[Match], most: int = 3) -> list[NextLook]:
    """Return the readings not yet taken that tell the nearest cases' causes apart, the most telling first."""
    near = _near_enough(list(matches))
    grouped: dict[tuple[object, ...], list[tuple[Profile, ReadingTrait]]] = defaultdict(list)
    for past in near:
        for reading in past.readings:
            if not reading.after_repair and not _taken(job, reading):
                grouped[_kind(reading)].append((past, reading))
    looks = [_look(group) for group in grouped.values()]
    return sorted(looks, key=lambda look: (-look.parts, -len(look.seen), look.what))[:most]


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


def _near_enough(matches: list[Match]) -> list[Profile]:
    """Return the profiles whose likeness is not far below the best: the others' readings prove nothing here."""
    best = max((match.score for match in matches), default=0.0)
    return [match.profile for match in matches if match.profile.fault and match.score >= NEAR_SHARE * best]


def _kind(reading: ReadingTrait) -> tuple[object, ...]:
    return (
        reading.quantity,
        reading.lines,
        reading.place,
        reading.place_module,
        reading.unplugged or (),
        reading.powered,
    )


def _taken(job: Profile, reading: ReadingTrait) -> bool:
    return any(comparability(ours, reading) for ours in job.readings)


def _look(group: list[tuple[Profile, ReadingTrait]]) -> NextLook:
    first = group[0][1]
    seen = [Seen(past.case_id, past.cause or "cause not known", reading.shown) for past, reading in group]
    parts = sum(
        past.fault != other.fault and value_likeness(reading, its) < PARTS_FROM
        for index, (past, reading) in enumerate(group)
        for other, its in group[index + 1 :]
    )
    return NextLook(first.what, _state(first), seen, parts)


def _state(reading: ReadingTrait) -> str:
    powered = {True: "ignition on", False: "battery disconnected", None: ""}[reading.powered]
    unplugged = "" if reading.unplugged is None else f"{', '.join(reading.unplugged) or 'nothing'} unplugged"
    return ", ".join(part for part in (powered, unplugged) if part)
