"""What a scope tells with numbers beside what a meter shows: levels, averages, and how long the lines are driven."""

import numpy as np
import pytest

from casebase.bus.bank import Bank
from casebase.bus.diagnose import weighed
from casebase.bus.explain import clash_words, verdict
from casebase.bus.fault_tolerant import fault_tolerant_can
from casebase.bus.flexray import flexray
from casebase.bus.instruments import View
from casebase.bus.interpret import ShareRead, interpret, share_error
from casebase.bus.observation import LevelRead, TrafficRead
from casebase.bus.posterior import level_clashes
from casebase.bus.roles import BusUnderTest, roles_for
from casebase.bus.single_faults import lin
from casebase.record.reading import Reading
from casebase.record.vocabulary import BusState

REST = {"CAN high": "2.5 V", "CAN low": "2.5 V"}
DRIVEN = {"CAN high": "3.5 V", "CAN low": "1.5 V"}
DLC = View()


def scope(waveform, **state):
    """Return a picture of a scope with the ignition on."""
    told = {"quantity": "waveform", "ignition": "on", "unplugged": "nothing", "waveform": waveform}
    return Reading.model_validate(told | state)


@pytest.fixture
def diagnose(bank):
    """Return a diagnosis on the small bank."""

    def of(*readings):
        roles = roles_for(BusUnderTest(), readings)
        return weighed(bank, roles, readings, interpret(readings, roles, bank))

    return of


def test_the_average_is_rest_plus_share_times_swing_on_a_healthy_bus(bank):
    """The meter's mean (ohm's law, no model): what the bank keeps of both must agree on every healthy bus."""
    columns, rows = bank.columns("nothing"), bank.rows_of(BusState.HEALTHY)
    share, rest, driven, average = (
        columns[DLC.column(name)][rows]
        for name in ("dominant_share", "recessive_high", "dominant_high", "volts_high")
    )
    assert average == pytest.approx(rest + share * (driven - rest), abs=0.1)
    assert 0.01 < share.min() < share.max() < 0.55


def test_nobody_drives_a_quiet_bus(bank):
    """Without traffic the share is nought."""
    share = bank.columns("nothing")[DLC.column("dominant_share")]
    assert not share[bank.rows_of(BusState.BUS_QUIET)].any()


@pytest.mark.parametrize("model", [lin(), fault_tolerant_can()], ids=["LIN", "fault-tolerant"])
def test_other_media_with_a_dominant_level_keep_the_share(model):
    """A single line and a pair that rests apart are driven for some of the time as well."""
    columns = model.simulate(BusState.HEALTHY, "nothing", 50, 3)
    assert np.all((columns["DLC|nothing|dominant_share"] > 0) & (columns["DLC|nothing|dominant_share"] < 0.7))


def test_a_share_that_goes_with_the_averages_is_evidence_for_a_healthy_bus(diagnose, high, low):
    """2.70 and 2.30 V: a fifth of the time at 3.5 and 1.5 V, or much more time at levels that are too small."""
    volts = high("2.70"), low("2.30")
    plain = diagnose(*volts, scope({"traffic": "yes"}))
    fitting = diagnose(*volts, scope({"traffic": "yes", "dominant_share": 0.2}))
    odd = diagnose(*volts, scope({"traffic": "yes", "dominant_share": 0.42}))
    assert fitting.probability(BusState.HEALTHY) > plain.probability(BusState.HEALTHY)
    assert odd.probability(BusState.HEALTHY) < plain.probability(BusState.HEALTHY) * 0.6


def test_a_share_does_not_count_as_traffic_twice(diagnose):
    """That there is traffic is one piece of evidence, whether or not somebody says how much."""
    silent = (BusState.BUS_QUIET, BusState.BUS_ASLEEP)
    plain, told = (
        sum(diagnose(scope(seen)).probability(state) for state in silent)
        for seen in ({"traffic": "yes"}, {"traffic": "yes", "dominant_share": 0.2})
    )
    assert told == pytest.approx(plain, rel=0.3)


def test_a_share_alone_says_that_there_is_traffic(diagnose):
    """Who wrote 20 % and no yes has seen frames."""
    found = diagnose(scope({"dominant_share": 0.2}))
    assert [type(one) for one in found.observations] == [TrafficRead, ShareRead]
    assert found.probability(BusState.BUS_QUIET) < 0.02


@pytest.mark.parametrize(
    "seen", [{"traffic": "no", "dominant_share": 1.0}, {"dominant_share": 0}, {"traffic": "no"}]
)
def test_a_line_that_never_moves_has_no_share_of_traffic(diagnose, seen):
    """Held all the time or never driven: that is for traffic and levels to tell."""
    assert not any(isinstance(one, ShareRead) for one in diagnose(scope(seen)).observations)


def test_the_error_of_a_share_grows_with_it_and_with_what_is_not_stated(diagnose):
    """A capture of some milliseconds is a small sample of the traffic; a state left open is worse."""
    assert share_error(0.05) < share_error(0.3) == pytest.approx(0.05, abs=0.005)
    (stated,), (open_,) = (
        [one for one in diagnose(reading).observations if isinstance(one, ShareRead)]
        for reading in (scope({"dominant_share": 0.3}), scope({"dominant_share": 0.3}, ignition=None))
    )
    assert open_.error == pytest.approx(2.5 * stated.error)


def test_on_flexray_a_share_says_nothing():
    """Its lines are driven both ways: no level is dominant."""
    reading = scope({"traffic": "yes", "dominant_share": 0.3})
    bank = Bank(flexray(), None, per_state=10)
    found = interpret([reading], roles_for(BusUnderTest(), [reading]), bank)
    assert not any(isinstance(one, ShareRead) for one in found.observations)


def test_an_average_outside_the_levels_of_its_line_is_said_to_clash(diagnose, high):
    """No mean of 2.5 and 3.5 V is 4.3 V, whatever the bus is: meter or scope is wrong."""
    found = diagnose(high("4.30"), scope({"traffic": "yes", "recessive": REST, "dominant": DRIVEN}))
    said = clash_words(found)[0]
    assert "CAN high to ground at DLC 4.30 V does not go with" in said
    assert "scope at DLC, CAN high dominant 3.5 V" in said
    assert verdict(found).startswith("These readings do not fit together")


@pytest.mark.parametrize("volts", ["2.1", "2.7", "3.2", "3.55"])
def test_an_average_that_is_not_beyond_the_driven_level_may_be_right(diagnose, high, volts):
    """Anything up to the driven level is some share of traffic; a tenth of a volt is the screen's."""
    found = diagnose(high(volts), scope({"traffic": "yes", "recessive": REST, "dominant": DRIVEN}))
    levels = [one for one in found.observations if isinstance(one, LevelRead)]
    assert len(levels) == 4
    assert not level_clashes(found.observations, found.readings)


@pytest.mark.parametrize(("volts", "clash"), [("0.9", True), ("2.7", False)])
def test_can_low_is_driven_downwards(diagnose, low, volts, clash):
    """Below 1.5 V no mean of 2.5 and 1.5 V can lie."""
    found = diagnose(low(volts), scope({"recessive": REST, "dominant": DRIVEN}))
    assert bool(level_clashes(found.observations, found.readings)) == clash


@pytest.mark.parametrize("line", ["high", "low"])
def test_on_no_bus_in_any_state_does_an_average_lie_beyond_the_driven_level(bank, line):
    """Not even where senders differ: what is said to clash is never what a bus shows, within the errors."""
    columns = bank.columns("nothing")
    rest, driven, average, traffic = (
        columns[DLC.column(name)].astype(float)
        for name in (f"recessive_{line}", f"dominant_{line}", f"volts_{line}", "traffic")
    )
    swing = driven - rest
    seen = (traffic > 0.5) & (np.abs(swing) > 0.15)
    assert seen.sum() > 5000
    assert ((average - driven) * np.sign(swing))[seen].max() < 0.2


def test_a_slow_line_rests_higher_than_it_comes_back_between_bits(diagnose, high):
    """Without terminators a meter may show more of the pause than the scope shows within a frame: no clash."""
    slow = {"recessive": {"CAN high": "3.2 V"}, "dominant": {"CAN high": "3.6 V"}}
    found = diagnose(high("2.6"), scope(slow))
    assert not level_clashes(found.observations, found.readings)


@pytest.mark.parametrize("other", [{"stage": "isolation"}, {"tester": "talking"}, {"at": "connector of ABS"}])
def test_levels_of_another_moment_or_place_are_not_held_against_an_average(diagnose, high, other):
    """Between two stages the bus may have changed: only one state is compared with itself."""
    seen = scope({"recessive": REST, "dominant": DRIVEN}, **other)
    found = diagnose(high("4.30"), seen)
    assert not level_clashes(found.observations, found.readings)
