"""What a job tells beside its bus readings and its likeness to cases: feeds, trials, local faults, nothing amiss.

Each kind says how well a cause fits it, 1 where it says nothing, and may speak for a cause that no case had. A module
without supply speaks for a fault of its own feed and against what leaves the feed alone. A trial rules out or in with
the usual doubt: a part that was fitted may be bad too or want configuring, a plug that was touched may have moved what
was at fault. All figures are judged.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

from casebase.bus.feed import PRIOR, Feed, any_bad
from casebase.bus.feed_draws import FeedState
from casebase.bus.stuck import served_modules
from casebase.bus.who_answers import WhoAnswers
from casebase.match.answer.case_votes import CauseKey
from casebase.match.meaning import Meaning, who_answers
from casebase.record.case import Case
from casebase.record.code_meaning import Statement
from casebase.record.inference import told_of_the_fault
from casebase.record.local_fault import OF_THE_NETWORK, LocalFault, local_faults
from casebase.record.modules import family_of, modules_named_in
from casebase.record.trial import FITTED, Outcome, Trial, TrialAction
from casebase.record.vocabulary import BusState, Fault, YesNo

_BAD: Final = (FeedState.SUPPLY_MISSING, FeedState.SUPPLY_WEAK, FeedState.GROUND_POOR)

_OF_THE_FEED: Final[dict[str, tuple[FeedState, ...]]] = {
    Fault.MODULE_SUPPLY_OR_GROUND: _BAD,
    Fault.GROUND_OFFSET: (FeedState.GROUND_POOR,),
    Fault.MODULE_LOADS_LINES: (FeedState.SUPPLY_MISSING,),
}
"""What the feed of the module at fault looks like with causes that are of the feed."""

_MAY_TOUCH_THE_FEED: Final = frozenset({Fault.CONNECTOR_CORROSION, Fault.WATER_IN_MODULE})
MAY_TOUCH_SHARE: Final = 0.5
"""How often water and corrosion reach the feed as well (judged)."""

ANYTHING_SHARE: Final = 0.05
"""How often the feed has a fault of its own beside the cause, or its plug is not where one thinks (judged)."""

REST_SHARE: Final = 0.3
"""How often what no case had leaves the feed bad too (judged)."""


@dataclass(frozen=True)
class FeedFit:
    """The feeds read on one job, held against causes."""

    feeds: Sequence[Feed] = ()

    def likelihood(self, fault: str, family: str | None) -> float:
        """Return how well everything read at the plugs fits a cause that goes with a module of `family`."""
        return math.prod(self._of(feed, fault, family) for feed in self.feeds)

    def rest(self) -> float:
        """Return how well it fits what no case had."""
        sound = math.prod(_ratio(feed, (FeedState.SOUND,)) for feed in self.feeds)
        return REST_SHARE + (1.0 - REST_SHARE) * min(sound, 1.0)

    def bad(self) -> dict[str, float]:
        """Return, by family, the probability that the feed there is bad, where that is likelier than sound."""
        return {feed.family: 1.0 - feed.sound for feed in self.feeds if feed.sound < 0.5}

    def _of(self, feed: Feed, fault: str, family: str | None) -> float:
        sound = _ratio(feed, (FeedState.SOUND,))
        looks = sound
        if fault == Fault.LOW_SYSTEM_VOLTAGE:
            looks = _ratio(feed, (FeedState.SUPPLY_WEAK,))
        elif family in {None, feed.family} and fault in _OF_THE_FEED:
            looks = _ratio(feed, _OF_THE_FEED[fault])
        elif family == feed.family and fault in _MAY_TOUCH_THE_FEED:
            looks = MAY_TOUCH_SHARE * _ratio(feed, _BAD) + (1.0 - MAY_TOUCH_SHARE) * sound
        return ANYTHING_SHARE + (1.0 - ANYTHING_SHARE) * looks


def _ratio(feed: Feed, states: Sequence[FeedState]) -> float:
    """Return how much likelier these states are with what was read than before."""
    before = sum(PRIOR[state] for state in states)
    return sum(feed.probabilities[state] for state in states) / before


WITHIN_A_MODULE: Final = frozenset(
    {Fault.MODULE_INTERNAL, Fault.WATER_IN_MODULE, Fault.DRIVER_STUCK_DOMINANT}
)
"""Faults that go with the module when it is taken out."""

DISTURBS_THE_BUS: Final = frozenset(
    {Fault.DRIVER_STUCK_DOMINANT, Fault.MODULE_LOADS_LINES, Fault.WATER_IN_MODULE, Fault.AFTERMARKET_DEVICE}
)
"""Faults of a module that end when it is unplugged."""

AT_A_PLUG: Final = frozenset({Fault.CONNECTOR_CORROSION, Fault.MODULE_SUPPLY_OR_GROUND, Fault.POOR_JOINT})
PARTED: Final = frozenset({Fault.HIGH_OPEN, Fault.LOW_OPEN, Fault.BOTH_OPEN, Fault.POOR_JOINT})

_HELPED: Final = frozenset({Outcome.GONE, Outcome.RESTORED})
_DID_NOT_HELP: Final = frozenset({Outcome.NO_CHANGE, Outcome.CAME_BACK, Outcome.WORSE, Outcome.PASSED})

STILL_GUILTY: Final = 0.15
"""A new part, fitted and configured, and no change: that module is at fault all the same."""

STILL_GUILTY_DOUBTFUL: Final = 0.3
"""The same with a used part, or one that was not configured."""

POINTS_TO: Final = 4.0
POINTS_ELSEWHERE: Final = 0.2
"""The fault went with what was done: that is it, or chance."""

PLUG_STILL_BAD: Final = 0.5
"""A plug cleaned or pushed home without change is at fault all the same."""


@dataclass(frozen=True)
class TrialFit:
    """The trials of one job, held against causes."""

    trials: Sequence[Trial] = ()

    def likelihood(self, fault: str, family: str | None) -> float:
        """Return how well what followed every trial fits a cause that goes with a module of `family`; 1: no matter."""
        return math.prod(tried.likelihood(fault, family) for tried in self._tried)

    def rest(self) -> float:
        """Return how well it fits what no case had: as a cause that no trial touched."""
        return self.likelihood("", None)

    @cached_property
    def _tried(self) -> list[_Tried]:
        return [_Tried(trial, _families(trial), any(told_of_the_fault(trial))) for trial in self.trials]


@dataclass(frozen=True)
class _Tried:
    """One trial, the families of the modules it was done to, and whether the computation of the bus hears it."""

    trial: Trial
    families: frozenset[str]
    is_heard_by_the_bus: bool

    def likelihood(self, fault: str, family: str | None) -> float:
        """Return how well what followed fits a cause; a bus state is weighed once, where the bus is computed."""
        if self.is_heard_by_the_bus and fault in _BUS_STATES:
            return 1.0
        trial, touched = self.trial, self._touches(fault, family)
        if trial.outcome in _HELPED or (trial.did is TrialAction.LOADED and trial.outcome is Outcome.FAILED):
            return POINTS_TO if touched else POINTS_ELSEWHERE
        if not touched:
            return 1.0
        if trial.outcome is Outcome.FAILED:
            return POINTS_TO
        return self._left_of_the_guilt() if trial.outcome in _DID_NOT_HELP else 1.0

    def _left_of_the_guilt(self) -> float:
        trial = self.trial
        if trial.did in FITTED:
            doubtful = trial.used_part is YesNo.YES or trial.configured is YesNo.NO
            return STILL_GUILTY_DOUBTFUL if doubtful else STILL_GUILTY
        plug = trial.did not in {TrialAction.UNPLUGGED, TrialAction.BENCH_TESTED, TrialAction.LOADED}
        return PLUG_STILL_BAD if plug else STILL_GUILTY

    def _touches(self, fault: str, family: str | None) -> bool:
        """Return whether a cause of this kind, in a module of `family`, ends or shows by what was done."""
        if self.trial.did is TrialAction.BYPASSED:
            return fault in PARTED
        return family in self.families and fault in _ENDED_BY[self.trial.did]


_BUS_STATES: Final = frozenset(map(str, BusState)) - {str(BusState.HEALTHY)}

_ENDED_BY: Final = {
    TrialAction.REPLACED: WITHIN_A_MODULE | {Fault.SENSOR_OR_ACTUATOR},
    TrialAction.SWAPPED: WITHIN_A_MODULE | {Fault.SENSOR_OR_ACTUATOR},
    TrialAction.UNPLUGGED: DISTURBS_THE_BUS,
    TrialAction.BENCH_TESTED: WITHIN_A_MODULE,
    TrialAction.WIGGLED: AT_A_PLUG | PARTED,
    TrialAction.CLEANED: AT_A_PLUG,
    TrialAction.RESEATED: AT_A_PLUG,
    TrialAction.TIGHTENED: AT_A_PLUG,
    TrialAction.LOADED: frozenset({Fault.MODULE_SUPPLY_OR_GROUND}),
    TrialAction.PROGRAMMED: frozenset({Fault.CONFIGURATION}),
    TrialAction.RESET: frozenset({Fault.CONFIGURATION}),
}
"""What an action would have ended, or shown, in the module that it was done to."""


def _families(trial: Trial) -> frozenset[str]:
    named = [name for name in (*trial.what, trial.at) if name]
    within = (family_of(found.key) for name in named for found in modules_named_in(name))
    return frozenset([*map(family_of, named), *within])


SERVED_MASS: Final = 0.7
"""Mass of a module at whose plug supply, ground and bus were found sound and that is silent all the same (judged)."""

WITHIN_A_SERVED: Final = {
    Fault.MODULE_INTERNAL: 0.75,
    Fault.CONNECTOR_CORROSION: 0.15,
    Fault.CONFIGURATION: 0.1,
}
"""What it then is: the module, the grip of its terminals, its coding (judged)."""

ALONE_MASS: Final = 0.8
"""Mass of one module that alone is silent while all others answer (judged)."""

WITH_ONE_ALONE: Final = {
    Fault.MODULE_SUPPLY_OR_GROUND: 0.45,
    Fault.MODULE_INTERNAL: 0.2,
    Fault.CONNECTOR_CORROSION: 0.1,
    Fault.HIGH_OPEN: 0.1,
    Fault.LOW_OPEN: 0.1,
    Fault.CONFIGURATION: 0.05,
}
"""What it then is: its feed first, then the module, its plug, a wire of its branch (judged)."""

OF_ONE_MODULE: Final = frozenset(
    {*map(str, WITH_ONE_ALONE), str(Fault.WATER_IN_MODULE), str(Fault.SENSOR_OR_ACTUATOR)}
)
SILENCES_ALL: Final = 0.15
"""How often a fault of one module alone has nobody answer: it may be the gateway (judged)."""

LOCAL_MASS: Final = 1.4
"""Mass of a local fault that explains all there is: more than a verified case alike in everything (judged, and
looked at on simulated jobs)."""

NOT_FIRST_SHARE: Final = 0.08
"""What a local fault counts that leaves more than it explains, or beside modules that are gone (judged)."""

REFUSED_MASS: Final = 0.3
"""Mass of a local fault in a module that answers and whose data all codes of the job refuse as invalid (judged, and
looked at on two simulated fleets)."""

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

    `refused`: the families of modules that answer and whose data neighbours refuse, with the share of all codes that
    say so.
    `served`: the silent modules that have all they need at their plug, by family, with how likely that is.
    `others`: what is told of the modules that are not silent, `is_bus_read` whether the bus states have heard it.
    `alone`: the family of the one module that is silent while all others answer.
    `nothing_amiss`: how much looks as if nothing were wrong, 0 to 1, 0 with a local fault; `untroubled`: the same as
    it bears on past cases where nothing was wrong; `unheard`: that on cases of a gateway that lets nobody through;
    `reads_normal`: whether a healthy vehicle of the build reads the same.
    """

    feeds: FeedFit = field(default_factory=FeedFit)
    trials: TrialFit = field(default_factory=TrialFit)
    local: Sequence[LocalFault] = ()
    refused: Mapping[str, float] = field(default_factory=dict)
    served: Mapping[str, float] = field(default_factory=dict)
    others: WhoAnswers | None = None
    is_bus_read: bool = False
    alone: str | None = None
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
        told = self.feeds.likelihood(*key) * self.trials.likelihood(*key) * self._of_others(key.fault)
        return told * complaints.get(key.fault, 1.0)

    def _of_others(self, fault: str) -> float:
        """Return how well a fault goes with who answers; a bus state has heard it where the bus was read."""
        if self.others is None:
            return 1.0
        if fault in _BUS_STATES:
            return 1.0 if self.is_bus_read else self.others.likelihood(BusState(fault))
        one = fault in OF_ONE_MODULE and self.others.others is YesNo.NO
        return float(SILENCES_ALL**self.others.weight) if one else 1.0

    def of_state(self, state: str) -> float:
        """Return the share of a bus state that is a fault here: a sleeping bus of which nothing complains is none."""
        return 1.0 - self.nothing_amiss if state in QUIET_BY_DESIGN else 1.0

    def rest(self) -> float:
        """Return how well they fit what no case had."""
        return self.feeds.rest() * self.trials.rest()

    def own_words(
        self, looks_sound: float, readings_share: float, read_rightly: float = 1.0
    ) -> Iterator[tuple[CauseKey, float]]:
        """Yield what this evidence speaks for by itself, with its mass; `looks_sound` is what the bus readings say.

        `read_rightly`: a reading that was taken wrongly shows nothing, and least of all that nothing is wrong.
        """
        supply = str(Fault.MODULE_SUPPLY_OR_GROUND)
        for family, probability in self.feeds.bad().items():
            yield CauseKey(supply, family), readings_share * probability
        for one in self.local[:2]:
            share = one.share_explained if one.comes_first else NOT_FIRST_SHARE * one.share_explained
            mass = LOCAL_MASS * share * min(looks_sound, 1.0)
            yield from _of_one_input(one.family, mass)
        proven = {one.family for one in self.local if one.comes_first}
        for family, share in self.refused.items():
            if family not in proven:
                yield from _of_one_input(family, REFUSED_MASS * share * min(looks_sound, 1.0))
        if self.alone and self.alone not in self.served:
            weight = self.others.weight if self.others else 1.0
            yield from _shared_out(self.alone, ALONE_MASS * weight * min(looks_sound, 1.0), WITH_ONE_ALONE)
        for family, share in self.served.items():
            yield from _shared_out(family, SERVED_MASS * share * min(looks_sound, 1.0), WITHIN_A_SERVED)
        if self.nothing_amiss:
            mass = NORMAL_MASS if self.reads_normal else NOTHING_MASS
            yield CauseKey(str(Fault.NONE), None), mass * self.nothing_amiss * looks_sound * read_rightly


def _shared_out(family: str, mass: float, parts: Mapping[Fault, float]) -> Iterator[tuple[CauseKey, float]]:
    """Yield the faults that go with one module, each with its part of a mass."""
    yield from ((CauseKey(str(fault), family), mass * part) for fault, part in parts.items())


def _of_one_input(family: str, mass: float) -> Iterator[tuple[CauseKey, float]]:
    """Yield a fault of one input of a module, and of the feed of that input."""
    yield CauseKey(str(Fault.SENSOR_OR_ACTUATOR), family), mass * (1.0 - FEED_OF_THE_INPUT)
    yield CauseKey(str(Fault.MODULE_SUPPLY_OR_GROUND), family), mass * FEED_OF_THE_INPUT


NOTHING_BESIDE: Final = Evidence()


def evidence_of(
    job: Case, feeds: Sequence[Feed], meanings: Sequence[Meaning] = (), reads_normal: bool = False
) -> Evidence:
    """Return what a job tells beside its readings of the bus, of which `meanings` are what they mean."""
    local = local_faults(job)
    stated = {entry.code.statement for entry in job.codes}
    refused = Statement.INVALID_DATA in stated
    few_complaints = float(EACH_LAMP ** (len(job.lamps) + REFUSED_AS_LAMPS * refused))
    missed = bool(stated & SAYS_SOMETHING_IS_WRONG) or any_bad(feeds)
    silent, others = job.silent_modules(), who_answers(job)
    gone = missed or bool(silent) or job.others_answer is YesNo.NO
    is_alone = len(silent) == 1 and job.others_answer is YesNo.YES
    return Evidence(
        FeedFit(feeds),
        TrialFit(job.trials),
        local,
        _refused(job),
        {
            family_of(name): share / len(silent)
            for name, share in served_modules(silent, job.readings, feeds).items()
        },
        others,
        any(meaning.diagnosis.observations for meaning in meanings),
        family_of(silent[0]) if is_alone else None,
        nothing_amiss=0.0 if local or gone else few_complaints,
        untroubled=few_complaints * (GONE_AND_NOTHING_WRONG if gone else 1.0),
        unheard=few_complaints * (MISSED_BEHIND_A_GATEWAY if missed else 1.0),
        reads_normal=reads_normal,
    )


def _refused(job: Case) -> dict[str, float]:
    """Return whose data neighbours refuse as invalid, with the share of all codes; not of who is silent or missed."""
    told = [entry.code for entry in job.codes if entry.code.about]
    gone: set[str | None] = {family_of(name) for name in job.silent_modules()}
    gone |= {family_of(code.about) for code in told if code.statement is Statement.LOST_COMMUNICATION}
    found = Counter(family_of(code.about) for code in told if code.statement is Statement.INVALID_DATA)
    return {str(family): count / len(job.codes) for family, count in found.items() if family not in gone}
