"""Bus states and simulated quantities in plain English."""

from __future__ import annotations

from typing import Final

from casebase.record.vocabulary import BusState

STATE_WORDS: Final = {
    BusState.HEALTHY: "a healthy bus as seen from here",
    BusState.BUS_QUIET: "a bus awake without traffic",
    BusState.BUS_ASLEEP: "a bus asleep",
    BusState.LINES_SHORTED_TOGETHER: "lines shorted together",
    BusState.HIGH_SHORTED_TO_GROUND: "CAN high shorted to ground",
    BusState.LOW_SHORTED_TO_GROUND: "CAN low shorted to ground",
    BusState.HIGH_SHORTED_TO_BATTERY: "CAN high shorted to battery +",
    BusState.LOW_SHORTED_TO_BATTERY: "CAN low shorted to battery +",
    BusState.HIGH_OPEN: "CAN high open",
    BusState.LOW_OPEN: "CAN low open",
    BusState.BOTH_OPEN: "both lines open",
    BusState.TERMINATOR_MISSING: "a terminator missing",
    BusState.BOTH_TERMINATORS_MISSING: "both terminators missing",
    BusState.EXTRA_TERMINATOR: "a terminator too many",
    BusState.DRIVER_STUCK_DOMINANT: "a driver stuck dominant",
    BusState.LINE_SHORTED_TO_GROUND: "line shorted to ground",
    BusState.LINE_SHORTED_TO_BATTERY: "line shorted to battery +",
    BusState.LINE_OPEN: "line open",
    BusState.PULL_UP_MISSING: "pull-up missing",
}


def state_words(state: BusState) -> str:
    """Return a bus state in plain English."""
    return STATE_WORDS[state]
