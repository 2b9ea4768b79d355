"""Likely causes of a stuck job, pooled: what was at fault in the nearest cases, and what the job's readings allow.

Each past case speaks for its own cause, as far as the readings can mean that. The readings speak for bus states by
themselves, also for one that no case had. What neither knows keeps a share: few cases, or unlike ones, leave it large.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from casebase.match.answer.answer import SOMETHING_ELSE, SOMETHING_ELSE_WORDS, CaseBehind, LikelyCause
from casebase.match.answer.case_votes import (
    JUDGED,
    CaseVote,
    CauseKey,
    Pooling,
    Suspect,
    case_votes,
    heaviest_first,
    is_verified,
    suspect_for,
)
from casebase.match.answer.elsewhere import what_it_took
from casebase.match.answer.evidence import NOTHING_BESIDE, Evidence
from casebase.match.answer.fault_fit import SOUND_TO_LOOK_AT, SingleFault, buses_read, read_rightly
from casebase.match.facets.base import Match
from casebase.match.facets.network import state_of
from casebase.match.meaning import Meaning
from casebase.match.profile import Profile
from casebase.record.modules import module_label
from casebase.record.vocabulary import Fault
from casebase.record.words import FAULT_WORDS

CASES_POOLED: Final = 50
"""How many of the nearest cases speak for likely causes, however few are shown."""

LEAST_LISTED: Final = 0.02
"""A less probable cause is not listed; its share goes to the remainder (judged)."""

LEAST_BEHIND: Final = 0.02
"""A case that carries less of its cause is not named as standing behind it (judged)."""

OTHER_LOOKS_SOUND: Final = 0.5
"""How often what no case had leaves the wires as they should be; otherwise it may do anything to them (judged)."""


def pooled_causes(  # noqa: PLR0913, PLR0917  the job, the cases, what was read, and how to pool
    job: Profile,
    matches: Sequence[Match],
    meanings: Sequence[Meaning],
    most: int = 5,
    pooling: Pooling = JUDGED,
    evidence: Evidence = NOTHING_BESIDE,
) -> list[LikelyCause]:
    """Return the likely causes of `job`, the likeliest first, at most `most`, and last of all the remainder.

    The probabilities sum to 1. `matches` are the nearest cases, `meanings` what the readings mean, network by network
    (none: the job's own profile tells), `evidence` what the job tells beside. A cause is a fault with the family of its
    module, where that is known.
    """
    pooled = PooledCauses(job, matches, meanings, pooling, evidence)
    found = [cause for cause in pooled.causes() if cause.probability >= LEAST_LISTED]
    listed = sorted(found, key=lambda cause: (-cause.probability, cause.fault, cause.module or ""))[:most]
    return [*listed, _remainder(listed)]


@dataclass
class _Pile:
    """What speaks for one cause."""

    key: CauseKey
    votes: list[CaseVote] = field(default_factory=list)
    from_readings: float = 0.0

    @property
    def from_cases(self) -> float:
        return math.fsum(vote.mass for vote in self.votes)

    @property
    def mass(self) -> float:
        return self.from_cases + self.from_readings


class PooledCauses:
    """All that speaks for any cause, and the mass of the rest."""

    def __init__(
        self,
        job: Profile,
        matches: Sequence[Match],
        meanings: Sequence[Meaning],
        pooling: Pooling,
        evidence: Evidence = NOTHING_BESIDE,
    ) -> None:
        self.pooling, self.evidence = pooling, evidence
        self.readings = SingleFault(buses_read(job, meanings))
        self.piles: dict[CauseKey, _Pile] = {}
        for vote in case_votes(job, matches, self.readings, pooling):
            self._pile(vote.key).votes.append(vote._replace(mass=vote.mass * evidence.likelihood(vote.key)))
        self._add_readings(suspect_for(job, None))
        self.looks_sound = self.readings.likelihood(None, SOUND_TO_LOOK_AT)
        for key, mass in evidence.own_words(self.looks_sound, pooling.readings_share, read_rightly(meanings)):
            self._add(key, mass)
        self.rest = self._mass_of_the_rest()
        self._of_fault: dict[str, float] = defaultdict(float)
        for key, pile in self.piles.items():
            self._of_fault[key.fault] += pile.mass
        power = pooling.pooled_power
        self._whole = math.fsum(mass**power for mass in (self.rest, *self._of_fault.values()))

    def causes(self) -> list[LikelyCause]:
        """Return every pile as a cause."""
        return [_cause(pile, self.probability(key), self.readings) for key, pile in self.piles.items()]

    def probability(self, key: CauseKey) -> float:
        """Return the probability of a cause: that of its fault, shared by what speaks for each module."""
        mass = self._of_fault[key.fault]
        share = self.piles[key].mass / mass if mass else 0.0
        return self._sharpened(mass) * share

    def _sharpened(self, mass: float) -> float:
        power = self.pooling.pooled_power
        return float((1.0 - self.pooling.surprise) * mass**power / self._whole)

    def _add_readings(self, host: Suspect | None) -> None:
        """Add what the readings say by themselves for every state of fault."""
        for state, probability in sorted(self.readings.faulty.items()):
            whole = probability * self.pooling.readings_share
            mass = whole * self.evidence.of_state(state)
            self._add(CauseKey(str(Fault.NONE), None), whole - mass)
            if host is not None:
                self._add(CauseKey(state, host.family), mass * host.probability)
                mass *= 1.0 - host.probability
            self._share_out(state, mass)

    def _share_out(self, state: str, mass: float) -> None:
        """Give what the readings say for a state to its causes, as far as cases tell the module; else to the state."""
        nowhere = CauseKey(state, None)
        shares = {pile.key: pile.from_cases for pile in self.piles.values() if pile.key.fault == state}
        shares[nowhere] = shares.get(nowhere, 0.0) + self.pooling.none_of_these
        whole = math.fsum(shares.values())
        for key, share in shares.items():
            self._add(key, mass * share / whole)

    def _add(self, key: CauseKey, mass: float) -> None:
        """Add what the job itself says for a cause, as far as feeds and trials allow it."""
        self._pile(key).from_readings += mass * self.evidence.likelihood(key)

    def _mass_of_the_rest(self) -> float:
        """Return the mass of what no case had and no state computed is."""
        fits = OTHER_LOOKS_SOUND * self.looks_sound + (1.0 - OTHER_LOOKS_SOUND)
        rest = self.pooling.none_of_these * fits + self.pooling.readings_share * self.readings.sound
        return rest * self.evidence.rest()

    def _pile(self, key: CauseKey) -> _Pile:
        return self.piles.setdefault(key, _Pile(key))


def _cause(pile: _Pile, probability: float, readings: SingleFault) -> LikelyCause:
    fault, family = pile.key
    label = module_label(family) if family else None
    behind = [vote for vote in heaviest_first(pile.votes) if vote.mass >= LEAST_BEHIND * pile.mass > 0]
    state = state_of(fault)
    return LikelyCause(
        fault=fault,
        words=_words(fault, label),
        place=_usual_place(behind),
        module=label,
        probability=probability,
        cases=[_behind(vote, probability * vote.mass / pile.mass) for vote in behind],
        from_readings=None if state is None else readings.probability(state),
        took=what_it_took([vote.match.profile for vote in behind]),
    )


def _words(fault: str, module: str | None) -> str:
    words = next((words for known, words in FAULT_WORDS.items() if known == fault), fault)
    return f"{words}: {module}" if module else words


def _usual_place(votes: Iterable[CaseVote]) -> str | None:
    """Return the kind of place where most of the weight found it."""
    weights: dict[str, float] = defaultdict(float)
    for vote in votes:
        if vote.match.profile.cause_place:
            weights[vote.match.profile.cause_place] += vote.mass
    return max(sorted(weights), key=lambda place: weights[place], default=None)


def _behind(vote: CaseVote, share: float) -> CaseBehind:
    past = vote.match.profile
    there = dict(past.faults).get(vote.key.fault) if vote.moved else None
    return CaseBehind(past.case_id, vote.match.score, is_verified(past), share, there)


def _remainder(listed: Iterable[LikelyCause]) -> LikelyCause:
    share = max(0.0, 1.0 - math.fsum(cause.probability for cause in listed))
    return LikelyCause(SOMETHING_ELSE, SOMETHING_ELSE_WORDS, None, None, share, [], None)
