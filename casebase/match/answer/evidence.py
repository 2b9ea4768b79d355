"""What a job tells beside its bus readings and its likeness to cases: feeds, trials, local faults, nothing amiss.

Each kind says how well a cause fits it, 1 where it says nothing, and may speak for a cause that no case had.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from casebase.bus.feed import Feed, any_bad
from casebase.match.answer.case_votes import CauseKey
from casebase.match.answer.feed_fit import FeedFit
from casebase.match.answer.trial_fit import TrialFit
from casebase.record.case import Case
from casebase.record.code_meaning import Statement
from casebase.record.local_fault import OF_THE_NETWORK, LocalFault, local_faults
from casebase.record.vocabulary import BusState, Fault

LOCAL_MASS: Final = 1.4
"""Mass of a local fault that explains all there is: more than a verified case alike in everything (judged, and
looked at on simulated jobs)."""

NOT_FIRST_SHARE: Final = 0.08
"""What a local fault counts that leaves more than it explains, or beside modules that are gone (judged)."""

FEED_OF_THE_INPUT: Final = 0.2
"""How often it is the supply or ground of that input and not the input itself (judged)."""

NOTHING_MASS: Final = 0.08
"""Mass of nothing being wrong where nothing is silent, no lamp is on and no code speaks of the network (judged)."""

NORMAL_MASS: Final = 0.6
"""The same where, besides, a healthy vehicle of the build reads the same (judged)."""

EACH_LAMP: Final = 0.5
"""A lamp that is on halves the chance that nothing is wrong (judged)."""

REFUSED_AS_LAMPS: Final = 4
"""Data that a neighbour refuses as invalid speaks against it like so many lamps (judged)."""

GONE_AND_NOTHING_WRONG: Final = 0.05
"""What "nothing wrong" in a past case still counts where here something is silent, missed, starved or of the bus by
its code: a code may be old (judged)."""

MISSED_BEHIND_A_GATEWAY: Final = 0.3
"""The same for a gateway that lets nobody through: it may well hide the network where something is missed (judged)."""

LOOKS_NORMAL_FROM: Final = 0.5
"""How much must look as if nothing were wrong before that is said: at most one lamp, and no data refused (judged)."""

SAYS_SOMETHING_IS_WRONG: Final = OF_THE_NETWORK | {Statement.SOFTWARE_INCOMPATIBILITY}
QUIET_BY_DESIGN: Final = frozenset(map(str, (BusState.BUS_ASLEEP, BusState.BUS_QUIET)))
"""States of a bus that are no fault where nothing complains."""


@dataclass(frozen=True)
class Evidence:
    """All of it for one job.

    `nothing_amiss`: how much looks as if nothing were wrong, 0 to 1, 0 with a local fault; `untroubled`: the same as
    it bears on past cases where nothing was wrong; `unheard`: that on cases of a gateway that lets nobody through;
    `reads_normal`: whether a healthy vehicle of the build reads the same.
    """

    feeds: FeedFit = field(default_factory=FeedFit)
    trials: TrialFit = field(default_factory=TrialFit)
    local: Sequence[LocalFault] = ()
    nothing_amiss: float = 0.0
    untroubled: float = 1.0
    unheard: float = 1.0
    reads_normal: bool = False

    @property
    def looks_normal(self) -> bool:
        """Whether a healthy vehicle of the build reads the same and hardly anything complains."""
        return self.reads_normal and self.nothing_amiss >= LOOKS_NORMAL_FROM

    def likelihood(self, key: CauseKey) -> float:
        """Return how well feeds, trials and complaints fit a cause; 1 where they say nothing of it."""
        complaints = {str(Fault.NONE): self.untroubled, str(Fault.GATEWAY_ISOLATION_NORMAL): self.unheard}
        return self.feeds.likelihood(*key) * self.trials.likelihood(*key) * complaints.get(key.fault, 1.0)

    def of_state(self, state: str) -> float:
        """Return the share of a bus state that is a fault here: a sleeping bus of which nothing complains is none."""
        return 1.0 - self.nothing_amiss if state in QUIET_BY_DESIGN else 1.0

    def rest(self) -> float:
        """Return how well they fit what no case had."""
        return self.feeds.rest() * self.trials.rest()

    def own_words(self, looks_sound: float, readings_share: float) -> Iterator[tuple[CauseKey, float]]:
        """Yield what this evidence speaks for by itself, with its mass; `looks_sound` is what the bus readings say."""
        supply = str(Fault.MODULE_SUPPLY_OR_GROUND)
        for family, probability in self.feeds.bad().items():
            yield CauseKey(supply, family), readings_share * probability
        for one in self.local[:2]:
            share = one.share_explained if one.comes_first else NOT_FIRST_SHARE * one.share_explained
            mass = LOCAL_MASS * share * min(looks_sound, 1.0)
            yield CauseKey(str(Fault.SENSOR_OR_ACTUATOR), one.family), mass * (1.0 - FEED_OF_THE_INPUT)
            yield CauseKey(supply, one.family), mass * FEED_OF_THE_INPUT
        if self.nothing_amiss:
            mass = NORMAL_MASS if self.reads_normal else NOTHING_MASS
            yield CauseKey(str(Fault.NONE), None), mass * self.nothing_amiss * looks_sound


NOTHING_BESIDE: Final = Evidence()


def evidence_of(job: Case, feeds: Sequence[Feed], reads_normal: bool = False) -> Evidence:
    """Return what a job tells beside its readings of the bus."""
    local = local_faults(job)
    stated = {entry.code.statement for entry in job.codes}
    refused = Statement.INVALID_DATA in stated
    few_complaints = float(EACH_LAMP ** (len(job.lamps) + REFUSED_AS_LAMPS * refused))
    missed = bool(stated & SAYS_SOMETHING_IS_WRONG) or any_bad(feeds)
    gone = missed or bool(job.silent_modules())
    return Evidence(
        FeedFit(feeds),
        TrialFit(job.trials),
        local,
        nothing_amiss=0.0 if local or gone else few_complaints,
        untroubled=few_complaints * (GONE_AND_NOTHING_WRONG if gone else 1.0),
        unheard=few_complaints * (MISSED_BEHIND_A_GATEWAY if missed else 1.0),
        reads_normal=reads_normal,
    )
