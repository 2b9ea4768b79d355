"""How well each cause explains what was tried and what followed: swapped, unplugged, tested, cleaned, by-passed.

A trial rules out or in with the usual doubt: a part that was fitted may be bad too or want configuring, a plug that was
touched may have moved what was at fault. All figures are judged.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

from casebase.record.inference import told_of_the_fault
from casebase.record.modules import family_of, modules_named_in
from casebase.record.trial import FITTED, Outcome, Trial, TrialAction
from casebase.record.vocabulary import BusState, Fault, YesNo

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
