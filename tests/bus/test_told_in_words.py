"""What is told without a plain number: limits, two values, normal, volts between the lines, AC, a fault gone or not."""

import numpy as np
import pytest

from casebase.bus.diagnose import weighed
from casebase.bus.explain import apart_words, verdict
from casebase.bus.interpret import interpret
from casebase.bus.observation import TrafficRead
from casebase.bus.roles import BusUnderTest, roles_for
from casebase.record.reading import Reading
from casebase.record.vocabulary import BusState

TOGETHER, MISSING = BusState.LINES_SHORTED_TOGETHER, BusState.TERMINATOR_MISSING
QUIET, ASLEEP, HEALTHY = BusState.BUS_QUIET, BusState.BUS_ASLEEP, BusState.HEALTHY


@pytest.fixture
def diagnose(bank):
    """Return a diagnosis on the small bank, of a bus with two terminators and an ABS."""

    def of(*readings):
        roles = roles_for(BusUnderTest(("ECM", "BCM"), ("ABS",)), readings)
        return weighed(bank, roles, readings, interpret(readings, roles, bank))

    return of


def told(quantity, value, **keys):
    """Return a reading taken with the ignition on."""
    common = {"quantity": quantity, "ignition": "on", "unplugged": "nothing", "value": value}
    return Reading.model_validate(common | keys)


def test_open_reads_as_ol(diagnose, pair):
    """Two words for one thing."""
    word, shown = (diagnose(pair(value)).posterior.probabilities for value in ("open", "OL"))
    assert np.allclose(word, shown)


def test_over_ten_megohm_to_ground_is_sound(diagnose, high_ground, low_ground, pair):
    """Guides call an infinite resistance to ground in order (published sets: 60 ohm, both to ground infinite)."""
    found = diagnose(pair("60.2"), high_ground("> 10 Mohm"), low_ground("> 10 Mohm"))
    assert not found.clashes
    assert found.probability(BusState.HIGH_SHORTED_TO_GROUND) < 0.02


def test_below_50_is_a_short_or_a_terminator_too_many(diagnose, pair):
    """Below 50 ohm: a short between the lines or more than two terminators (esd CAN Troubleshooting Guide)."""
    found = diagnose(pair("below 50"))
    assert found.probability(TOGETHER) + found.probability(BusState.EXTRA_TERMINATOR) > 0.5
    assert found.probability(MISSING) < 0.02
    assert found.probability(HEALTHY) < 0.02


def test_over_100_is_no_short(diagnose, pair):
    """Above 70 ohm: an open line or a terminator missing (same guide)."""
    found = diagnose(pair("over 100 ohm"))
    assert found.probability(TOGETHER) + found.probability(HEALTHY) < 0.05


def test_normal_counts_as_a_healthy_bus(diagnose, pair):
    """Who wrote no number saw what he expected."""
    found = diagnose(pair("normal"))
    assert found.probability(TOGETHER) < 0.03
    assert found.probability(MISSING) < 0.03


def test_of_two_values_both_count_and_the_fault_is_said_to_come_and_go(diagnose, pair):
    """60 at rest and 120 when shaken: two terminators, and one of them at times (half termination, 120 ohm)."""
    found = diagnose(pair("60, 120 when shaken"))
    assert not found.clashes
    assert found.probability(MISSING) > 0.2
    assert found.probability(TOGETHER) < 0.03
    assert "CAN high to CAN low at DLC changes by itself (60 ohm; 120 ohm when shaken)" in verdict(found)


def test_a_sound_bus_does_not_change_when_it_is_shaken(diagnose, pair):
    """What changes the pair from 60 to 120 opens a path: no short to ground and no sound bus does (Ohm's law)."""
    found = diagnose(pair("60, 120 when shaken"))
    opened = (MISSING, BusState.HIGH_OPEN, BusState.LOW_OPEN, BusState.BOTH_OPEN)
    assert sum(map(found.probability, opened)) > 0.9
    assert found.probability(HEALTHY) < 0.02


def test_a_pair_that_drops_to_two_ohm_when_shaken_is_shorted_together_at_times(diagnose, pair, high, low):
    """60 ohm with 2.6 and 2.4 V were read while it was sound: they do not speak against a short that comes and goes."""
    found = diagnose(pair("60, 2 when shaken"), high("2.6"), low("2.4"))
    assert found.probability(TOGETHER) > 0.9
    assert not found.clashes


def test_of_two_values_that_no_sound_bus_shows_the_fault_itself_changes(diagnose, pair):
    """64 and 90 ohm: a joint or a terminator whose own ohms change (two of 120 ohm in parallel make 60)."""
    found = diagnose(pair("64; 90 when shaken"))
    assert found.probability(BusState.TERMINATOR_WRONG_VALUE) + found.probability(BusState.POOR_JOINT) > 0.9


def test_what_a_test_tells_apart_is_said_in_as_few_words_as_it_takes():
    """All from each other in one list; one against several as one; two as they are."""
    a, b, c = HEALTHY, MISSING, TOGETHER
    assert apart_words([(a, b)]) == ["a healthy bus as seen from here or a terminator missing"]
    assert apart_words([(a, b), (a, c), (b, c)]) == [
        "which of a healthy bus as seen from here, a terminator missing and lines shorted together"
    ]
    assert apart_words([(a, b), (a, c)]) == [
        "a healthy bus as seen from here or any of a terminator missing and lines shorted together"
    ]


def test_volts_between_the_lines_at_rest_are_near_zero(diagnose):
    """A lone difference of a fifth of 2 V: traffic on a sound bus (0 V recessive, 2 V dominant: ISO 11898-2)."""
    between = {"line": "CAN high", "against": "CAN low"}
    busy, nothing = (diagnose(told("voltage", volts, **between)) for volts in ("0.40 V", "0.00 V"))
    assert busy.probability(QUIET) < 0.05 < nothing.probability(QUIET)
    crossed = diagnose(told("voltage", "-0.40 V", line="CAN low", against="CAN high"))
    assert np.allclose(crossed.posterior.probabilities, busy.posterior.probabilities, atol=0.02)


def test_a_difference_that_follows_from_both_averages_is_not_counted_again(diagnose, high, low):
    """2.70 less 2.30 V is 0.40 V: three readings, two facts."""
    difference = told("voltage", "0.40 V", line="CAN high", against="CAN low")
    plain, more = diagnose(high("2.70"), low("2.30")), diagnose(high("2.70"), low("2.30"), difference)
    assert np.array_equal(plain.posterior.probabilities, more.posterior.probabilities)
    assert "follows from the averages" in more.interpreted.unused[0][1]


def test_ac_volts_tell_of_traffic_and_are_never_a_level(diagnose):
    """0.4 V on the AC range is movement; the same number as DC would be a line near ground."""
    found = diagnose(told("AC voltage", "0.4 V", line="CAN high", against="ground"))
    assert [type(one) for one in found.observations] == [TrafficRead]
    assert found.probability(QUIET) + found.probability(ASLEEP) < 0.05


def test_little_on_the_ac_range_tells_nothing(diagnose):
    """Few hand-held meters follow 500 kbit/s (common practice, no source)."""
    found = diagnose(told("AC voltage", "0.02 V", line="CAN high", against="ground"))
    assert not found.observations
    assert "few meters are fast enough" in found.interpreted.unused[0][1]


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        ({"quantity": "current", "value": "35 mA"}, "current is kept"),
        (
            {
                "quantity": "resistance",
                "line": "CAN low",
                "to": "ABS plug",
                "value": "0.4 ohm",
                "battery": "disconnected",
            },
            "along one wire",
        ),
        (
            {
                "quantity": "resistance",
                "line": "CAN high",
                "against": "CAN low",
                "value": "-14 ohm",
                "battery": "disconnected",
            },
            "there is a voltage on the wire",
        ),
        (
            {"quantity": "voltage", "line": "sensor signal", "against": "ground", "value": "2.5 V"},
            "not a reading of the bus lines",
        ),
    ],
)
def test_what_no_bus_is_simulated_with_is_kept_and_said(diagnose, keys, why):
    """Nothing is dropped without a word."""
    data = {"unplugged": "nothing"} | keys
    found = diagnose(Reading.model_validate(data))
    assert not found.observations
    assert why in found.interpreted.unused[0][1]


def test_traffic_seen_beside_volts_is_traffic(diagnose, high):
    """2.5 V on both lines may be silence or a meter's mean; a lamp that flickers decides."""
    plain, seen, none = (
        diagnose(high("2.5", **more)) for more in ({}, {"traffic": "yes"}, {"traffic": "no"})
    )
    assert any(isinstance(each, TrafficRead) and each.seen for each in seen.observations)
    assert seen.probability(QUIET) < 0.05 < plain.probability(QUIET) < none.probability(QUIET)


def test_a_fault_gone_with_a_module_unplugged_lies_in_it(diagnose, pair):
    """3 ohm across the pair, and the network runs again with the ABS off: the short is in the ABS."""
    short = pair("3.0")
    gone = diagnose(short, told("fault", "gone", unplugged=["ABS"]))
    stays = diagnose(short, told("fault", "unchanged", unplugged=["ABS"]))
    plain = diagnose(short)
    role = plain.bank.model.unpluggable.index(plain.roles.of("ABS") or "")
    shares = [
        float(each.posterior.weights[each.posterior.hosts == role].sum()) for each in (gone, plain, stays)
    ]
    assert shares[0] > 0.5
    assert shares[0] > 3 * shares[1]
    assert shares[2] < 0.2 * shares[1]
    assert gone.host is not None
    assert gone.host[0] == "ABS"


def test_restored_says_the_same_as_gone(diagnose, pair):
    """Communication restored with the module off."""
    word, other = (diagnose(pair("3.0"), told("fault", it, unplugged=["ABS"])) for it in ("gone", "restored"))
    assert np.array_equal(word.posterior.weights, other.posterior.weights)


def test_a_fault_that_stays_with_another_module_fitted_is_not_in_it(diagnose, pair):
    """A known good ABS changes nothing: the old one was sound."""
    plain, stays = diagnose(pair("3.0")), diagnose(pair("3.0"), told("fault", "unchanged", swapped=["ABS"]))
    role = plain.bank.model.unpluggable.index(stays.roles.of("ABS") or "")
    assert float(stays.posterior.weights[stays.posterior.hosts == role].sum()) < 0.05


@pytest.mark.parametrize("ignition", ["accessory", "cranking"])
def test_volts_while_not_all_is_supplied_count_for_less(diagnose, high, ignition):
    """At accessory and while cranking a line may lie elsewhere: the same volts decide less."""
    full, part = diagnose(high("2.70")), diagnose(high("2.70", ignition=ignition))
    assert part.observations[0].error > full.observations[0].error


@pytest.mark.parametrize("ignition", ["accessory", "cranking"])
def test_ohms_while_anything_is_supplied_mean_nothing(diagnose, pair, ignition):
    """An ohmmeter on a live circuit shows anything."""
    found = diagnose(pair("60", battery=None, ignition=ignition))
    assert "live circuit" in found.interpreted.unused[0][1]


def test_two_values_of_which_one_may_have_been_read_with_something_unplugged_both_count(diagnose):
    """0.05 V with all plugged in, 2.6 V in a state not told: grounded at times (2.5 V at rest: ISO 11898-2)."""
    common = {"quantity": "voltage", "line": "CAN high", "ignition": "on"}
    stuck = Reading.model_validate(common | {"value": "0.05 V", "unplugged": "nothing"})
    free = Reading.model_validate(common | {"value": "2.6 V"})
    found = diagnose(stuck, free)
    assert found.probability(BusState.HIGH_SHORTED_TO_GROUND) > 5 * found.probability(HEALTHY)
    assert "was first 0.05 V, then 2.6 V: taken as a fault that comes and goes" in verdict(found)


def test_of_two_values_in_one_state_the_later_counts_and_that_is_said(diagnose, pair):
    """A reading taken again: 120 ohm, then 60."""
    found = diagnose(pair("120 ohm"), pair("60 ohm"))
    assert np.array_equal(found.posterior.probabilities, diagnose(pair("60 ohm")).posterior.probabilities)
    assert "was first 120 ohm, then 60 ohm: only the last counts here" in verdict(found)
    again = diagnose(pair("60.2 ohm"), pair("60 ohm"))
    assert "was first" not in verdict(again)
