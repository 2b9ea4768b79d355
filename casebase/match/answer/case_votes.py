"""The vote of each past case on the cause of a stuck job, and the figures by which votes and readings are pooled.

A case weighs the more, the more alike it is, the better it is proven, the more its sender is trusted, and the better
the job's readings fit what was found there. A story told again by the same shop on the same model weighs less each
time. All masses are on one scale: a verified case alike in everything counts 1 before the readings speak.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Final, NamedTuple

from casebase.errors import InputError
from casebase.match.answer.fault_fit import SingleFault, states_expected
from casebase.match.facets.base import Match
from casebase.match.facets.meaning import bus_there
from casebase.match.profile import Profile, affected_networks
from casebase.record.modules import family_of, module_family
from casebase.record.vocabulary import Fault, Status


@dataclass(frozen=True, slots=True)
class Pooling:
    """How much cases, readings and the unknown count. Raises InputError for a figure that makes no sense."""

    sharpness: float = 10.0
    """A case counts exp(sharpness x (likeness - 1)): at 10 a likeness of .77 counts a tenth (judged)."""

    readings_power: float = 0.8
    """Power of the readings' say on a past case's cause: below 1, for its likeness has heard the readings already
    (judged)."""

    unverified_share: float = 0.6
    """What a case counts whose fix was not verified (judged)."""

    not_proven_share: float = 0.7
    """What a case counts whose cause was not proven (judged)."""

    told_again: float = 0.5
    """What each further case of one cause, shop and model counts of the one before: never above twice the first one
    in all (judged)."""

    moved_share: float = 0.6
    """What a case counts for its fault in another module, to which this job points (judged)."""

    with_the_nearest: float = 1.5
    """What cases count more that had the fault of the nearest case: where it and most of the others agree, that
    is right far oftener than their likenesses say (judged, and held against simulated fleets)."""

    readings_share: float = 0.12
    """Mass of the bus states themselves, shared out by the readings alone (judged)."""

    pooled_power: float = 1.3
    """Power of what cases and readings say of a fault together: their sum is too modest where several faults are left
    (fitted with the two figures below by log loss and calibration to two simulated fleets)."""

    surprise: float = 0.08
    """Share that stays with something else whatever cases and readings say: of jobs where one cause seemed nearly
    certain, about as many had another."""

    none_of_these: float = 0.03
    """Mass of what none of the cases had: as much as one verified case of likeness .65."""

    def __post_init__(self) -> None:
        shares = (
            self.unverified_share,
            self.not_proven_share,
            self.told_again,
            self.moved_share,
            self.surprise,
        )
        masses = (self.sharpness, self.readings_power, self.readings_share, self.with_the_nearest)
        above = min(self.none_of_these, self.pooled_power)
        if min(masses) < 0 or above <= 0 or not all(0 <= share <= 1 for share in shares):
            raise InputError(
                f"{self} cannot pool cases: expected shares from 0 to 1, masses and powers of at least 0,"
                " none_of_these and pooled_power above 0"
            )


JUDGED: Final = Pooling()


SILENT_ALONE: Final = 0.8
"""Probability that a fault within one module is that of the only module that does not answer (judged)."""

_SILENCING: Final = frozenset(
    map(
        str,
        (
            Fault.MODULE_SUPPLY_OR_GROUND,
            Fault.MODULE_INTERNAL,
            Fault.CONNECTOR_CORROSION,
            Fault.WATER_IN_MODULE,
        ),
    )
)
"""Faults of one module that silence it."""

_NO_MARK_ON_THE_WIRES: Final = frozenset(
    map(
        str,
        (
            Fault.MODULE_SUPPLY_OR_GROUND,
            Fault.CONFIGURATION,
            Fault.GATEWAY_ISOLATION_NORMAL,
            Fault.SENSOR_OR_ACTUATOR,
            Fault.LOW_SYSTEM_VOLTAGE,
            Fault.NONE,
        ),
    )
)
"""Faults that unplugging one module after the other does not find."""


@dataclass(frozen=True, slots=True)
class Suspect:
    """The family of a module, and how probable it is that the fault goes with it."""

    family: str
    probability: float


def suspect_for(job: Profile, fault: str | None) -> Suspect | None:
    """Return the module that a fault of this job goes with, where the job itself tells one.

    `fault` None asks for the module that the readings name.
    """
    if job.host is not None and fault not in _NO_MARK_ON_THE_WIRES:
        return Suspect(family_of(job.host[0]), job.host[1])
    alone = _silent_alone(job) if fault in _SILENCING else None
    return Suspect(alone, SILENT_ALONE) if alone else None


def _silent_alone(job: Profile) -> str | None:
    silent = [name for name, level in job.silent.items() if level >= 1.0]
    return module_family(silent[0]) if len(silent) == 1 else None


class CauseKey(NamedTuple):
    """What causes are grouped by: the fault and the family of the module it goes with, where that is known."""

    fault: str
    family: str | None


class CaseVote(NamedTuple):
    """What one case says for one cause; `moved` where its own fault went with another module."""

    key: CauseKey
    match: Match
    mass: float
    moved: bool


def case_votes(
    job: Profile, matches: Sequence[Match], readings: SingleFault, pooling: Pooling
) -> list[CaseVote]:
    """Return what every case with a cause says, the same whatever order they come in."""
    told = sorted(
        (match for match in matches if match.profile.fault), key=lambda match: match.profile.case_id
    )
    best = max((match.score for match in told), default=0.0)
    votes = [vote for match in told for vote in _votes_of(job, match, readings, pooling)]
    with_the_nearest = {vote.key.fault for vote in votes if vote.match.score == best}
    votes = [
        vote._replace(
            mass=vote.mass * (pooling.with_the_nearest if vote.key.fault in with_the_nearest else 1.0)
        )
        for vote in votes
    ]
    by_teller = sorted(votes, key=_teller)
    return [vote for _, group in groupby(by_teller, key=_teller) for vote in _quieter(group, pooling)]


def heaviest_first(votes: Iterable[CaseVote]) -> list[CaseVote]:
    """Return votes by what they weigh."""
    return sorted(votes, key=lambda vote: (-vote.mass, vote.match.profile.case_id))


def is_verified(past: Profile) -> bool:
    """Return whether the fix of a case was verified."""
    return past.status == Status.FIXED_VERIFIED


def _votes_of(job: Profile, match: Match, readings: SingleFault, pooling: Pooling) -> list[CaseVote]:
    """Return what a case says for each of its faults: of several, nobody knows which of them it shares with the job."""
    past = match.profile
    votes = []
    for fault, module in past.faults:
        fits = readings_fit(past, readings, fault) ** pooling.readings_power
        mass = fits * _weight(match, pooling) / len(past.faults)
        votes += _votes_for(job, match, mass, CauseKey(fault, family_of(module)), pooling)
    return votes


def _votes_for(job: Profile, match: Match, mass: float, key: CauseKey, pooling: Pooling) -> list[CaseVote]:
    """Return what a case says for one fault of it, there or in the module that this job points to."""
    fault, own = key
    suspect = suspect_for(job, fault)
    if suspect is None or own is None or own == suspect.family:
        return [CaseVote(key, match, mass, False)]
    moved = mass * suspect.probability * pooling.moved_share
    return [
        CaseVote(CauseKey(fault, suspect.family), match, moved, True),
        CaseVote(key, match, mass * (1.0 - suspect.probability), False),
    ]


def _weight(match: Match, pooling: Pooling) -> float:
    past = match.profile
    alike = math.exp(pooling.sharpness * (match.score - 1.0))
    verified = 1.0 if is_verified(past) else pooling.unverified_share
    proven = 1.0 if past.proven else pooling.not_proven_share
    return float(alike * (past.trust * verified * proven))


def readings_fit(past: Profile, readings: SingleFault, fault: str) -> float:
    """Return how well the job's readings fit a fault of a past case; 1 where they say nothing of it."""
    there = bus_there(past)
    media = [there.medium] if there else [network.medium for network in affected_networks(past)]
    return readings.likelihood(media[0], states_expected(past, media[0], fault)) if media else 1.0


def _teller(vote: CaseVote) -> tuple[str, ...]:
    """Return what makes of two cases one story told twice: cause, shop, model; without a shop nobody can tell."""
    past = vote.match.profile
    teller = (past.shop, past.make, past.model) if past.shop else ("", past.case_id, "")
    return (vote.key.fault, vote.key.family or "", *(part.casefold() for part in teller))


def _quieter(votes: Iterable[CaseVote], pooling: Pooling) -> list[CaseVote]:
    return [
        vote._replace(mass=vote.mass * pooling.told_again**place)
        for place, vote in enumerate(heaviest_first(votes))
    ]
