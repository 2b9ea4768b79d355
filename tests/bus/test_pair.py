"""Simulated buses in every state show what such buses show."""

import numpy as np
import pytest

from casebase.bus.instruments import View, observed
from casebase.bus.pair import PAIR_STATES, draw_pairs
from casebase.bus.pair_draws import ROLES
from casebase.record.vocabulary import BusState

BUSES = 400


@pytest.fixture(scope="module")
def seen():
    """What is seen at the DLC with everything plugged in, by state."""
    return {
        state: observed(draw_pairs(state, BUSES, np.random.default_rng(index)), "nothing")
        for index, state in enumerate(PAIR_STATES)
    }


HARD_SHORT_OHMS = 20.0


def sizes(state):
    """Return how many ohms the faults of a state have, in the order of the buses seen."""
    return draw_pairs(state, BUSES, np.random.default_rng(PAIR_STATES.index(state))).size


def at_dlc(seen, state, quantity):
    """Return one quantity on all buses of a state."""
    return seen[state][View().column(quantity)]


@pytest.mark.slow
def test_healthy_pair_reads_about_60_ohm(seen):
    """50 to 70 ohm with all power off (esd electronics, CAN Troubleshooting Guide, Termination); worn pins add some."""
    values = at_dlc(seen, BusState.HEALTHY, "ohms_between")
    assert np.mean((values > 50) & (values < 70)) > 0.97
    assert np.median(values) == pytest.approx(61, abs=2)


@pytest.mark.slow
def test_healthy_lines_read_half_a_kilohm_to_over_limit_to_ground(seen):
    """14.7 kohm and OL are called in order by guides, other vehicles read 0.5 kohm (published readings)."""
    values = at_dlc(seen, BusState.HEALTHY, "ohms_high_ground")
    assert values.min() > 400
    assert np.mean(values > 14_700) > 0.03
    assert values.max() > 2e6


def test_recessive_levels_lie_between_2_and_3_volts(seen):
    """2 to 3 V with bus bias active (TI TCAN1042HGV 7.7)."""
    for line in ("high", "low"):
        values = at_dlc(seen, BusState.HEALTHY, f"recessive_{line}")
        assert np.all((values > 2.0) & (values < 3.0))


def test_dominant_levels_keep_to_the_transmitter_limits(seen):
    """CAN high 2.75 to 4.5 V, CAN low 0.5 to 2.25 V, 1.5 to 3.0 V apart (TI TCAN1042HGV, NXP TJA1051 table 7)."""
    high, low = (at_dlc(seen, BusState.HEALTHY, f"dominant_{line}") for line in ("high", "low"))
    assert np.mean((high > 2.75) & (high < 4.5)) > 0.99
    assert np.mean((low > 0.5) & (low < 2.25)) > 0.99
    # 1.5 V are promised at the sender; the DLC may lie 40 m of wire away from it.
    assert np.all((high - low > 1.35) & (high - low < 3.0))
    assert np.mean(high - low > 1.5) > 0.95


def test_averages_of_a_healthy_pair_sum_to_about_5_volts(seen):
    """Whatever the traffic: the driver is symmetrical, +-400 mV (TI TCAN1044V)."""
    total = at_dlc(seen, BusState.HEALTHY, "volts_high") + at_dlc(seen, BusState.HEALTHY, "volts_low")
    assert np.all(np.abs(total - 5.0) < 0.4)


def test_usual_averages_with_traffic(seen):
    """About 2.7 V on CAN high, 2.2 to 2.3 V on CAN low are usual (common practice, no source)."""
    assert np.median(at_dlc(seen, BusState.HEALTHY, "volts_high")) == pytest.approx(2.7, abs=0.1)
    assert np.median(at_dlc(seen, BusState.HEALTHY, "volts_low")) == pytest.approx(2.3, abs=0.1)


def test_both_terminators_missing_does_not_read_over_limit(seen):
    """3.4 to 14 kohm remain through the bias of 4 to 14 modules of 30 kohm a line (derived); OL where they let go."""
    values = at_dlc(seen, BusState.BOTH_TERMINATORS_MISSING, "ohms_between")
    assert np.mean((values > 2_000) & (values < 20_000)) > 0.5
    assert values.min() > 700
    assert np.mean(values > 2e6) > 0.01


def test_one_terminator_reads_about_120_ohm(seen):
    """120 ohm at one end only (NI-XNET manual, Cable Termination); the bias in parallel lowers it a little."""
    values = at_dlc(seen, BusState.TERMINATOR_MISSING, "ohms_between")
    assert np.mean((values > 108) & (values < 132)) > 0.85
    assert np.median(values) == pytest.approx(119, abs=3)


def test_low_shorted_to_ground_pulls_both_lines_down(seen):
    """CAN low lies at ground, CAN high follows it through the terminators but still carries traffic (esd, 6.3)."""
    hard = sizes(BusState.LOW_SHORTED_TO_GROUND) < HARD_SHORT_OHMS
    assert np.all(at_dlc(seen, BusState.LOW_SHORTED_TO_GROUND, "volts_low")[hard] < 0.6)
    assert np.all(at_dlc(seen, BusState.LOW_SHORTED_TO_GROUND, "volts_high")[hard] < 1.9)


def test_the_more_ohms_a_short_has_the_less_it_pulls(seen):
    """Kirchhoff: 26 ohm hold the line near ground, kilohms hardly move it."""
    ohms = sizes(BusState.HIGH_SHORTED_TO_GROUND)
    volts = at_dlc(seen, BusState.HIGH_SHORTED_TO_GROUND, "recessive_high")
    assert np.median(volts[ohms < 30]) < 0.1
    assert 0.2 < np.median(volts[(ohms > 200) & (ohms < 600)]) < 1.7
    assert np.median(volts[ohms > 3_000]) > 1.0


def test_a_short_couples_to_the_other_line_through_the_terminators(seen):
    """With one line on ground the other reads about 60 ohm more to ground, power off (arithmetic: 120 || 120)."""
    high, low = (
        at_dlc(seen, BusState.HIGH_SHORTED_TO_GROUND, f"ohms_{line}_ground") for line in ("high", "low")
    )
    hard = sizes(BusState.HIGH_SHORTED_TO_GROUND) < HARD_SHORT_OHMS
    assert np.mean(np.abs((low - high)[hard] - 59) < 6) > 0.85


def test_an_open_line_leans_to_its_own_side(seen):
    """Power off, the open line reads more ohms to ground than the other: fewer modules hang on it (Kirchhoff)."""
    for state, sign in ((BusState.HIGH_OPEN, 1), (BusState.LOW_OPEN, -1)):
        high, low = (at_dlc(seen, state, f"ohms_{line}_ground") for line in ("high", "low"))
        assert np.mean(sign * (high - low) > 1) > 0.75


def test_a_stuck_driver_shows_dominant_levels(seen):
    """A driver that never lets go: 3.1 to 3.7 V and 1.4 to 2.0 V, whatever else is sent."""
    assert np.mean(at_dlc(seen, BusState.DRIVER_STUCK_DOMINANT, "volts_high") > 2.9) > 0.98
    assert np.mean(at_dlc(seen, BusState.DRIVER_STUCK_DOMINANT, "volts_low") < 2.1) > 0.98


def test_asleep_both_lines_lie_near_ground(seen):
    """-0.1 to 0.1 V in standby, bias inactive (TI TCAN1042HGV 7.7)."""
    for line in ("high", "low"):
        assert np.all(np.abs(at_dlc(seen, BusState.BUS_ASLEEP, f"volts_{line}")) <= 0.11)


def test_unplugging_a_terminators_module_raises_the_pair_to_120_ohm():
    """The terminator goes with its module: 60 ohm become 120, and up to 40 m of wire to the other end come to it."""
    drawn = draw_pairs(BusState.HEALTHY, BUSES, np.random.default_rng(3))
    values = observed(drawn, "terminator A")[View(unplugged="terminator A").column("ohms_between")]
    assert np.mean((values > 105) & (values < 138)) > 0.85


def test_unplugging_the_stuck_module_frees_the_bus():
    """A fault inside a module goes with it, and stays when another is unplugged."""
    drawn = draw_pairs(BusState.DRIVER_STUCK_DOMINANT, BUSES, np.random.default_rng(4))
    role = "module 1"
    culprit = drawn.roles[ROLES.index(role)] == drawn.host
    recessive = observed(drawn, role)[View(unplugged=role).column("recessive_high")]
    assert np.all(recessive[culprit] < 2.8)
    assert np.mean(recessive[~culprit] > 2.9) > 0.98
