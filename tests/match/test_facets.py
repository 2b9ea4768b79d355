"""Each facet by itself: what counts as alike, and what is unknown."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from casebase.match.facets.base import Rarity
from casebase.match.facets.codes import compare_codes
from casebase.match.facets.measure import FACETS, WEIGHTS
from casebase.match.facets.network import compare_networks
from casebase.match.facets.readings import compare_readings
from casebase.match.facets.silence import compare_silence
from casebase.match.facets.symptoms import compare_symptoms
from casebase.match.profile import STEPS_PER_TOLERANCE, number_step
from casebase.match.profile_of_case import profile_of

NOTHING_COUNTED = Rarity(10, Counter())
PAIR = {"quantity": "resistance", "line": "CAN high", "against": "CAN low", "battery": "disconnected"}
HIGH = {"quantity": "voltage", "line": "CAN high", "against": "ground", "ignition": "on"}


def likeness(compare, one, other):
    """Return the likeness of two records in one facet."""
    return compare(profile_of(one, "a"), profile_of(other, "b"), NOTHING_COUNTED).likeness


@pytest.mark.parametrize("name", sorted(FACETS.keys() - {"vehicle"}))  # every record names its vehicle
def test_what_is_missing_on_either_side_is_unknown(name, make_case):
    """An aspect that one record does not tell gives no likeness at all, rather than a low one."""
    empty = make_case(concern="x")
    full = make_case(
        codes=[{"code": "U0121", "module": "ECM"}],
        modules=[{"name": "ABS", "answers": "no"}],
        lamps=["ABS"],
        networks=[{"name": "a", "medium": "LIN"}],
        readings=[{**HIGH, "line": "LIN", "value": 12}],
    )
    assert likeness(FACETS[name], empty, full) is None
    assert likeness(FACETS[name], full, empty) is None


@pytest.mark.slow
@pytest.mark.parametrize("name", FACETS)
def test_a_case_is_wholly_like_itself(name, demo_cases):
    """No facet finds a record unlike itself."""
    for case in demo_cases.values():
        assert likeness(FACETS[name], case, case) in (None, pytest.approx(1.0))


@pytest.mark.slow
@pytest.mark.parametrize("name", FACETS)
def test_likeness_stays_between_nothing_and_one(name, demo_cases):
    """Every facet keeps to 0..1 over all pairs of the demo records."""
    cases = list(demo_cases.values())
    for one, other in zip(cases, cases[1:] + cases[:1], strict=True):
        found = likeness(FACETS[name], one, other)
        assert found is None or 0.0 <= found <= 1.0


def test_every_facet_has_a_weight():
    """The weights name the facets that there are, and sum to one."""
    assert WEIGHTS.keys() == FACETS.keys()
    assert sum(WEIGHTS.values()) == pytest.approx(1.0)


def codes(make_case, *entries):
    """Return a record with stored codes, given as (module, code)."""
    return make_case(codes=[{"module": module, "code": code} for module, code in entries])


def test_codes_are_graded_from_the_same_to_unrelated(make_case):
    """Same code, other module, other failure type, same module blamed otherwise, unrelated: in that order."""
    job = codes(make_case, ("ECM", "U0121-87"))
    graded = [
        likeness(compare_codes, job, codes(make_case, other))
        for other in (
            ("ECM", "U0121-87"),
            ("TCM", "U0121-87"),
            ("ECM", "U0121-00"),
            ("TCM", "U0121-00"),
            ("ECM", "U0415-00"),
            ("ECM", "U0140-00"),
            ("ECM", "P0301"),
        )
    ]
    assert graded == sorted(graded, reverse=True)
    assert graded[0] == 1.0
    assert graded[-1] == 0.0


def test_a_rare_code_in_both_weighs_more_than_a_common_one(make_case):
    """Sharing a code that few cases have says more than sharing one that nearly all have."""
    job = codes(make_case, ("ECM", "U0121"), ("BCM", "U0230"))
    common, rare = codes(make_case, ("ECM", "U0121")), codes(make_case, ("BCM", "U0230"))
    rarity = Rarity(100, Counter({"code U0121": 90, "code U0230": 1}))
    shares_common = compare_codes(profile_of(job, "a"), profile_of(common, "b"), rarity).likeness
    shares_rare = compare_codes(profile_of(job, "a"), profile_of(rare, "b"), rarity).likeness
    assert shares_rare > shares_common


def test_one_module_under_two_names_is_one_module(make_case):
    """`brake control` and `ABS` are the same silent module."""
    job = make_case(modules=[{"name": "ABS", "answers": "no"}, {"name": "ECM", "answers": "yes"}])
    past = make_case(modules=[{"name": "Brake control module", "answers": "no"}])
    assert likeness(compare_silence, job, past) == 1.0


def test_another_silent_module_is_unlike(make_case):
    """A lost steering module is no lost radio."""
    job = make_case(modules=[{"name": "EPS", "answers": "no"}])
    past = make_case(modules=[{"name": "radio", "answers": "no"}])
    assert likeness(compare_silence, job, past) == 0.0


def test_different_media_are_hardly_alike(make_case):
    """LIN and FlexRay have nothing in common; J1939 has the levels of high-speed CAN."""

    def on(medium):
        return make_case(networks=[{"name": "a", "medium": medium}])

    assert likeness(compare_networks, on("LIN"), on("FlexRay")) < 0.1
    assert 0.5 < likeness(compare_networks, on("J1939"), on("high-speed CAN")) < 1.0


def test_only_like_readings_are_compared(make_case):
    """Ohms at the DLC and volts at the DLC tell nothing of each other."""
    job = make_case(readings=[{**PAIR, "value": 60}])
    past = make_case(readings=[{**HIGH, "value": 2.7}])
    assert likeness(compare_readings, job, past) is None


def test_readings_in_another_state_are_not_compared(make_case):
    """A pair read with a module unplugged is another reading than one with everything plugged in."""
    job = make_case(readings=[{**PAIR, "value": 60, "unplugged": "nothing"}])
    past = make_case(readings=[{**PAIR, "value": 60, "unplugged": ["ABS"]}])
    assert likeness(compare_readings, job, past) is None


def test_readings_after_the_repair_say_nothing_of_the_fault(make_case):
    """What a past case read when it was healed is not compared with a job that is not."""
    job = make_case(readings=[{**PAIR, "value": 120}])
    past = make_case(readings=[{**PAIR, "value": 120, "stage": "after repair"}])
    assert likeness(compare_readings, job, past) is None


def tolerances_apart(quantity, ours, theirs):
    """Return how many tolerances two values lie apart."""
    return abs(number_step(quantity, ours) - number_step(quantity, theirs)) / STEPS_PER_TOLERANCE


def test_one_terminator_and_two_are_different_readings():
    """60 and 120 ohm lie many tolerances apart, 60 and 62 less than one (common practice, no source)."""
    assert tolerances_apart("resistance", 60, 62) < 1
    assert tolerances_apart("resistance", 60, 120) > 5
    assert tolerances_apart("resistance", 60, 40) > 3


def test_resistance_to_ground_through_the_modules_scatters():
    """2.1 and 3.5 kohm to ground are both healthy: input resistance is 9 to 28 kohm a line (NXP TJA1051 table 7)."""
    assert tolerances_apart("resistance", 2100, 3500) < 2


def test_averages_move_with_the_traffic():
    """2.6 and 2.7 V are the same average on CAN high, 2.7 and 3.5 V are not (common practice, no source)."""
    assert tolerances_apart("voltage", 2.6, 2.7) < 1
    assert tolerances_apart("voltage", 2.7, 3.5) > 3


def test_one_contradiction_outweighs_agreements(make_case):
    """Three readings that agree do not hide one that cannot be of the same fault."""
    low = {**HIGH, "line": "CAN low"}
    agree = [{**HIGH, "value": 2.6}, {**low, "value": 2.4}]
    job = make_case(readings=[*agree, {**PAIR, "value": 40}])
    past = make_case(readings=[*agree, {**PAIR, "value": 118}])
    assert likeness(compare_readings, job, past) < 0.4


def test_unchanged_is_a_reading(make_case):
    """`unchanged` with a module unplugged agrees with `unchanged`, and not with `back to normal`."""

    def with_value(value):
        first = {**PAIR, "value": 40, "unplugged": "nothing"}
        return make_case(readings=[first, {**PAIR, "value": value, "unplugged": ["ABS"]}])

    same = likeness(compare_readings, with_value("unchanged"), with_value("unchanged"))
    other = likeness(compare_readings, with_value("unchanged"), with_value("back to normal"))
    assert same == 1.0
    assert other < 0.5


def test_words_are_told_that_agreed(make_case):
    """Two stories alike in meaning: the symptoms facet says which words it found in both."""
    stories = make_case(concern="dead after heavy rain"), make_case(concern="Rain gets in, radio dead")
    vector = np.array([0.6, 0.8], dtype=np.float32)
    job, past = (replace(profile_of(story, "a"), vector=vector) for story in stories)
    compared = compare_symptoms(job, past, NOTHING_COUNTED)
    assert any("rain" in words for words in compared.agree)


def test_without_vectors_stories_are_not_compared(make_case):
    """Where no model gave a meaning, the words of two stories are unknown, not unlike."""
    stories = make_case(concern="dead after heavy rain"), make_case(concern="Rain gets in, radio dead")
    assert likeness(compare_symptoms, *stories) is None
