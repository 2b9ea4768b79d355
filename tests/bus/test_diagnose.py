"""What sets of readings mean, as a technician would put it."""

import numpy as np
import pytest

from casebase import places
from casebase.bus import posterior
from casebase.bus.bank import BUSES_PER_STATE, Bank
from casebase.bus.diagnose import diagnose as on_all_buses
from casebase.bus.diagnose import weighed
from casebase.bus.explain import clash_words, evidence_rows, verdict
from casebase.bus.interpret import interpret
from casebase.bus.next_test import next_tests
from casebase.bus.roles import BusUnderTest, roles_for
from casebase.record.reading import Reading
from casebase.record.vocabulary import BusState, Medium

ENDS = BusUnderTest(terminators_in=("ECM", "BCM"), modules=("ABS", "EPS"))
FOUR_AT_120_OHM = {BusState.TERMINATOR_MISSING, BusState.BOTH_OPEN, BusState.HIGH_OPEN, BusState.LOW_OPEN}


@pytest.fixture
def diagnose(bank):
    """Return a diagnosis on the small bank."""

    def of(*readings, bus=ENDS, prior=None):
        roles = roles_for(bus, readings)
        return weighed(bank, roles, readings, interpret(readings, roles, bank), prior)

    return of


@pytest.fixture
def three_readings(diagnose, pair, high, low):
    """Return a diagnosis from ohms between the lines and both volts."""
    return lambda ohms, volts_high, volts_low: diagnose(pair(ohms), high(volts_high), low(volts_low))


def test_without_readings_the_common_faults_are_as_likely(diagnose):
    """A healthy bus is met more often than any one fault, some faults are met seldom (judged)."""
    (first, healthy), *faults = diagnose().ranked()
    common = [share for _, share in faults[:14]]
    assert first is BusState.HEALTHY
    assert common == pytest.approx([common[0]] * 14)
    assert common[0] < healthy < 2 * common[0]
    assert all(common[0] / 6 < seldom < common[0] for _, seldom in faults[14:])


def test_a_prior_can_be_given(diagnose):
    """A library's own base rates move the answer where the readings do not."""
    assert diagnose(prior={BusState.LOW_OPEN: 30.0}).ranked()[0][0] is BusState.LOW_OPEN


def test_where_no_bus_shows_all_readings_together_they_tell_less(  # noqa: PLR0913, PLR0917  a maker for each reading
    diagnose, pair, high, low, high_ground, low_ground, monkeypatch
):
    """A wet connector, solved by ngspice (tests/bench/wide_bus.py): battery through water on both lines, and no state.

    Each reading is shown by some simulated bus, all five by none. What one reading alone means stays.
    """
    wet = pair("57.4"), high_ground("382"), low_ground("392"), high("7.40"), low("6.69")
    said, alone = diagnose(*wet), diagnose(pair("119"))
    monkeypatch.setattr(posterior, "LEAST_TRUSTED", 1.0)
    as_if_they_were_all, same = diagnose(*wet), diagnose(pair("119"))
    assert said.ranked()[0][1] < as_if_they_were_all.ranked()[0][1] - 0.005
    assert len(said.credible()) >= len(as_if_they_were_all.credible())
    assert alone.ranked() == same.ranked()


@pytest.mark.slow
def test_60_ohm_and_flat_lines_mean_no_traffic(diagnose, pair, high, low):
    """60 ohm, 2.5 and 2.5 V: nothing is wrong with the wires, nobody talks."""
    found = diagnose(pair("60.4"), high("2.50"), low("2.49"))
    assert found.ranked()[0][0] is BusState.BUS_QUIET


@pytest.mark.parametrize("read", ["2.2 Mohm", "650 kohm", "OL"])
def test_megohms_between_the_lines_are_as_good_as_OL(diagnose, pair, read):  # noqa: N802  as the meter writes it
    """No module's input is that large (19 to 75 kohm, NXP TJA1051 and TJA1041A): the lines end before any module."""
    found = diagnose(pair(read))
    assert {state for state, _ in found.ranked()[:3]} == {
        BusState.BOTH_OPEN,
        BusState.HIGH_OPEN,
        BusState.LOW_OPEN,
    }
    assert found.probability(BusState.HEALTHY) < 0.05
    assert found.probability(BusState.LINES_SHORTED_TOGETHER) < 0.05


def test_120_ohm_leaves_four_states_level(diagnose, pair, high, low):
    """A terminator lost, and a line or both open beyond the DLC, all read 120 ohm: no number may pretend otherwise."""
    found = diagnose(pair("119"), high("2.7"), low("2.3"))
    assert set(found.credible()) == FOUR_AT_120_OHM
    assert "Not decided" in verdict(found)


@pytest.mark.slow
def test_the_test_proposed_at_120_ohm_splits_the_four(diagnose, pair, high, low):
    """Ohms of each line to ground tell an open line from a lost terminator: that is what is proposed."""
    first = next_tests(diagnose(pair("119"), high("2.7"), low("2.3")), 1)[0]
    assert first.candidate.kind.words == "ohms of each line to ground"
    assert first.splits


def test_the_difference_to_ground_names_the_open_line(diagnose, pair, high_ground, low_ground):
    """1.66 against 1.59 kohm: fewer modules hang on CAN high, so it is CAN high that is open."""
    found = diagnose(pair("119"), high_ground("1.66 kohm"), low_ground("1.59 kohm"))
    assert found.ranked()[0][0] is BusState.HIGH_OPEN


@pytest.mark.parametrize(
    ("read", "state"),
    [
        (("0.4", "2.51", "2.50"), BusState.LINES_SHORTED_TOGETHER),
        (("59.8", "0.01", "0.06"), BusState.HIGH_SHORTED_TO_GROUND),
        (("59.8", "0.55", "0.01"), BusState.LOW_SHORTED_TO_GROUND),
        (("40.2", "2.62", "2.37"), BusState.EXTRA_TERMINATOR),
        (("60.5", "3.42", "1.58"), BusState.DRIVER_STUCK_DOMINANT),
        (("6.1 kohm", "2.8", "2.2"), BusState.BOTH_TERMINATORS_MISSING),
        (("60.5", "0.03", "0.04"), BusState.BUS_ASLEEP),
    ],
)
def test_signatures_of_the_states(three_readings, read, state):
    """Each state by the three readings that any meter gives."""
    found = three_readings(*read)
    assert found.ranked()[0][0] is state
    assert found.probability(state) > 0.8


def test_a_fault_that_goes_away_with_a_module_lies_in_it(diagnose, high, low):
    """Dominant levels that go back to normal with the ABS unplugged: the ABS is named."""
    found = diagnose(high("3.45"), low("1.55"), high("back to normal", unplugged=["ABS"]))
    assert found.ranked()[0][0] is BusState.DRIVER_STUCK_DOMINANT
    assert found.host[0] == "ABS"


def test_unchanged_with_a_module_unplugged_clears_it(diagnose, high, low):
    """`unchanged` is a reading: the ABS is no longer suspected."""
    found = diagnose(high("3.45"), low("1.55"), high("unchanged", unplugged=["ABS"]))
    assert found.host is None or found.host[0] != "ABS"


@pytest.mark.slow
def test_the_terminators_own_module_raises_the_pair_by_itself(diagnose, pair):
    """120 ohm with the ECM unplugged is healthy, for the ECM holds a terminator."""
    found = diagnose(pair("60.5"), pair("119.5", unplugged=["ECM"]))
    assert not found.clashes
    assert found.ranked()[0][0] not in FOUR_AT_120_OHM


def test_a_reading_at_a_branch_finds_the_branch(diagnose, pair):
    """60 ohm at the DLC but OL at the unplugged ABS connector: a line is open on the way to the ABS."""
    found = diagnose(pair("60.4"), pair("OL", at="connector of ABS", unplugged=["ABS"]))
    assert found.ranked()[0][0] in FOUR_AT_120_OHM - {BusState.TERMINATOR_MISSING}
    assert found.host[0] == "ABS"


def test_readings_that_cannot_go_together_are_named(diagnose, pair, high, low):
    """0.4 ohm between the lines cannot carry 2.7 and 2.3 V: the pair that clashes is said, no state is guessed."""
    found = diagnose(pair("0.4"), high("2.7"), low("2.3"))
    assert found.clashes
    assert "0.4 ohm does not go with" in clash_words(found)[0]
    assert verdict(found).startswith("These readings do not fit together")


def test_a_reading_that_no_bus_shows_is_named(diagnose, high):
    """7 V on CAN high is no state of a 12 V bus at rest or at work."""
    found = diagnose(high("7.2"))
    assert not found.clashes or "No bus in any state reads" in clash_words(found)[0]


def test_each_reading_says_what_it_rules_out(diagnose, pair):
    """61 ohm rules out that both terminators are gone: that would read hundreds of ohms at least."""
    row = evidence_rows(diagnose(pair("61")))[0]
    assert any(words.startswith("both terminators missing, which would read") for words in row.against)


def test_the_most_ordinary_stuck_job_is_nobody_sending(three_readings):
    """A few ohms above 60 rule a short out; both lines equal mean no traffic (common practice, no source)."""
    found = three_readings("64", "2.49", "2.49")
    assert found.ranked()[0][0] is BusState.BUS_QUIET
    assert not found.clashes
    said = verdict(found)
    assert "rule out lines shorted together" in said
    assert "No traffic: behind a gateway" in said
    assert "until a tester asks" in said


def test_how_many_ohms_a_short_has_is_said(diagnose, high_ground, low_ground, high, low):
    """26 ohm to ground is a short to ground, not to battery at 0.65 V (published case)."""
    found = diagnose(high_ground("26"), low_ground("86"), high("0.65"), low("0.6"))
    assert found.ranked()[0][0] is BusState.HIGH_SHORTED_TO_GROUND
    size = found.size_of(BusState.HIGH_SHORTED_TO_GROUND)
    assert size.low < 26.5 < size.high
    assert size.middle == pytest.approx(28, abs=6)
    assert "through about" in verdict(found)


def test_what_no_bus_shows_is_called_outside_and_no_state_is_sure(diagnose, pair, high, low, low_ground):
    """Readings that fit nothing at all end in doubt, never in a confident state."""
    found = diagnose(pair("7.7 kohm"), high("9.1"), low("-3"), low_ground("0.2"))
    assert found.clashes or found.outside > 0.5
    assert "do not fit together" in verdict(found) or "fit none of the faults computed" in verdict(found)


def test_a_clash_keeps_what_the_other_readings_mean(diagnose, pair, high, low):
    """The odd reading is named, and the verdict of the rest stands beside it."""
    said = verdict(diagnose(pair("0.4"), high("2.7"), low("2.3")))
    assert "Without CAN high to CAN low at DLC 0.4" in said
    assert "healthy bus" in said


def test_a_reading_without_its_state_weighs_less(diagnose, pair, high):
    """The same value decides less when nobody knows how it was taken."""
    stated = diagnose(high("2.95"))
    unstated = diagnose(Reading.model_validate({"quantity": "voltage", "line": "CAN high", "value": "2.95"}))
    assert entropy(stated) < entropy(unstated)


def test_ohms_on_a_live_circuit_are_not_used(diagnose, pair):
    """Ohms with the battery connected mean nothing, and the answer says why they were left out."""
    found = diagnose(pair("60", battery="connected"))
    assert not found.observations
    assert "live circuit" in found.interpreted.unused[0][1]


def test_readings_after_the_repair_are_not_used(diagnose, pair):
    """What the healed bus shows says nothing of the fault."""
    assert not diagnose(pair("60", stage="after repair")).observations


@pytest.mark.slow
def test_what_has_been_read_is_not_proposed_again(diagnose, pair, high, low):
    """Ohms between the lines at the DLC are known: they are not the next test."""
    tests = next_tests(diagnose(pair("61"), high("2.48"), low("2.47")), 20)
    assert "ohms between the lines at the DLC" not in [test.candidate.words() for test in tests]


@pytest.mark.slow
def test_a_scope_reading_does_not_stand_for_ohms_to_ground(diagnose, pair):
    """Traffic seen at the DLC: the scope is not proposed there again, the ohms of each line to ground still are."""
    seen = Reading.model_validate({"quantity": "waveform", "ignition": "on", "waveform": {"traffic": "yes"}})
    words = [test.candidate.words() for test in next_tests(diagnose(pair("119"), seen), 50)]
    assert "ohms of each line to ground at the DLC" in words
    assert "scope on both lines at the DLC" not in words


@pytest.mark.slow
def test_ohms_to_ground_do_not_stand_for_a_scope(diagnose, pair, high_ground, low_ground):
    """Both lines' ohms to ground are known: they are not proposed again, the scope still is."""
    found = diagnose(pair("119"), high_ground("1.60 kohm"), low_ground("1.60 kohm"))
    words = [test.candidate.words() for test in next_tests(found, 50)]
    assert "ohms of each line to ground at the DLC" not in words
    assert any(word.startswith("scope on both lines") for word in words)


@pytest.mark.slow
def test_no_restraint_or_high_voltage_module_is_unplugged_for_a_test(diagnose, pair):
    """Squib circuits and high voltage are left alone."""
    bus = BusUnderTest(terminators_in=("ECM", "airbag"), modules=("SDM", "curtain airbag sensor", "HVB"))
    tests = next_tests(diagnose(pair("119"), bus=bus), 50)
    assert {test.candidate.unplugged for test in tests} == {"", "ECM"}


@pytest.mark.slow
def test_a_module_that_nobody_knows_is_not_unplugged_for_a_test(diagnose, pair):
    """What an unknown name stands for may hurt somebody, until known otherwise."""
    bus = BusUnderTest(modules=("ZQX", "ABS"))
    tests = next_tests(diagnose(pair("119"), bus=bus), 50)
    assert {test.candidate.unplugged for test in tests} == {"", "ABS"}


@pytest.mark.slow
def test_modules_are_unplugged_from_few_buses_only(simulated_buses, pair, monkeypatch):
    """Ten modules named: what unplugging each would show is rated on an eighth of the buses, for it must be quick."""
    asked = []
    own = Bank.columns
    monkeypatch.setattr(
        Bank,
        "columns",
        lambda bank, unplugged: asked.append((bank.per_state, unplugged)) or own(bank, unplugged),
    )
    bus = BusUnderTest(modules=("ABS", "EPS", "radio", "BCM", "IPC", "HVAC", "TCM", "ECM", "EPB", "camera"))
    tests = next_tests(
        on_all_buses([pair("119")], Medium.HIGH_SPEED_CAN, bus, cache=places.simulation_folder())
    )
    assert tests
    assert {unplugged for many, unplugged in asked if many == BUSES_PER_STATE} == {"nothing"}
    assert {"module 1", "module 2"} <= {unplugged for _, unplugged in asked}


@pytest.mark.slow
def test_every_ohms_test_needs_the_battery_off(diagnose, high, low):
    """And every volts test needs it on."""
    for test in next_tests(diagnose(high("2.7"), low("2.3")), 50):
        needs_off = "disconnected" in test.candidate.kind.precondition
        assert needs_off == test.candidate.kind.words.startswith("ohms")


@pytest.mark.slow
def test_tests_come_best_per_minute_first(diagnose, pair):
    """Bits per minute fall along the list."""
    rates = [test.bits_per_minute for test in next_tests(diagnose(pair("119")), 10)]
    assert rates == sorted(rates, reverse=True)


@pytest.mark.slow
def test_more_modules_than_can_be_told_apart_are_said(diagnose, pair):
    """A reading with six others unplugged is kept, not used, and the answer says so."""
    crowd = ["ABS", "EPS", "radio", "HVAC", "gateway", "TCM"]
    found = diagnose(*(pair("60", unplugged=[name]) for name in crowd))
    assert any("told apart" in why for _, why in found.interpreted.unused)


def entropy(diagnosis):
    """Return the entropy of the states in bits."""
    shares = np.array([share for _, share in diagnosis.ranked()])
    shares = shares[shares > 0]
    return -(shares * np.log2(shares)).sum()
