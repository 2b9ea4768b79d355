"""What the readings of a record mean, network by network: the bus computation put to a case."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Any, Final, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from casebase.bus.diagnose import Diagnosis, computed_media, diagnose
from casebase.bus.explain import clash_words, evidence_rows, split_words, verdict
from casebase.bus.feed import Feed, feed_data
from casebase.bus.next_test import NextTest, next_tests
from casebase.bus.roles import BusUnderTest
from casebase.bus.stuck import PlainTest, Stuck, served_modules
from casebase.bus.who_answers import SURVIVES_ONE_LINE, WhoAnswers
from casebase.match.profile import Profile
from casebase.match.profile_of_case import profile_of
from casebase.record.case import Case, Network
from casebase.record.inference import fault_readings, with_networks
from casebase.record.modules import family_of, module_family, modules_named_in
from casebase.record.reading import Reading
from casebase.record.trial import TrialAction
from casebase.record.vocabulary import Answers, BusState, Condition, Medium, Reached, YesNo


@dataclass(frozen=True)
class Meaning:
    """What the readings of one network of a case mean."""

    name: str
    network: Network
    diagnosis: Diagnosis
    tests: list[NextTest]


USUAL_PRIOR: Final = "the usual one: a healthy bus before any one fault, faults seldom met after the others"


def meaning_of_readings(
    readings: Sequence[Reading],
    medium: Medium,
    cache: Path | None,
    prior: Mapping[BusState, float] | None = None,
    most_tests: int = 3,
) -> Meaning:
    """Return the meaning of readings taken on one bus that no record describes."""
    network = Network(name="the bus at the DLC", medium=medium)
    diagnosis = diagnose(readings, medium, prior=prior, cache=cache)
    return Meaning(network.name, network, diagnosis, next_tests(diagnosis, most_tests))


def base_rates(faults: Mapping[str, int]) -> dict[BusState, float]:
    """Return how often each state was the cause in a library, plus one, from the number of cases of every fault.

    A cause that is no bus state (a module's supply, a configuration ...) counts as a healthy bus.
    """
    rates = dict.fromkeys(BusState, 1.0)
    states = {str(state): state for state in BusState}
    for fault, count in faults.items():
        rates[states.get(fault, BusState.HEALTHY)] += count
    return rates


def meanings_of(
    case: Case,
    cache: Path | None,
    prior: Mapping[BusState, float] | None = None,
    most_tests: int = 3,
    *,
    rough: bool = False,
) -> list[Meaning]:
    """Return the meaning of every network of `case` on which something was read; `most_tests` 0 proposes none.

    Networks that only the readings tell are taken as such (`record.inference`). `rough` asks fewer simulated buses, for
    what is kept of thousands of cases.
    """
    case = with_networks(case)
    found = []
    for network in case.networks:
        readings = tuple(reading for reading in case.readings if case.network_of(reading.network) == network)
        if readings and network.medium in computed_media():
            diagnosis = diagnose(
                (*readings, *fault_readings(case, network)),
                network.medium,
                _under_test(case, network),
                prior,
                cache,
                rough=rough,
            )
            tests = next_tests(diagnosis, most_tests) if most_tests and diagnosis.observations else []
            found.append(Meaning(network.name, network, diagnosis, tests))
    return found


def _under_test(case: Case, network: Network) -> BusUnderTest:
    """Return what is known of the network; silent modules first, for they are looked at first."""
    on_it = [module for module in case.modules if module.network in (None, network.name)]
    ordered = sorted(on_it, key=lambda module: module.answers not in (Answers.NO, Answers.INTERMITTENT))
    at_dlc = network.reached in (None, Reached.DIRECTLY) and network.medium is not Medium.LIN
    return BusUnderTest(
        tuple(network.terminators_in),
        tuple(module.name for module in ordered),
        "the DLC" if at_dlc else "any connector of this network",
        who_answers(case, network),
    )


ANSWERS_ON_SOME_NETWORK: Final = 0.4
"""What modules count that answer on a network which nobody names (judged)."""

ANSWERS_FOR_NOW: Final = 0.4
"""What it counts who answers where the fault comes and goes: it may have been away (judged)."""


def who_answers(case: Case, network: Network | None = None) -> WhoAnswers | None:
    """Return what is told of the modules beside the silent ones, on `network` or on any; None where nothing is.

    Nor is it on a medium that goes on over one line: who answers says nothing there.
    """
    media = [each.medium for each in ([network] if network else case.networks)]
    if media and all(medium in SURVIVES_ONE_LINE for medium in media):
        return None
    answering = [module for module in case.modules if module.answers is Answers.YES]
    here = [module for module in answering if network is not None and module.network == network.name]
    for_now = ANSWERS_FOR_NOW if Condition.INTERMITTENT in case.conditions else 1.0
    if case.others_answer is YesNo.YES or here:
        return WhoAnswers(YesNo.YES, for_now)
    if any(module.network is None for module in answering):
        return WhoAnswers(YesNo.YES, ANSWERS_ON_SOME_NETWORK * for_now)
    return WhoAnswers(YesNo.NO, for_now) if case.others_answer is YesNo.NO and not answering else None


def stuck_at(
    readings: Sequence[Reading], meanings: Sequence[Meaning], feeds: Sequence[Feed], case: Case | None = None
) -> Stuck:
    """Return where a job stands, for the tests that no simulated bus rates."""
    return Stuck(
        readings=readings,
        diagnoses=[meaning.diagnosis for meaning in meanings],
        feeds=feeds,
        silent=_feeds_to_read(case) if case else (),
        served=list(served_modules(case.silent_modules(), readings, feeds)) if case else (),
        alone=case is not None and case.others_answer is YesNo.YES,
        media=[network.medium for network in case.networks] if case else (),
        comes_and_goes=case is not None and _comes_and_goes(case),
        drains=case is not None and bool(_DRAINING & set(case.conditions)),
    )


_DRAINING: Final = frozenset({Condition.AFTER_STANDING, Condition.LOW_BATTERY})
"""Conditions in which somebody may keep a bus awake while the vehicle stands (judged)."""


def _feeds_to_read(case: Case) -> tuple[str, ...]:
    """Return the silent modules whose feed no trial has loaded yet."""
    loaded = [
        name for trial in case.trials if trial.did is TrialAction.LOADED for name in (*trial.what, trial.at)
    ]
    fed = {
        module_family(found.key) for name in loaded if name for found in modules_named_in(name, strict=False)
    }
    return tuple(name for name in case.silent_modules() if family_of(name) not in fed)


def _comes_and_goes(case: Case) -> bool:
    """Return whether the fault is intermittent and nobody has moved the harness yet."""
    wiggled = any(trial.did is TrialAction.WIGGLED for trial in case.trials)
    return Condition.INTERMITTENT in case.conditions and not wiggled


def reconciled(meanings: Sequence[Meaning]) -> list[tuple[Meaning, Diagnosis]]:
    """Return each network whose readings tell something with what they mean, a reading that clashes left out."""
    told = [(meaning, meaning.diagnosis.reconciled) for meaning in meanings]
    return [(meaning, left) for meaning, left in told if left is not None]


def shares_by_medium(meanings: list[Meaning]) -> dict[str, dict[str, float]]:
    """Return, by medium, the probability of each state; of two networks of one medium the less healthy one."""
    ordered = sorted(reconciled(meanings), key=lambda told: -told[1].probability(BusState.HEALTHY))
    return {
        str(meaning.network.medium): {str(state): share for state, share in left.ranked()}
        for meaning, left in ordered
    }


def host_of(meanings: list[Meaning]) -> tuple[str, float] | None:
    """Return the module that the readings place the fault in, with the probability; the surest of all networks."""
    hosts = [left.host for _, left in reconciled(meanings)]
    return max((host for host in hosts if host), key=lambda host: host[1], default=None)


def meanings_data(
    meanings: list[Meaning],
    prior: Mapping[BusState, float] | None = None,
    feeds: Sequence[Feed] = (),
    tests: Sequence[PlainTest] = (),
) -> dict[str, Any]:
    """Return meanings, the feeds of modules, and the tests that no bus rates, as plain data: what `--json` prints."""
    stated = USUAL_PRIOR if prior is None else {str(state): weight for state, weight in prior.items()}
    return {
        "networks": [_meaning_data(meaning) for meaning in meanings],
        "feeds": [feed_data(feed) for feed in feeds],
        "plain_tests": [_plain_test_data(test) for test in tests],
        "prior": stated,
    }


def _plain_test_data(test: PlainTest) -> dict[str, Any]:
    return {
        "test": test.words,
        "minutes": test.minutes,
        "preconditions": test.precondition,
        "outcomes": list(test.outcomes),
        "cautions": list(test.cautions),
    }


def _meaning_data(meaning: Meaning) -> dict[str, Any]:
    diagnosis = meaning.diagnosis
    return {
        "name": meaning.name,
        "medium": str(meaning.network.medium),
        "verdict": verdict(diagnosis),
        "states": [
            {"state": str(state), "probability": round(share, 4)} for state, share in diagnosis.ranked()
        ],
        "credible_90": [str(state) for state in diagnosis.credible()],
        "evidence": [
            {"reading": row.reading, "for": list(row.favours), "against": list(row.against)}
            for row in evidence_rows(diagnosis)
        ],
        "contradictions": clash_words(diagnosis),
        "module": None
        if diagnosis.host is None
        else {"name": diagnosis.host[0], "probability": round(diagnosis.host[1], 4)},
        "not_used": [
            {"reading": _line(diagnosis.readings[index]), "why": why}
            for index, why in diagnosis.interpreted.unused
        ],
        "next_tests": [
            {
                "reading": test.candidate.words(),
                "bits": round(test.bits, 3),
                "minutes": test.candidate.minutes,
                "splits": split_words(test),
                "preconditions": test.candidate.kind.precondition,
                "cautions": list(test.candidate.cautions()),
            }
            for test in meaning.tests
        ],
    }


def _line(reading: Reading) -> str:
    return f"{reading.what()}: {reading.value}" if reading.value is not None else reading.what()


TOGETHER: Final = 256
"""Stories given to the embedder at once."""


Item = TypeVar("Item")


class Embeds(Protocol):
    """Whatever gives texts as vectors of length 1, shape (texts, dimensions)."""

    def vectors(self, texts: Sequence[str]) -> NDArray[np.float32]:
        """Return one vector per text."""


def profile_to_compare(job: Case, meanings: list[Meaning], embedder: Embeds | None) -> Profile:
    """Return the profile of a job, filled in."""
    plain = profile_of(job, job.id or "")
    vector = _vectors(embedder, [plain])[0] if embedder is not None else None
    return replace(plain, meaning=shares_by_medium(meanings), host=host_of(meanings), vector=vector)


def filled_profiles(
    cases: Iterable[tuple[str, Case]], buses: Path | None, embedder: Embeds | None
) -> Iterator[Profile]:
    """Yield the profile of every (ID, case), filled in; stories are given to the embedder many at a time."""
    for some in _batches(cases, TOGETHER):
        profiles = [_with_meaning(profile_of(case, case_id), case, buses) for case_id, case in some]
        if embedder is None:
            yield from profiles
            continue
        vectors = _vectors(embedder, profiles)
        yield from (replace(one, vector=vector) for one, vector in zip(profiles, vectors, strict=True))


def _vectors(embedder: Embeds, profiles: list[Profile]) -> NDArray[np.float32]:
    from casebase.match.text.shorthand import spelled_out  # noqa: PLC0415  only where stories are compared

    return embedder.vectors([spelled_out(profile.story) for profile in profiles])


def _with_meaning(profile: Profile, case: Case, buses: Path | None) -> Profile:
    """Return a past case's profile with what its readings mean as far as nothing was unplugged.

    Every unplugged module would be another bus to simulate; what unplugging told is in the cause, and in the readings
    themselves.
    """
    plugged = [reading for reading in case.readings if not reading.unplugged]
    as_found = case.model_copy(update={"readings": plugged, "trials": []})
    meanings = meanings_of(as_found, buses, most_tests=0, rough=True)
    return replace(profile, meaning=shares_by_medium(meanings), host=host_of(meanings))


def _batches(items: Iterable[Item], size: int) -> Iterator[list[Item]]:
    iterator = iter(items)
    while batch := list(islice(iterator, size)):
        yield batch
