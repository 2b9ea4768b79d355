"""What each past case says about the cause of a job, and how loud.

A case is the louder the more alike it is, the better it is proven, the more its teller is trusted, and the better the
job's readings fit what was found there. A story told again by the same shop on the same model is quieter each time.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import groupby
from typing import NamedTuple

from casebase.match.looks import looks_of
from casebase.match.meaning_facet import bus_there
from casebase.match.network_facet import affected_networks
from casebase.match.pooling import Pooling
from casebase.match.profile import Profile
from casebase.match.ranking import Match
from casebase.match.single_fault import SingleFault
from casebase.match.suspect import suspect_for
from casebase.record.modules import module_family, module_identity
from casebase.record.vocabulary import Status


class CauseKey(NamedTuple):
    """What causes are grouped by: the fault and the family of the module it goes with, where that is known."""

    fault: str
    family: str | None


class Voice(NamedTuple):
    """What one case says for one cause; `moved` where its own fault went with another module."""

    key: CauseKey
    match: Match
    mass: float
    moved: bool


def voices_of(job: Profile, matches: Sequence[Match], readings: SingleFault, pooling: Pooling) -> list[Voice]:
    """Return what every case with a cause says, the same whatever order they come in."""
    told = sorted((match for match in matches if match.profile.fault), key=_case_id)
    voices = [voice for match in told for voice in _voices_of(job, match, readings, pooling)]
    by_teller = sorted(voices, key=_teller)
    return [voice for _, group in groupby(by_teller, key=_teller) for voice in _quieter(group, pooling)]


def loudest_first(voices: Iterable[Voice]) -> list[Voice]:
    """Return voices by what they weigh."""
    return sorted(voices, key=lambda voice: (-voice.mass, voice.match.profile.case_id))


def is_verified(past: Profile) -> bool:
    """Return whether the fix of a case was verified."""
    return past.status == Status.FIXED_VERIFIED


def _voices_of(job: Profile, match: Match, readings: SingleFault, pooling: Pooling) -> list[Voice]:
    past = match.profile
    fault = past.fault or ""
    own = module_family(module_identity(past.cause_module)) if past.cause_module else None
    mass = _loudness(match, readings, pooling)
    suspect = suspect_for(job, fault)
    if suspect is None or own is None or own == suspect.family:
        return [Voice(CauseKey(fault, own), match, mass, False)]
    moved = mass * suspect.probability * pooling.moved_share
    return [
        Voice(CauseKey(fault, suspect.family), match, moved, True),
        Voice(CauseKey(fault, own), match, mass * (1.0 - suspect.probability), False),
    ]


def _loudness(match: Match, readings: SingleFault, pooling: Pooling) -> float:
    alike = math.exp(pooling.sharpness * (match.score - 1.0))
    fits = readings_fit(match.profile, readings) ** pooling.readings_power
    return float(alike * fits * _trust(match.profile, pooling))


def _trust(past: Profile, pooling: Pooling) -> float:
    verified = 1.0 if is_verified(past) else pooling.unverified_share
    return past.trust * verified * (1.0 if past.proven else pooling.not_proven_share)


def readings_fit(past: Profile, readings: SingleFault) -> float:
    """Return how well the job's readings fit the cause of a past case; 1 where they say nothing of it."""
    there = bus_there(past)
    media = [there.medium] if there else [network.medium for network in affected_networks(past)]
    return readings.likelihood(media[0], looks_of(past, media[0])) if media else 1.0


def _case_id(match: Match) -> str:
    return match.profile.case_id


def _teller(voice: Voice) -> tuple[str, ...]:
    """Return what makes of two cases one story told twice: cause, shop, model; without a shop nobody can tell."""
    past = voice.match.profile
    teller = (past.shop, past.make, past.model) if past.shop else ("", past.case_id, "")
    return (voice.key.fault, voice.key.family or "", *(part.casefold() for part in teller))


def _quieter(voices: Iterable[Voice], pooling: Pooling) -> list[Voice]:
    return [
        voice._replace(mass=voice.mass * pooling.told_again**place)
        for place, voice in enumerate(loudest_first(voices))
    ]
