"""What it says of a bus who answers a tester on it (common practice, no source, where no other is named)."""

import pytest

from casebase.bus.diagnose import diagnose
from casebase.bus.roles import BusUnderTest
from casebase.bus.who_answers import NOBODY_ANSWERS, OTHERS_STILL_ANSWER, WhoAnswers
from casebase.places import simulation_folder
from casebase.record.vocabulary import BusState, Medium, YesNo

HELD = (
    BusState.LINES_SHORTED_TOGETHER,
    BusState.HIGH_SHORTED_TO_GROUND,
    BusState.HIGH_SHORTED_TO_BATTERY,
    BusState.LOW_SHORTED_TO_BATTERY,
    BusState.DRIVER_STUCK_DOMINANT,
)
"""A line held at one level: no dominant bit can be told from a recessive one (0.9 V and 0.5 V: ISO 11898-2)."""


def test_every_share_is_one():
    """From never to always."""
    for table in (OTHERS_STILL_ANSWER, NOBODY_ANSWERS):
        assert all(0.0 < share <= 1.0 for share in table.values())


@pytest.mark.parametrize("state", HELD)
def test_a_line_held_at_one_level_lets_nobody_through(state):
    """Whoever answers speaks against it, silence everywhere for it."""
    assert WhoAnswers(YesNo.YES).likelihood(state) < 0.2
    assert WhoAnswers(YesNo.NO).likelihood(state) > 0.8


def test_half_a_termination_or_an_open_branch_leaves_the_others_talking():
    """A missing terminator or an open stub silences few."""
    for state in (BusState.TERMINATOR_MISSING, BusState.HIGH_OPEN, BusState.POOR_JOINT, BusState.HEALTHY):
        assert WhoAnswers(YesNo.YES).likelihood(state) == 1.0
        assert WhoAnswers(YesNo.NO).likelihood(state) <= 0.3


def test_what_is_half_relied_on_counts_half():
    """Between nothing and all of it."""
    whole, half = (WhoAnswers(YesNo.YES, weight).likelihood(HELD[0]) for weight in (1.0, 0.5))
    assert whole == pytest.approx(half**2)


def test_60_ohm_alone_is_no_short_where_the_others_answer(pair):
    """Without it six faults that leave the ohms alone stand beside the healthy bus."""
    reading = (pair("60 ohm"),)
    alone, answering, dead = (
        diagnose(reading, Medium.HIGH_SPEED_CAN, BusUnderTest(who_answers=told), cache=simulation_folder())
        for told in (None, WhoAnswers(YesNo.YES), WhoAnswers(YesNo.NO))
    )

    def held(found):
        return sum(found.probability(state) for state in HELD)

    assert held(answering) < held(alone) / 4 < held(dead)
    assert held(dead) > 0.5
    assert answering.probability(BusState.HEALTHY) > alone.probability(BusState.HEALTHY)


def test_a_medium_that_goes_on_over_one_line_is_not_weighed():
    """Fault-tolerant CAN talks on with a line at ground (ISO 11898-3)."""
    often = {BusState.HEALTHY: 1.5}
    assert WhoAnswers(YesNo.YES).weighed(often, Medium.FAULT_TOLERANT_CAN) is often
