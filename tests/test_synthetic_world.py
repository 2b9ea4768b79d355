"""The synthetic world holds together: valid records, the same on every run, codes and silence that fit the topology.

Without ngspice the tests that need readings are skipped, except in continuous integration.
"""

import os
import re
import sys
import tempfile
from collections import Counter
from pathlib import Path
from random import Random

import pytest

from casebase.record.case import status_of
from casebase.record.checks import inconsistencies
from casebase.record.codes import Statement
from casebase.record.json_form import canonical_json, plain_data
from casebase.record.loading import load_text
from casebase.record.modules import module_identity
from casebase.record.vocabulary import Answers, BusState, Fault, Kind, Medium, Stage, Status
from casebase.record.words import FAULT_WORDS

sys.path.insert(0, str(Path(__file__).parent / "bench"))

import synthetic_world as world
from ngspice_run import NGSPICE
from synthetic_causes import FAULTS
from synthetic_faults import drawn_spot, weak_spots
from synthetic_fleet import fleet
from synthetic_jobs import PARTS, cause_key, code_bases
from synthetic_local import CAR_CIRCUITS, TRUCK_CIRCUITS
from synthetic_modules import CAR_MODULES
from synthetic_normal import MISREADS, drawn_normal
from synthetic_records import BOTH, LOCAL, NORMAL
from synthetic_topology import topology
from synthetic_truck_modules import TRUCK_MODULES

pytestmark = pytest.mark.slow

needs_ngspice = pytest.mark.skipif(
    NGSPICE is None and os.environ.get("CI") != "true",
    reason="ngspice is not installed (apt-get install ngspice)",
)
COUNT = 40


@pytest.fixture(scope="module")
def library():
    """A small library with readings."""
    return world.synthetic_library(COUNT)


@pytest.fixture(scope="module")
def jobs(library):
    """A few stuck jobs beside it."""
    return world.held_out_jobs(15, library=library)


@pytest.fixture(scope="module")
def wide():
    """A library and jobs large enough for shares, without readings: they need no ngspice."""
    cases = world.synthetic_library(1500, readings=False)
    return cases, world.held_out_jobs(150, library=cases, readings=False)


def told(case):
    """Return what a customer or technician tells of a case before the cause is known, in small letters."""
    words = [case.concern or "", *case.symptoms, *(f"{step.did} {step.found or ''}" for step in case.steps)]
    return " ".join(words).casefold()


@needs_ngspice
def test_every_record_passes_the_checks_of_a_record(library, jobs):
    """Records, whole truths and jobs read back from their own JSON as they were, and nothing contradicts itself."""
    for case in [*library, *(one.truth for one in jobs), *(one.job for one in jobs)]:
        assert inconsistencies(case) == []
        again = load_text(canonical_json(case), str(case.id), ".json")[0]
        assert plain_data(again) == plain_data(case)


@needs_ngspice
def test_the_same_seed_gives_the_same_world(library, monkeypatch, tmp_path):
    """Nothing hangs on the machine's clock, on what was kept from an earlier run, or on how many are asked for."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    again = world.synthetic_library(12)
    assert [plain_data(case) for case in again] == [plain_data(case) for case in library[:12]]
    other = world.synthetic_library(12, seed=3, readings=False)
    assert {canonical_json(case) for case in other}.isdisjoint(canonical_json(case) for case in library)


@needs_ngspice
def test_a_healthy_pair_reads_about_sixty_ohm(library):
    """Two terminators of 120 ohm stand in parallel on a high-speed bus (ISO 11898-2): known good records read that."""
    between = [
        reading.number
        for case in library
        if case.kind is Kind.KNOWN_GOOD
        for reading in case.readings
        if reading.quantity == "resistance" and reading.against == "CAN low"
    ]
    assert between
    assert all(57 <= ohms <= 65 for ohms in between)


@needs_ngspice
def test_jobs_know_nothing_of_the_end(jobs):
    """A stuck job holds no cause, no fix, no end, nothing measured after the repair, one step less than the truth."""
    for one in jobs:
        assert one.truth.cause is not None
        assert one.truth.cause.proof is not None
        job = one.job
        assert (job.cause, job.fix, job.verification, job.leftover, job.provenance.ended) == (None,) * 5
        assert job.more_causes == []
        assert all(reading.stage is not Stage.AFTER_REPAIR for reading in job.readings)
        assert job.steps == one.truth.steps[:-1]


@needs_ngspice
@pytest.mark.parametrize("what", PARTS)
def test_parts_can_be_taken_from_a_job(jobs, what):
    """Each kind of missing part leaves the rest of the job as it was."""
    for job in (one.job for one in jobs):
        left = world.parts_missing(job, what)
        name = what.split()[-1]
        key = {"reading": "readings", "story": "concern"}.get(name, name)
        assert getattr(left, key) in (job.readings[:1], [], None)
        assert left.vehicle == job.vehicle
        assert left.codes == job.codes or what == "no codes"


UNTELLING = frozenset(
    """to or in the a an of from no too many this away into without + as is one that whose
    driver module system fault network keeps pair bus can dlc lost""".split()  # noqa: SIM905
)
"""Empty words, and words of all trade talk: the one who drives, a module by its name, the pair as such."""


def telling_words(fault):
    """Return the words that would give a fault away."""
    words = f"{fault.replace('_', ' ')} {FAULT_WORDS[fault]}".casefold().replace(":", "")
    return set(words.split()) - UNTELLING


def test_stories_never_name_the_cause(wide):
    """No word of the fault stands in concern, symptoms or the steps of a stuck job; the last step does name many."""
    named_at_last = 0
    for one in wide[1]:
        words = telling_words(one.truth.cause.fault)
        assert [word for word in words if f" {word}" in f" {told(one.job)}"] == [], one.job.id
        named_at_last += any(f" {word}" in f" {told(one.truth)}" for word in words)
    assert named_at_last > 0.25 * len(wide[1])


def test_stories_come_in_many_words(wide):
    """Ten authors say the same thing in ten ways: nine concerns in ten are unlike all others."""
    concerns = Counter(case.concern for case in wide[0] if case.concern)
    assert sum(times == 1 for times in concerns.values()) > 0.85 * concerns.total()


def blamed_as_lost(case):
    """Return the identities of the modules that the codes of a case call lost."""
    addresses = {
        f"SPN {2000 + kind.address}": kind.key for kind in TRUCK_MODULES.values() if kind.address is not None
    }
    coded = {kind.coded_as: kind.key for kind in CAR_MODULES.values() if kind.coded_as}
    found = set()
    for entry in case.codes:
        if entry.code.statement is Statement.LOST_COMMUNICATION and entry.code.base != "SPN 639":
            about = entry.code.about or addresses[entry.code.base]
            found.add(coded.get(about, about))
    return found


def test_only_silent_modules_are_missed(wide):
    """Who is called lost does not answer, or answers at times; a silent module may be forgotten, never made up."""
    seen = 0
    for case in wide[0]:
        if case.modules:
            silent = {module_identity(name) for name in case.silent_modules()}
            assert blamed_as_lost(case) <= silent, case.id
            seen += bool(silent)
    assert seen > 500


def test_nobody_reports_from_beyond_his_own_silence(wide):
    """A single silent module stores nothing that a scan could read, for the scan does not reach it."""
    for case in wide[0]:
        silent = [module.name for module in case.modules if module.answers is Answers.NO]
        if len(silent) == 1:
            assert silent[0] not in {entry.module for entry in case.codes}


def test_modules_have_the_names_of_the_trade():
    """Whatever a shop calls a module, casebase knows which one is meant."""
    for kind in (*CAR_MODULES.values(), *TRUCK_MODULES.values()):
        assert {module_identity(name) for name in kind.names} == {kind.key}


def test_every_platform_can_be_simulated():
    """One to three networks each, of 4 to 14 modules: as many as the sampler's buses have."""
    platforms = {model.platform for model in fleet()}
    assert len(platforms) == 20
    assert len(fleet()) == 60
    assert len({model.platform.make for model in fleet()}) == 8
    for plan in map(topology, platforms):
        assert 1 <= len(plan.networks) <= 3
        for network in plan.networks:
            assert network.medium in (Medium.HIGH_SPEED_CAN, Medium.J1939)
            assert len(network.modules) == 1 or 4 <= len(network.modules) <= 14
            assert len(set(network.modules)) == len(network.modules)


def test_a_cut_takes_away_whoever_is_not_on_the_side_of_the_tester():
    """Seen from the DLC, the modules beyond a cut and those before it make up the network."""
    plan = next(topology(model.platform) for model in fleet() if model.platform.layout == "one pair")
    network = plan.networks[0]
    first, last = network.beyond(0), network.beyond(len(network.modules) - 1)
    assert first == network.modules[:1]
    assert last == network.modules[-1:]


def test_every_cause_comes_up(wide):
    """All high-speed states but healthy, and the ten causes that no state names, at least once in 300 cases."""
    single_wire = {"line_shorted_to_ground", "line_shorted_to_battery", "line_open", "pull_up_missing"}
    expected = {str(fault) for fault in Fault} - single_wire - {"none"}
    assert set(FAULTS) == expected
    assert {str(state) for state in BusState} - single_wire - {"healthy"} < expected
    counted = Counter(str(case.cause.fault) for case in wide[0] if case.cause)
    assert {fault for fault in expected if counted[fault] < 5} == set()


def test_half_of_the_jobs_have_a_twin_and_half_a_look_alike(wide):
    """Both kinds are there in numbers, and neither is the rule: finding the right case is possible and not for free."""
    library, jobs = wide
    by_id = {case.id: case for case in library}
    assert 0.35 < sum(bool(one.twins) for one in jobs) / len(jobs) < 0.7
    assert 0.3 < sum(bool(one.look_alikes) for one in jobs) / len(jobs) < 0.65
    for one in jobs:
        for twin in map(by_id.get, one.twins):
            assert twin.vehicle.model == one.truth.vehicle.model
            assert cause_key(twin) == cause_key(one.truth)
        for other in map(by_id.get, one.look_alikes):
            assert other.vehicle.model == one.truth.vehicle.model
            assert code_bases(other) == code_bases(one.job) != frozenset()
            assert other.cause.fault is not one.truth.cause.fault


def test_most_library_cases_are_solved_and_some_are_not(wide):
    """Every status occurs; most fixes are verified."""
    counted = Counter(status_of(case) for case in wide[0])
    assert set(counted) == set(Status)
    assert counted[Status.FIXED_VERIFIED] > 0.4 * len(wide[0])


def test_a_platform_fails_at_its_weak_spots():
    """Half of a platform's cases share ten causes: that is where twins come from."""
    plan = topology(fleet()[0].platform)
    spots = [drawn_spot(plan, Random(number)) for number in range(400)]
    weak = sum(spot in weak_spots(plan) for spot in spots)
    assert 0.4 < weak / len(spots) < 0.6


@pytest.fixture(scope="module")
def on_sound_networks():
    """Jobs with a local fault, and jobs on which nothing is wrong, without readings on the lines."""
    return {kind: world.held_out_jobs(60, library=[], readings=False, kind=kind) for kind in (LOCAL, NORMAL)}


def test_a_local_fault_lights_several_lamps_and_silences_nobody(on_sound_networks):
    """One circuit of a module: everybody answers, its own code is among those read, others call its data invalid."""
    local = on_sound_networks[LOCAL]
    assert all(one.job.silent_modules() == [] for one in local)
    assert {str(one.truth.cause.fault) for one in local} == {"sensor_or_actuator", "module_supply_or_ground"}
    own_codes = {re.split("-| FMI", circuit.code)[0] for circuit in (*CAR_CIRCUITS, *TRUCK_CIRCUITS)}
    with_codes = [one.job for one in local if one.job.codes]
    own = [job for job in with_codes if any(entry.code.base in own_codes for entry in job.codes)]
    assert len(own) > 0.8 * len(with_codes)
    assert (
        sum(any(entry.code.statement is Statement.INVALID_DATA for entry in job.codes) for job in with_codes)
        > 20
    )
    assert sum(len(one.job.lamps) for one in local if one.job.lamps) > 2 * sum(
        bool(one.job.lamps) for one in local
    )


def test_where_nothing_is_wrong_nobody_is_silent_and_nothing_is_mended(on_sound_networks):
    """All five ways of misreading a sound vehicle come up, with the cause `none`."""
    normal = on_sound_networks[NORMAL]
    assert {str(one.truth.cause.fault) for one in normal} == {"none"}
    assert all(one.job.silent_modules() == [] for one in normal)
    plans = {topology(model.platform) for model in fleet()}
    drawn = {drawn_normal(plan, Random(number)).misread for plan in plans for number in range(20)}
    assert drawn == set(MISREADS)


def feed_of(case):
    """Return the volts of supply and ground read at the plug of the module at fault, trucks left out."""
    at = f"connector of {case.cause.module}"
    return {
        str(reading.line): reading.number
        for reading in case.readings
        if reading.at == at and str(reading.line) in ("supply", "ground") and reading.stage is Stage.ISOLATION
    }


@needs_ngspice
def test_a_starved_module_reads_low_where_a_dead_one_does_not():
    """A lost supply or a lifted ground shows at the plug; of a module that is bad itself both are sound."""
    jobs = [one.truth for one in world.held_out_jobs(90, seed=8, library=[])]
    cars = [
        case for case in jobs if case.cause.module and all(str(n.medium) != "J1939" for n in case.networks)
    ]
    found = {
        fault: [feed_of(case) for case in cars if str(case.cause.fault) == fault]
        for fault in ("module_supply_or_ground", "module_internal")
    }
    low = [
        feed
        for feed in found["module_supply_or_ground"]
        if feed and (feed.get("supply", 12) < 9.5 or feed.get("ground", 0) > 0.4)
    ]
    assert low
    assert all(
        feed.get("supply", 12) > 11 and feed.get("ground", 0) < 0.2 for feed in found["module_internal"]
    )


def test_a_third_of_the_jobs_tell_of_trials_and_most_changed_nothing(wide):
    """Parts were swapped, modules unplugged; a module that held the lines restores them once it is off."""
    told = [one.truth for one in wide[1] if one.truth.trials]
    assert 0.2 < len(told) / len(wide[1]) < 0.5
    trials = [(case, trial) for case in wide[0] if case.cause for trial in case.trials]
    outcomes = Counter(str(trial.outcome) for _, trial in trials)
    assert outcomes["no change"] > 0.5 * outcomes.total()
    assert set(outcomes) == {"no change", "restored", "passed", "failed", "came back"}
    for case, trial in trials:
        if str(trial.outcome) == "restored":
            assert trial.what == [case.cause.module]


def test_a_local_fault_may_stand_beside_one_of_the_network():
    """Two causes at two modules; the job itself names neither, and the lamps of the circuit are among those lit."""
    jobs = world.held_out_jobs(20, library=[], readings=False, kind=BOTH)
    for one in jobs:
        beside = one.truth.more_causes[0]
        assert beside.module is not None
        assert one.truth.cause.module is None or module_identity(beside.module) != module_identity(
            one.truth.cause.module
        )
        assert one.job.more_causes == []
    assert sum(len(one.job.lamps) > 1 for one in jobs) > 8
