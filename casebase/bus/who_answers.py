"""What it says of a bus that modules on it answer a tester, or that none of them does.

A line held at one level lets nobody through; an open branch, a terminator too few or too many, a poor joint leave the
others talking. It weighs the states before any reading does. All figures are judged.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from casebase.record.vocabulary import BusState, Medium, YesNo

OTHERS_STILL_ANSWER: Final[Mapping[BusState, float]] = {
    BusState.LINES_SHORTED_TOGETHER: 0.03,
    BusState.HIGH_SHORTED_TO_GROUND: 0.1,
    BusState.HIGH_SHORTED_TO_BATTERY: 0.15,
    BusState.LOW_SHORTED_TO_GROUND: 0.35,
    BusState.LOW_SHORTED_TO_BATTERY: 0.05,
    BusState.DRIVER_STUCK_DOMINANT: 0.05,
    BusState.BOTH_TERMINATORS_MISSING: 0.3,
    BusState.LINE_SHORTED_TO_GROUND: 0.03,
    BusState.LINE_SHORTED_TO_BATTERY: 0.03,
    BusState.PULL_UP_MISSING: 0.2,
    BusState.LEAK: 0.6,
    BusState.MODULE_LOADS_LINES: 0.6,
    BusState.GROUND_OFFSET: 0.8,
}
"""How often the modules beside the one at fault still answer in a state; in all others they do."""

NOBODY_ANSWERS: Final[Mapping[BusState, float]] = {
    BusState.HEALTHY: 0.05,
    BusState.BUS_QUIET: 0.4,
    BusState.BUS_ASLEEP: 0.5,
    BusState.LINES_SHORTED_TOGETHER: 0.95,
    BusState.HIGH_SHORTED_TO_GROUND: 0.9,
    BusState.HIGH_SHORTED_TO_BATTERY: 0.85,
    BusState.LOW_SHORTED_TO_GROUND: 0.6,
    BusState.LOW_SHORTED_TO_BATTERY: 0.95,
    BusState.HIGH_OPEN: 0.3,
    BusState.LOW_OPEN: 0.3,
    BusState.BOTH_OPEN: 0.4,
    BusState.LINE_OPEN: 0.4,
    BusState.DRIVER_STUCK_DOMINANT: 0.9,
    BusState.BOTH_TERMINATORS_MISSING: 0.6,
    BusState.LINE_SHORTED_TO_GROUND: 0.95,
    BusState.LINE_SHORTED_TO_BATTERY: 0.95,
    BusState.PULL_UP_MISSING: 0.7,
    BusState.LEAK: 0.3,
}
"""How often none answers in a state; in all others that is seldom."""

NOBODY_BY_A_LESSER_FAULT: Final = 0.12

SURVIVES_ONE_LINE: Final = (Medium.FAULT_TOLERANT_CAN,)
"""Media that go on over one line by design (ISO 11898-3): who answers says nothing there."""


@dataclass(frozen=True)
class WhoAnswers:
    """Whether the modules that are not named as silent answer, and how far that can be relied on, 0 to 1."""

    others: YesNo
    weight: float = 1.0

    def likelihood(self, state: BusState) -> float:
        """Return how well a state goes with it."""
        if self.others is YesNo.YES:
            return float(OTHERS_STILL_ANSWER.get(state, 1.0) ** self.weight)
        return float(NOBODY_ANSWERS.get(state, NOBODY_BY_A_LESSER_FAULT) ** self.weight)

    def weighed(self, often: Mapping[BusState, float], medium: Medium) -> Mapping[BusState, float]:
        """Return how often states are met, given who answers; states that are not told count 1 before."""
        if medium in SURVIVES_ONE_LINE:
            return often
        return {state: often.get(state, 1.0) * self.likelihood(state) for state in BusState}
