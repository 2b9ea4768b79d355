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
from casebase.record.vocabulary import Fault

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


@dataclass(frozen=True)
class Evidence:
    """All of it for one job.

    `nothing_amiss`: how much looks as if nothing were wrong, 0 to 1; `reads_normal`: whether a healthy vehicle of the
    build reads the same.
    """

    feeds: FeedFit = field(default_factory=FeedFit)
    trials: TrialFit = field(default_factory=TrialFit)
    local: Sequence[LocalFault] = ()
    nothing_amiss: float = 0.0
    reads_normal: bool = False

    def likelihood(self, key: CauseKey) -> float:
        """Return how well feeds and trials fit a cause; 1 where they say nothing of it."""
        return self.feeds.likelihood(*key) * self.trials.likelihood(*key)

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
    nothing_amiss = 0.0 if local else _nothing_amiss(job, feeds)
    return Evidence(FeedFit(feeds), TrialFit(job.trials), local, nothing_amiss, reads_normal)


def _nothing_amiss(job: Case, feeds: Sequence[Feed]) -> float:
    """Return 0 where something is silent, missed, starved or of the bus by its code; else less with every lamp."""
    of_the_network = any(entry.code.statement in OF_THE_NETWORK for entry in job.codes)
    if job.silent_modules() or of_the_network or any_bad(feeds):
        return 0.0
    refused = any(entry.code.statement is Statement.INVALID_DATA for entry in job.codes)
    return float(EACH_LAMP ** (len(job.lamps) + 2 * refused))
