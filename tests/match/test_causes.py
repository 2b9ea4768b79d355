"""Pooled causes: what past cases and the job's own readings say together, and what would settle it."""

import json
import math
from collections import defaultdict
from dataclasses import replace
from itertools import product
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from casebase import places
from casebase.errors import InputError
from casebase.match.answer.answer import SOMETHING_ELSE, something_else
from casebase.match.answer.case_votes import JUDGED, Pooling
from casebase.match.answer.causes import PooledCauses, pooled_causes
from casebase.match.answer.data import causes_data
from casebase.match.answer.deciding_tests import deciding_tests, weighed_by_causes
from casebase.match.answer.fault_fit import BusRead, SingleFault
from casebase.match.answer.past_tests import Holder, expected_bits, past_readings
from casebase.match.answer.working_out import answer_to
from casebase.match.facets.base import Match
from casebase.match.facets.meaning import bus_there
from casebase.match.meaning import meanings_of
from casebase.match.profile_of_case import profile_of
from casebase.record.loading import case_from_data
from casebase.record.vocabulary import BusState

CAN = "high-speed CAN"
STUCK = {"driver_stuck_dominant": 0.98, "healthy": 0.015, "low_shorted_to_ground": 0.005}
SOUND = {"healthy": 0.9, "bus_quiet": 0.06, "low_open": 0.02, "high_open": 0.02}
VERIFIED = {"codes_cleared": "yes", "rescan": "clean", "days_without_return": 90, "came_back": "no"}
ENDED = {"ended": "2026-03-02"}
DEMO_ANSWERS = Path(__file__).parent.parent / "demo"


@pytest.fixture(scope="session")
def answered(collection):
    """Return what is known of a job once it is compared: its profile, its matches, its meanings."""
    kept = {}

    def of(job):
        key = job.provenance.opened, job.concern
        if key not in kept:
            answer = answer_to(job, collection, 60, places.simulation_folder())
            # Every module that might be unplugged is a bus to simulate: as in the answer, an eighth of them.
            rough = meanings_of(job, places.simulation_folder(), most_tests=0, rough=True)
            kept[key] = answer.profile, [case.match for case in answer.similar], rough
        return kept[key]

    return of


@pytest.fixture
def job(make_case):
    """A job on high-speed CAN whose readings tell nothing."""
    return profile_of(make_case(networks=[{"name": "a", "medium": CAN}]), "job")


@pytest.fixture
def past(make_case):
    """Return a maker of matches: a verified case with a proven cause, as alike as told."""

    def make(fault, score=0.8, module=None, case_id="past", **keys):
        whole = {
            "networks": [{"name": "a", "medium": CAN}],
            "cause": {"fault": fault, "network": "a", "proof": "seen"}
            | ({"module": module} if module else {}),
            "fix": {"done": "mended"},
            "verification": VERIFIED,
            "provenance": ENDED,
        }
        return Match(profile_of(make_case(**(whole | keys)), case_id), score, 1.0, {})

    return make


def told_by(shop):
    """Return where a record comes from."""
    return ENDED | {"shop": shop}


def read_as(profile, shares, medium=CAN):
    """Return a profile whose readings on one bus give these probabilities."""
    return replace(profile, meaning={medium: shares})


AS_SUMMED = Pooling(pooled_power=1.0, surprise=0.0)
"""The sum over cases and readings as it is."""


def by_fault(job, matches, pooling=JUDGED):
    """Return the probability of every fault, whatever module it goes with."""
    shares = defaultdict(float)
    pooled = PooledCauses(job, matches, [], pooling)
    for key in pooled.piles:
        shares[key.fault] += pooled.probability(key)
    shares[SOMETHING_ELSE] = 1.0 - sum(shares.values())
    return shares


def first(job, matches, **keys):
    """Return the likeliest cause."""
    return pooled_causes(job, matches, [], **keys)[0]


# --- the demo jobs ------------------------------------------------------------------------------------------------


def expected_answers():
    """Return (job, its answers) for every demo job."""
    read = YAML(typ="safe", pure=True).load
    told = [read(path.read_text(encoding="utf-8")) for path in sorted(DEMO_ANSWERS.glob("answers_*.yaml"))]
    return [item for answers in told for item in answers.items()]


@pytest.mark.slow
@pytest.mark.parametrize(("name", "expected"), expected_answers(), ids=lambda value: str(value)[:40])
def test_the_right_cause_of_each_demo_job_comes_first(name, expected, demo_jobs, answered):
    """Of all causes pooled for a demo job the true one is the likeliest, with a case or the readings behind it."""
    causes = pooled_causes(*answered(demo_jobs[name]))
    assert causes[0].fault == expected["true_fault"]
    assert causes[0].cases
    assert "also" not in expected or expected["also"] in [cause.fault for cause in causes[:3]]
    assert math.fsum(cause.probability for cause in causes) == pytest.approx(1.0)


@pytest.mark.slow
def test_each_demo_job_gets_at_most_three_tests(demo_jobs, answered):
    """Short enough to read at the vehicle, each with a source; what is computed says how long it takes."""
    for job in demo_jobs.values():
        profile, matches, meanings = answered(job)
        tests = deciding_tests(pooled_causes(profile, matches, meanings), profile, matches, meanings)
        assert len(tests) <= 3
        for test in tests:
            assert test.source.startswith(("computed", "from cases "))
            assert test.minutes or test.cases
            assert len({one.words for one in tests}) == len(tests)


@pytest.mark.slow
def test_the_supply_at_the_silent_module_is_what_settles_it(demo_jobs, answered):
    """Wires healthy, one module silent: its supply under load comes first, with what other vehicles showed there."""
    profile, matches, meanings = answered(demo_jobs["k4-fjellet-abs-silent.yaml"])
    test = deciding_tests(pooled_causes(profile, matches, meanings), profile, matches, meanings)[0]
    assert test.words == "volts from supply to ground at the unplugged connector of anti-lock brakes (ABS)"
    assert test.source.startswith("from cases k4-abs-ground-point-rotten.yaml")
    assert [words.split()[0] for words in test.tells] == ["4.2", "12.1"]
    assert any("Ignition off before anything is unplugged" in caution for caution in test.cautions)


@pytest.mark.slow
def test_a_driver_stuck_dominant_is_looked_for_module_by_module(demo_jobs, answered):
    """One test, one module unplugged after the other, the one of the likeliest cause first."""
    profile, matches, meanings = answered(demo_jobs["t2-velin-heavy-steering-high-reading-on-can-high.yaml"])
    test = deciding_tests(pooled_causes(profile, matches, meanings), profile, matches, meanings)[0]
    assert "one module unplugged at a time: EPS" in test.words
    assert test.in_turn
    assert any("squib" in caution for caution in test.cautions), (
        "the steering angle sensor sits by the airbag"
    )


# --- what the probabilities are made of ---------------------------------------------------------------------------


def test_without_cases_and_readings_only_the_remainder_is_left(job):
    """Nothing known: the whole probability is with something else, and no number is broken."""
    causes = pooled_causes(job, [], [])
    assert [(cause.is_something_else, cause.probability) for cause in causes] == [(True, 1.0)]


def test_few_or_unlike_cases_leave_a_large_remainder(job, past):
    """One case of likeness .3 proves nothing; a twin does."""
    assert something_else(pooled_causes(job, [past("low_open", 0.3)], [])) > 0.95
    assert something_else(pooled_causes(job, [past("low_open", 0.95)], [])) < 0.25


def test_a_case_of_a_source_that_is_half_trusted_speaks_half_as_loud(job, past):
    """Of two cases as alike as each other the trusted one leads; one that is not trusted at all is not heard."""
    own, theirs = past("low_open", case_id="own"), past("high_open", case_id="theirs")

    def shares_with(trust):
        told = replace(theirs, profile=replace(theirs.profile, trust=trust))
        return by_fault(job, [own, told], AS_SUMMED)

    assert shares_with(1.0)["high_open"] == pytest.approx(shares_with(1.0)["low_open"])
    halved = shares_with(0.5)
    assert halved["high_open"] == pytest.approx(halved["low_open"] / 2)
    assert shares_with(0.0)["high_open"] == 0.0


def test_readings_that_rule_a_state_out_outweigh_several_cases(job, past):
    """Five like cases of a grounded line, and the levels of a stuck driver: it is the driver."""
    grounded = [past("low_shorted_to_ground", 0.8, case_id=f"p{number}") for number in range(5)]
    shares = by_fault(
        read_as(job, {"driver_stuck_dominant": 0.9999, "low_shorted_to_ground": 0.0001}), grounded
    )
    assert shares["low_shorted_to_ground"] < 0.15
    assert shares["driver_stuck_dominant"] > 0.7
    assert by_fault(job, grounded)["low_shorted_to_ground"] > 0.7


def test_a_state_that_no_case_had_is_named_by_the_readings_alone(job, past):
    """The readings mean a stuck driver, the only case had a corroded plug: the driver comes first, no case behind."""
    cause = first(read_as(job, STUCK), [past("connector_corrosion", 0.4)])
    assert (cause.fault, cause.cases) == ("driver_stuck_dominant", [])
    assert cause.from_readings == pytest.approx(0.98)


def test_a_lost_supply_goes_with_healthy_wires(job, past):
    """Sound readings speak for a module without supply, those of a stuck driver against it."""
    case = [past("module_supply_or_ground", 0.85, "ABS")]
    sound, stuck = by_fault(read_as(job, SOUND), case), by_fault(read_as(job, STUCK), case)
    assert sound["module_supply_or_ground"] > 0.6
    assert stuck["module_supply_or_ground"] < 0.2


def test_a_fault_on_a_branch_can_look_healthy(job, past):
    """Healthy readings do not rule out an open line, for it may lie in a branch; but a lost supply fits better."""
    cases = [past("low_open", 0.7, case_id="open"), past("module_supply_or_ground", 0.7, case_id="supply")]
    shares = by_fault(read_as(job, SOUND), cases)
    assert 0.03 < shares["low_open"] < shares["module_supply_or_ground"]


def test_a_cause_that_may_do_anything_to_the_wires_is_judged_by_its_own_readings(job, past):
    """Water held the line down there: a job whose line is held down is nearer to it than one with healthy wires."""
    wet = past("water_in_module", 0.7, "sunroof")
    wet = replace(wet, profile=read_as(wet.profile, {"low_shorted_to_ground": 0.9, "healthy": 0.1}))
    held = by_fault(read_as(job, {"low_shorted_to_ground": 0.9, "healthy": 0.1}), [wet])
    assert held["water_in_module"] > by_fault(read_as(job, STUCK), [wet])["water_in_module"]


def test_a_verified_and_proven_case_counts_more(job, past):
    """A fix that held says more about the cause than a guess."""
    held = by_fault(job, [past("low_open", 0.7)])["low_open"]
    unverified = by_fault(job, [past("low_open", 0.7, verification=None)])["low_open"]
    guessed = past("low_open", 0.7)
    unproven = by_fault(job, [replace(guessed, profile=replace(guessed.profile, proven=False))])["low_open"]
    assert max(unverified, unproven) < held


def test_a_story_told_again_by_one_shop_on_one_model_counts_at_most_twice(job, past):
    """Ten records of one shop are one weak spot of one model; ten shops are ten witnesses."""

    def odds(matches):
        share = by_fault(job, matches, AS_SUMMED)["low_open"]
        return share / (1.0 - share)

    one = odds([past("low_open", 0.7, provenance=told_by("Quay Street Garage"))])
    same = odds(
        [past("low_open", 0.7, case_id=f"p{n}", provenance=told_by("Quay Street Garage")) for n in range(10)]
    )
    others = odds(
        [past("low_open", 0.7, case_id=f"p{n}", provenance=told_by(f"Shop {n}")) for n in range(10)]
    )
    assert one < same <= 2.0 * one * (1 + 1e-9)
    assert others == pytest.approx(10 * one)


def test_causes_are_grouped_by_fault_and_family_of_module(job, past):
    """ABS and its long name are one module; the steering is another cause."""
    cases = [
        past("module_internal", 0.9, "ABS", "a"),
        past("module_internal", 0.9, "anti-lock brake control module", "b"),
        past("module_internal", 0.9, "EPS", "c"),
    ]
    causes = pooled_causes(job, cases, [])
    assert [cause.module for cause in causes[:2]] == ["anti-lock brakes (ABS)", "power steering (EPS)"]
    assert {behind.case_id for behind in causes[0].cases} == {"a", "b"}


def test_a_case_of_two_faults_speaks_half_as_loud_for_each(job, past):
    """Nobody knows which of them it shares with the job; the second one may be what lights the lamps here too."""
    circuit = {"fault": "sensor_or_actuator", "module": "ABS", "proof": "seen"}
    both = past("low_open", more_causes=[circuit])
    shares = by_fault(job, [both])
    assert both.profile.cause == "CAN low open; and a sensor or actuator (ABS)"
    assert shares["low_open"] == pytest.approx(shares["sensor_or_actuator"])
    assert shares["low_open"] < by_fault(job, [past("low_open")])["low_open"]


def test_the_fault_of_the_wires_is_what_the_bus_showed_wherever_it_stands(past):
    """A local circuit named first does not hide that the case had an open line as well."""
    open_line = {"fault": "low_open", "network": "a", "proof": "seen"}
    there = bus_there(past("sensor_or_actuator", module="ABS", more_causes=[open_line]).profile)
    assert there is not None
    assert there.state == "low_open"


def test_the_module_that_the_readings_name_takes_over_from_the_one_there(job, past):
    """A rack held the bus there; here it comes free with the angle sensor unplugged: so it is the sensor."""
    here = replace(read_as(job, STUCK), host=("SAS", 0.95))
    cause = first(here, [past("driver_stuck_dominant", 0.8, "EPS")])
    assert cause.module == "steering angle sensor (SAS)"
    assert [behind.module for behind in cause.cases] == ["EPS"]


def test_a_lost_supply_is_that_of_the_module_that_is_silent(job, past):
    """A tailgate lost its fuse there; here only the ABS is silent: it is the supply of the ABS."""
    here = replace(job, silent={"anti-lock brakes": 1.0})
    cause = first(here, [past("module_supply_or_ground", 0.9, "tailgate module")])
    assert cause.module == "anti-lock brakes (ABS)"
    both = replace(job, silent={"anti-lock brakes": 1.0, "power steering": 1.0})
    assert first(both, [past("module_supply_or_ground", 0.9, "tailgate module")]).module == "tailgate"


def test_a_healthy_network_beside_the_faulty_one_clears_nobody(job, past):
    """CAN reads healthy, LIN lies on ground: the LIN case is meant, and the CAN case is not."""
    lin = {"line_shorted_to_ground": 0.97, "healthy": 0.03}
    here = replace(job, meaning={CAN: {"healthy": 0.99, "low_open": 0.01}, "LIN": lin})
    cases = [
        past("line_shorted_to_ground", 0.7, case_id="lin", networks=[{"name": "a", "medium": "LIN"}]),
        past("low_open", 0.7),
    ]
    shares = by_fault(here, cases)
    assert shares["line_shorted_to_ground"] > 0.8
    assert shares["low_open"] < 0.05


def test_two_networks_are_joined_by_bayes_rule():
    """At most one network at fault: the joint posterior is that of enumerating all pairs of states by hand."""
    one = {"healthy": 0.2, "low_open": 0.5, "high_open": 0.3}
    other = {"healthy": 0.6, "line_open": 0.4}
    allowed = {pair: one[pair[0]] * other[pair[1]] for pair in product(one, other) if "healthy" in pair}
    whole = sum(allowed.values())
    joint = SingleFault([BusRead("a", CAN, one), BusRead("b", "LIN", other)])
    assert joint.sound == pytest.approx(allowed["healthy", "healthy"] / whole)
    assert joint.faulty["low_open"] == pytest.approx(allowed["low_open", "healthy"] / whole)
    assert joint.faulty["line_open"] == pytest.approx(allowed["healthy", "line_open"] / whole)


def test_one_network_alone_keeps_its_own_posterior():
    """With one network read nothing is changed by the rule of the single fault."""
    alone = SingleFault([BusRead("a", CAN, STUCK)])
    assert alone.faulty["driver_stuck_dominant"] == pytest.approx(0.98)
    assert alone.sound == pytest.approx(0.015)


# --- invariants ---------------------------------------------------------------------------------------------------

FAULTS = (
    "low_open",
    "high_open",
    "driver_stuck_dominant",
    "module_supply_or_ground",
    "water_in_module",
    "none",
)
MODULES = (None, "ABS", "EPS", "SAS")


@st.composite
def stuck_jobs(draw):
    """A job with any posterior, perhaps a host and silent modules: what `replace` needs."""
    states = draw(st.lists(st.sampled_from(list(map(str, BusState))), unique=True, max_size=5))
    weights = [draw(st.floats(0.0, 1.0)) for _ in states]
    whole = sum(weights)
    shares = {state: weight / whole for state, weight in zip(states, weights, strict=True)} if whole else {}
    return {
        "meaning": {CAN: shares} if shares else {},
        "host": draw(st.sampled_from((None, ("SAS", 0.9), ("EPS", 0.5)))),
        "silent": draw(st.sampled_from(({}, {"anti-lock brakes": 1.0}))),
    }


@st.composite
def told_cases(draw):
    """Fault, module, likeness, shop and whether verified, of up to eight cases."""
    one = st.tuples(
        st.sampled_from(FAULTS),
        st.sampled_from(MODULES),
        st.floats(0.0, 1.0),
        st.sampled_from((None, "Shop A", "Shop B")),
        st.booleans(),
    )
    return draw(st.lists(one, max_size=8))


@pytest.fixture(scope="module")
def template():
    """Profiles to make others from: a job and a solved case."""
    plain = {"kind": "fault case", "vehicle": {"make": "Norrvik", "model": "Fjellet"}, "concern": "lamps on"}
    plain["networks"] = [{"name": "a", "medium": CAN}]
    return profile_of(case_from_data(plain, "a test"), "job")


def matches_of(template, told):
    """Return matches as drawn."""
    made = []
    for number, (fault, module, score, shop, verified) in enumerate(told):
        status = "fixed, verified" if verified else "fixed, cause not proven"
        made.append(
            Match(
                replace(
                    template, case_id=f"p{number}", fault=fault, cause_module=module, shop=shop, status=status
                ),
                score,
                1.0,
                {},
            )
        )
    return made


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(here=stuck_jobs(), told=told_cases())
def test_probabilities_sum_to_one_whatever_is_known(template, here, told):
    """With the remainder they sum to 1, each within 0 and 1, the listed ones in order, for any cases and readings."""
    causes = pooled_causes(replace(template, **here), matches_of(template, told), [])
    chances = [cause.probability for cause in causes]
    assert math.fsum(chances) == pytest.approx(1.0)
    assert all(0.0 <= chance <= 1.0 for chance in chances)
    assert chances[:-1] == sorted(chances[:-1], reverse=True)
    assert causes[-1].is_something_else
    assert causes[-1].probability > 0.0
    for cause in causes:
        assert math.fsum(behind.weight for behind in cause.cases) <= cause.probability + 1e-12


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(here=stuck_jobs(), told=told_cases(), data=st.data())
def test_the_order_of_the_cases_does_not_matter(template, here, told, data):
    """Shuffled cases give the very same causes."""
    matches = matches_of(template, told)
    shuffled = data.draw(st.permutations(matches))
    here = replace(template, **here)
    assert pooled_causes(here, shuffled, []) == pooled_causes(here, matches, [])


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(here=stuck_jobs(), told=told_cases().filter(bool), more=st.floats(0.0, 1.0), data=st.data())
def test_a_more_alike_case_never_lowers_its_cause(template, here, told, more, data):
    """Raising the likeness of one case leaves the probability of its fault as high as it was, or raises it."""
    matches = matches_of(template, told)
    which = data.draw(st.integers(0, len(matches) - 1))
    raised = list(matches)
    raised[which] = replace(matches[which], score=max(matches[which].score, more))
    here, fault = replace(template, **here), matches[which].profile.fault
    assert by_fault(here, raised)[fault] >= by_fault(here, matches)[fault] - 1e-12


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(here=stuck_jobs(), told=told_cases(), fault=st.sampled_from(FAULTS), score=st.floats(0.0, 0.2))
def test_an_unlike_case_changes_little(template, here, told, fault, score):
    """One case more of likeness .2 moves no fault by more than two in a hundred."""
    here, matches = replace(template, **here), matches_of(template, told)
    more = matches_of(template, [*told, (fault, None, score, None, True)])
    before, after = by_fault(here, matches), by_fault(here, more)
    assert all(abs(before[name] - after[name]) < 0.02 for name in {*before, *after})


# --- the figures --------------------------------------------------------------------------------------------------


def test_figures_that_make_no_sense_are_refused():
    """The remainder is never nothing, and shares are shares."""
    for wrong in (
        {"none_of_these": 0.0},
        {"pooled_power": 0.0},
        {"unverified_share": 1.2},
        {"sharpness": -1.0},
    ):
        with pytest.raises(InputError, match="expected shares from 0 to 1"):
            Pooling(**wrong)


# --- what would settle it -----------------------------------------------------------------------------------------

OHMS = {"quantity": "resistance", "line": "CAN high", "against": "CAN low", "battery": "disconnected"}
SUPPLY = {
    "quantity": "voltage",
    "line": "supply",
    "against": "ground",
    "ignition": "on",
    "unplugged": ["ABS"],
}


def silent(name="ABS", network=None):
    """Return a module that does not answer, as a record has it."""
    return [{"name": name, "answers": "no"}]


def test_a_reading_that_parts_two_causes_tells_most_of_what_there_is(past, make_case):
    """Two causes as likely as each other, 4 V with one and 12 V with the other: most of one bit; alike values: none."""
    low, full = [
        past(
            "module_supply_or_ground",
            case_id=name,
            readings=[SUPPLY | {"at": "connector of ABS", "value": volts}],
        )
        for name, volts in (("low", "4.2 V"), ("full", "12.1 V"))
    ]
    causes = [
        replace(first_cause, probability=0.5)
        for first_cause in (
            pooled_causes(low.profile, [past("low_open", 1.0)], [])[0],
            pooled_causes(low.profile, [past("high_open", 1.0)], [])[0],
        )
    ]
    one, other = low.profile.readings[0], full.profile.readings[0]
    parts = expected_bits([Holder(0, "", "low", 1.0, one), Holder(1, "", "full", 1.0, other)], causes)
    same = expected_bits([Holder(0, "", "low", 1.0, one), Holder(1, "", "full", 1.0, one)], causes)
    assert 0.4 < parts < 1.0
    assert same < 0.02


def test_a_reading_taken_already_or_after_the_repair_is_not_proposed(past, make_case):
    """What the job holds, and what only shows that the repair was good, settles nothing."""
    here = make_case(
        networks=[{"name": "a", "medium": CAN}],
        modules=silent(),
        readings=[OHMS | {"at": "DLC", "value": 60}],
    )
    readings = [
        OHMS | {"at": "DLC", "value": 118},
        SUPPLY | {"at": "connector of ABS", "value": "12.2 V", "stage": "after repair"},
    ]
    job = profile_of(here, "job")
    matches = [past("terminator_missing", 0.9, readings=readings), past("module_internal", 0.9, case_id="q")]
    assert past_readings(pooled_causes(job, matches, []), job, matches) == []


@pytest.mark.parametrize("place", ["connector of SRS", "DLC"])
def test_nobody_is_sent_to_unplug_a_restraint_module(past, make_case, place):
    """A past case unplugged the airbag module; that is not proposed to anybody, wherever the leads were."""
    at_srs = OHMS | {"at": place, "unplugged": ["SRS"]}
    here = make_case(networks=[{"name": "a", "medium": CAN}], modules=silent("SRS"))
    job = profile_of(here, "job")
    matches = [
        past("low_open", 0.9, readings=[at_srs | {"value": "OL"}]),
        past("module_internal", 0.85, case_id="q", readings=[at_srs | {"value": 60}]),
    ]
    causes = pooled_causes(job, matches, [])
    assert past_readings(causes, job, matches) == []
    assert deciding_tests(causes, job, matches, []) == []


def test_a_reading_at_the_faulty_module_there_is_proposed_at_the_suspected_one_here(past, make_case):
    """The supply of the tailgate was read there; here the ABS is silent, so it is the supply of the ABS."""
    at_tailgate = SUPPLY | {"at": "connector of tailgate module", "unplugged": ["tailgate module"]}
    job = profile_of(make_case(networks=[{"name": "a", "medium": CAN}], modules=silent()), "job")
    matches = [
        past("module_supply_or_ground", 0.9, "tailgate module", readings=[at_tailgate | {"value": "0.1 V"}]),
        past("module_internal", 0.88, "tailgate module", "q", readings=[at_tailgate | {"value": "12.3 V"}]),
    ]
    tests = deciding_tests(pooled_causes(job, matches, []), job, matches, [])
    assert (
        tests[0].words == "volts from supply to ground at the unplugged connector of anti-lock brakes (ABS)"
    )
    assert tests[0].cases == ["past", "q"]


def test_the_step_that_settled_it_is_told_with_its_case_and_its_cautions(job, past):
    """A step of the search is told; a repair is none, and an airbag in the way is minded."""
    found = {"did": "Seat lifted beside the side airbag, wire moved by hand", "found": "bus comes and goes"}
    mended = {"did": "Wire replaced", "found": "good"}
    told = past("low_open", 0.95, steps=[mended, found], case_id="told")
    tests = deciding_tests(pooled_causes(job, [told], []), job, [told], [])
    assert [test.source for test in tests] == ["from cases told"]
    assert "wire moved by hand" in tests[0].words
    assert any("squib" in caution for caution in tests[0].cautions)
    repaired = past("low_open", 0.95, steps=[found, mended], case_id="told")
    assert deciding_tests(pooled_causes(job, [repaired], []), job, [repaired], []) == []


@pytest.fixture
def ohms_only(make_case):
    """A job of which only the ohms between the lines are known: one terminator is to be seen."""
    return make_case(
        networks=[{"name": "a", "medium": CAN}], readings=[OHMS | {"at": "DLC", "value": "120 ohm"}]
    )


def test_computed_tests_hear_of_the_causes(ohms_only, past):
    """120 ohm fits a lost terminator and open lines; after cases of an open low line that state weighs most."""
    meanings = meanings_of(ohms_only, places.simulation_folder(), most_tests=0, rough=True)
    job = profile_of(ohms_only, "job")
    causes = pooled_causes(job, [past("low_open", 0.95)], meanings)
    weighed = weighed_by_causes(meanings[0].diagnosis, causes)
    assert weighed.ranked()[0][0] == "low_open"
    assert meanings[0].diagnosis.probability(BusState.LOW_OPEN) < weighed.probability(BusState.LOW_OPEN)
    assert weighed.posterior.weights.sum() == pytest.approx(1.0)


def test_a_test_both_computed_and_read_before_is_told_once(ohms_only, past):
    """Volts at the DLC are what calculation proposes and what the cases had: one test with both sources."""
    volts = [
        {
            "quantity": "voltage",
            "line": line,
            "against": "ground",
            "at": "DLC",
            "ignition": "on",
            "unplugged": [],
        }
        for line in ("CAN high", "CAN low")
    ]
    low = past(
        "low_open",
        0.8,
        case_id="low",
        readings=[v | {"value": n} for v, n in zip(volts, ("2.9 V", "2.0 V"), strict=True)],
    )
    lost = past(
        "terminator_missing",
        0.8,
        case_id="lost",
        readings=[v | {"value": n} for v, n in zip(volts, ("2.6 V", "2.4 V"), strict=True)],
    )
    meanings = meanings_of(ohms_only, places.simulation_folder(), most_tests=0, rough=True)
    job = profile_of(ohms_only, "job")
    causes = pooled_causes(job, [low, lost], meanings)
    tests = deciding_tests(causes, job, [low, lost], meanings)
    at_dlc = [test for test in tests if "volts" in test.words and "at the DLC" in test.words]
    assert [sorted(test.cases) for test in at_dlc] == [["lost", "low"]]
    assert at_dlc[0].source.startswith("computed; read before in ")


def test_readings_that_clash_are_taken_again_first(make_case):
    """One line on battery, the other on ground, 60 ohm between them: read them again before anything is believed."""
    volts = {"quantity": "voltage", "against": "ground", "at": "DLC", "ignition": "on", "unplugged": []}
    clashing = make_case(
        networks=[{"name": "a", "medium": CAN}],
        readings=[
            volts | {"line": "CAN high", "value": "12.4 V"},
            volts | {"line": "CAN low", "value": "0.0 V"},
            OHMS | {"at": "DLC", "value": "60 ohm"},
        ],
    )
    meanings = meanings_of(clashing, places.simulation_folder(), most_tests=0, rough=True)
    assert meanings[0].diagnosis.clashes
    job = profile_of(clashing, "job")
    tests = deciding_tests(pooled_causes(job, [], meanings), job, [], meanings)
    assert tests[0].words.startswith("Take the readings of a again")


# --- as data ------------------------------------------------------------------------------------------------------


def test_the_data_is_plain_and_holds_what_is_promised(job, past):
    """Causes with probability and case IDs, the rest beside them, all of it JSON."""
    matches = [past("module_supply_or_ground", 0.9, "ABS"), past("low_open", 0.7, case_id="q")]
    causes = pooled_causes(job, matches, [])
    data = json.loads(json.dumps(causes_data(causes, deciding_tests(causes, job, matches, []), [])))
    assert {"causes", "something_else", "next_tests", "codes_set_apart", "codes_note"} == set(data)
    assert data["causes"][0]["cases"] == ["past"]
    whole = sum(cause["probability"] for cause in data["causes"]) + data["something_else"]
    assert whole == pytest.approx(1.0, abs=1e-3)
