"""The tests that best tell the first few causes of a stuck job apart, at most three.

From calculation: the tests of the network concerned, its bus states weighed as the pooled causes have it; those that
differ only in the module unplugged are one test. From past cases: readings in which the cases behind the causes
differ, and the step that settled it there.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from casebase.bus.diagnose import Diagnosis
from casebase.bus.explain import apart_words, clash_words, split_words, told_words
from casebase.bus.instruments import DLC
from casebase.bus.next_test import Candidate, NextTest, next_tests
from casebase.bus.outcomes import outcomes_of
from casebase.bus.plain_tests import first_tests, plain_tests
from casebase.bus.stuck import PlainTest, Stuck
from casebase.match.answer.answer import DecidingTest, LikelyCause
from casebase.match.answer.past_tests import LEAST_BITS, PastReading, past_readings
from casebase.match.facets.base import Match
from casebase.match.facets.network import SOUND, STATES, state_of
from casebase.match.meaning import Meaning
from casebase.match.profile import Profile, ReadingTrait
from casebase.record.cautions import (
    BRAKES_OR_STEERING,
    HIGH_VOLTAGE,
    MAKER_FIRST,
    RESTRAINTS,
    cautions_of_families,
)
from casebase.record.local_fault import LocalFault
from casebase.record.modules import family_of, module_family

SETTLED_FROM: Final = 0.05
"""Below this probability of a cause, how it was settled elsewhere does not matter (judged)."""

_REPAIR: Final = re.compile(
    r"\b(replac|renew|repair|remade|fitted|refitted|changed|clean|tighten|taped|sleeve|solder|splic|crimp|insulat"
    r"|re-?rout|put back|back (on|in)\b|cod(ed|ing)|learn|taught|programm|clear|advis|offer|declin|custom|cust\b|quot"
    r"|pric|new\b)",
    re.IGNORECASE,
)
"""Words of a repair or of talk about it: such a step ended the job and settled nothing (judged)."""

_HAZARDS: Final = (
    (re.compile(r"air ?bag|restraint|\bsrs\b|squib|pretension|curtain", re.IGNORECASE), RESTRAINTS),
    (re.compile(r"high.voltage|\bhv\b|traction|orange cable|inverter", re.IGNORECASE), HIGH_VOLTAGE),
    (re.compile(r"\babs\b|\besc\b|\beps\b|brak|steer", re.IGNORECASE), BRAKES_OR_STEERING),
)


def steps_that_settled_it(causes: Sequence[LikelyCause], matches: Sequence[Match]) -> Iterator[DecidingTest]:
    """Yield what settled it in the cases behind the causes, the likeliest first; a repair is no test."""
    settled_by = {match.profile.case_id: match.profile.settled_by for match in matches}
    for cause in causes:
        for behind in cause.cases if cause.probability >= SETTLED_FROM else ():
            step = settled_by[behind.case_id]
            if step and not _REPAIR.search(step):
                yield DecidingTest(
                    words=f"What settled it there: {step}",
                    source=f"from cases {behind.case_id}",
                    tells=[f"it was {cause.words}"],
                    outcomes=[f"the same here: {cause.words}"],
                    cautions=[*_hazards(f"{step} {cause.words}"), MAKER_FIRST],
                    cases=[behind.case_id],
                )


def _hazards(text: str) -> list[str]:
    return [caution for pattern, caution in _HAZARDS if pattern.search(text)]


MOST_IN_TURN: Final = 3


@dataclass(frozen=True)
class InTurn:
    """One test, or several that differ only in the module unplugged; the one to begin with comes first."""

    tests: list[NextTest]
    diagnosis: Diagnosis | None = None
    """What the test is to tell more of; None where nobody asks what its outcomes mean."""

    @property
    def best(self) -> NextTest:
        """The test that tells most per minute."""
        return max(self.tests, key=lambda test: test.bits_per_minute)

    def words(self) -> str:
        """Return what to do."""
        first = self.tests[0].candidate
        if len(self.tests) == 1:
            return first.words()
        modules = ", then ".join(test.candidate.unplugged for test in self.tests)
        return f"{first.kind.words} at {first.place}, one module unplugged at a time: {modules}"

    def told(self) -> set[str]:
        """Return everything that its tests tell, each in words of its own."""
        return {words for test in self.tests for words in split_words(test)}

    def tells(self) -> list[str]:
        """Return what it tells apart."""
        if len(self.tests) == 1:
            return told_words(self.tests[0])
        told = apart_words(list(dict.fromkeys(split for test in self.tests for split in test.splits)))
        where = any(test.tells_where for test in self.tests)
        return [*told, "in which of these modules it lies"] if where else told


def tests_in_turn(tests: Sequence[NextTest], suspected: Sequence[str]) -> Iterator[InTurn]:
    """Yield the tests, those that differ only in the module unplugged as one; families `suspected` come first in it."""
    groups: dict[tuple[str, str, bool], list[NextTest]] = {}
    for test in tests:
        candidate = test.candidate
        key = (candidate.kind.words, candidate.place, bool(candidate.unplugged))
        groups.setdefault(key, []).append(test)
    for group in groups.values():
        ordered = sorted(group, key=lambda test: _place_in(suspected, test.candidate.unplugged))
        yield InTurn(ordered[:MOST_IN_TURN])


def _place_in(suspected: Sequence[str], name: str) -> int:
    family = family_of(name)
    return suspected.index(family) if family in suspected else len(suspected)


_QUANTITY_READ: Final = {"ohms": "resistance", "volts": "voltage", "traffic": "waveform", "asked": "waveform"}
_SUPPLY: Final = frozenset({"supply", "battery +", "battery -"})


def is_same_reading(candidate: Candidate, reading: ReadingTrait) -> bool:
    """Return whether a computed test and a reading of a past case are the same thing to do."""
    first = candidate.kind.quantities[0]
    if _QUANTITY_READ[first.split("_")[0]] != reading.quantity or _SUPPLY & set(reading.lines):
        return False
    if reading.quantity == "resistance" and first.endswith("ground") != ("ground" in reading.lines):
        return False
    if reading.quantity == "waveform" and (first == "asked") != (reading.tester == "talking"):
        return False
    unplugged = {module_family(name) for name in reading.unplugged or ()}
    off = {family_of(candidate.unplugged)} if candidate.unplugged else set()
    return unplugged == off and _same_place(candidate, reading)


def _same_place(candidate: Candidate, reading: ReadingTrait) -> bool:
    if candidate.view.place == DLC:
        return reading.place == "DLC"
    return reading.place_module == family_of(candidate.unplugged or "")


MOST_TESTS: Final = 3
SOUND_FROM: Final = 0.5
"""Probability of sound wires from which the feed of a silent module is read before more of the bus (judged)."""

CAUSES_TOLD_APART: Final = 4
COMPUTED: Final = "computed"
COMMON_PRACTICE: Final = "common practice"
LEAST_SHARE: Final = 1e-9

CANDIDATES_RATED: Final = 9
"""How many computed tests are looked at, so that one module after the other becomes one test."""


def deciding_tests(  # noqa: PLR0913, PLR0917  the causes, the job, and all that is known of it
    causes: Sequence[LikelyCause],
    job: Profile,
    matches: Sequence[Match],
    meanings: Sequence[Meaning],
    most: int = MOST_TESTS,
    stuck: Stuck | None = None,
) -> list[DecidingTest]:
    """Return at most `most` tests, best first; where readings clash, taking these again comes before all.

    What common practice does first, with the feed of a silent module or on a bus of which nothing is known, comes next;
    what it does otherwise fills the room that is left. Without `stuck` neither is proposed.
    """
    named = [cause for cause in causes if not cause.is_something_else][:CAUSES_TOLD_APART]
    told_apart = [*named, *(cause for cause in causes if cause.is_something_else)]
    again = list(_to_take_again(meanings))
    feeds_read = {feed.family for feed in stuck.feeds} if stuck else set()
    past = [one for one in past_readings(told_apart, job, matches) if not _is_of_feed_read(one, feeds_read)]
    feeds = [reading for reading in past if _SUPPLY & set(reading.reading.lines)]
    before = [_by_practice(test) for test in first_tests(stuck)] if stuck else []
    first = [_from_cases(reading) for reading in feeds[:1]] if not before and _looks_sound(meanings) else []
    left = [reading for reading in past if not first or reading is not feeds[0]]
    both = _joined(list(_computed(causes, meanings)), left)
    ranked = [*first, *sorted(both, key=lambda test: -test.bits_per_minute)]
    steps = list(steps_that_settled_it(named, matches))[:1]
    room = max(0, most - len(again) - len(steps))
    found = [*again, *[*before, *ranked][:room], *steps][:most]
    filling = map(_by_practice, plain_tests(stuck) if stuck else ())
    return [*found, *_not_among(filling, found)][:most]


_PROVED: Final = ("out of order: mend it, then see what stays", "in order: the lamps have another cause")


def proof_of(local: LocalFault) -> DecidingTest:
    """Return how the one circuit is proved that would explain the job."""
    return DecidingTest(
        words=f"{local.code} in {local.module}, {local.what}: {local.proof}",
        source=COMMON_PRACTICE,
        tells=list(_PROVED),
        outcomes=list(_PROVED),
        minutes=local.minutes,
        cautions=cautions_of_families({local.family}),
    )


def _is_of_feed_read(past: PastReading, feeds_read: Collection[str]) -> bool:
    """Return whether a reading of supply or ground was just taken here, at the plug of the same module."""
    return bool(_SUPPLY & set(past.reading.lines)) and past.reading.place_module in feeds_read


def _by_practice(test: PlainTest) -> DecidingTest:
    return DecidingTest(
        words=test.words,
        source=COMMON_PRACTICE,
        tells=list(test.outcomes),
        outcomes=list(test.outcomes),
        needs=test.precondition,
        minutes=test.minutes,
        cautions=list(test.cautions),
    )


def _not_among(tests: Iterable[DecidingTest], found: Sequence[DecidingTest]) -> Iterator[DecidingTest]:
    words = {test.words for test in found}
    yield from (test for test in tests if test.words not in words)


def _looks_sound(meanings: Sequence[Meaning]) -> bool:
    """Return whether what was read points away from the wires: then the feed of the silent module is read first."""
    read = [meaning.diagnosis for meaning in meanings if meaning.diagnosis.observations]
    return bool(read) and all(_sound(each) >= SOUND_FROM for each in read)


# --- computed -----------------------------------------------------------------------------------------------------


def _to_take_again(meanings: Sequence[Meaning]) -> Iterator[DecidingTest]:
    clashing = [meaning for meaning in meanings if meaning.diagnosis.clashes]
    for meaning in clashing[:1]:
        alone = meaning.diagnosis.is_one_reading_alone
        words = (
            f"Take the reading of {meaning.name} again: {_what_was_read(meaning)}"
            if alone
            else f"Take the readings of {meaning.name} again that do not fit together"
        )
        yield DecidingTest(
            words,
            COMPUTED,
            clash_words(meaning.diagnosis)[:1],
            needs="as it was taken; the meter on automatic range, its leads held together first",
            outcomes=[
                "another value: take that one",
                "the same again: believe it, and look for a second fault",
            ],
        )


def _what_was_read(meaning: Meaning) -> str:
    """Return what the one observation of a network is of, in words."""
    place = meaning.diagnosis.observations[0].readings[0]
    return meaning.diagnosis.readings[place].what()


def _computed(causes: Sequence[LikelyCause], meanings: Sequence[Meaning]) -> Iterator[InTurn]:
    """Yield the tests of the network whose wires look worst."""
    told = [meaning for meaning in meanings if not meaning.diagnosis.clashes]
    if told:
        worst = min(told, key=lambda meaning: (_sound(meaning.diagnosis), meaning.name))
        diagnosis = weighed_by_causes(worst.diagnosis, causes)
        tests = next_tests(diagnosis, CANDIDATES_RATED)
        worth = [test for test in tests if test.bits >= LEAST_BITS]
        suspected = [family_of(cause.module) for cause in causes if cause.module]
        for test in _without_repetition(tests_in_turn(worth, suspected)):
            yield replace(test, diagnosis=diagnosis)


def _without_repetition(tests: Iterable[InTurn]) -> Iterator[InTurn]:
    """Yield the tests that tell something the better ones before them do not."""
    told: set[str] = set()
    for test in tests:
        if not told or not told.issuperset(test.told()):
            yield test
        told.update(test.told())


def _sound(diagnosis: Diagnosis) -> float:
    return sum(share for state, share in diagnosis.ranked() if str(state) in SOUND)


def weighed_by_causes(diagnosis: Diagnosis, causes: Sequence[LikelyCause]) -> Diagnosis:
    """Return a diagnosis whose states are as likely as the causes that go with them.

    What goes with no state of this network, and the remainder, keep to what the readings say.
    """
    posterior = diagnosis.posterior
    given = np.zeros(len(posterior.states))
    for cause in causes:
        state = STATES.get(state_of(cause.fault) or "")
        if state in posterior.states:
            given[posterior.states.index(state)] += cause.probability
    shares = given + max(0.0, 1.0 - float(given.sum())) * posterior.probabilities
    by_bus = posterior.weights.reshape(len(posterior.states), -1)
    weighed = by_bus.sum(axis=1)
    shares = np.where(weighed > LEAST_SHARE, shares, 0.0)
    shares /= shares.sum()
    weights = by_bus * (shares / np.maximum(weighed, LEAST_SHARE))[:, None]
    return replace(
        diagnosis,
        posterior=replace(posterior, probabilities=shares, weights=(weights / weights.sum()).ravel()),
    )


def _from_calculation(test: InTurn, past: PastReading | None) -> DecidingTest:
    cases = past.case_ids if past else []
    return DecidingTest(
        words=test.words(),
        source=f"{COMPUTED}; read before in {', '.join(cases)}" if past else COMPUTED,
        tells=[*test.tells(), *(past.tells() if past else [])],
        needs=test.best.candidate.kind.precondition,
        minutes=test.best.candidate.minutes,
        bits=max(test.best.bits, past.bits if past else 0.0),
        cautions=_cautions(test.best.candidate.cautions(), [each.candidate.unplugged for each in test.tests]),
        cases=cases,
        in_turn=len(test.tests) > 1,
        outcomes=(outcomes_of(test.diagnosis, test.tests) if test.diagnosis else [])
        or (past.outcomes() if past else []),
    )


# --- from past cases ----------------------------------------------------------------------------------------------


def _joined(computed: Sequence[InTurn], past: Sequence[PastReading]) -> Iterator[DecidingTest]:
    """Yield every test once: a reading that is computed and was taken before is one test."""
    left = list(past)
    for test in computed:
        same = [
            one for one in left if any(is_same_reading(each.candidate, one.reading) for each in test.tests)
        ]
        left = [one for one in left if one not in same]
        yield _from_calculation(test, same[0] if same else None)
    yield from map(_from_cases, left)


def _from_cases(past: PastReading) -> DecidingTest:
    return DecidingTest(
        words=past.words(),
        source=f"from cases {', '.join(past.case_ids)}",
        tells=past.tells(),
        outcomes=past.outcomes(),
        needs=past.needs(),
        minutes=past.minutes,
        bits=past.bits,
        cautions=_cautions(past.cautions(), past.reading.unplugged or ()),
        cases=past.case_ids,
    )


# --- cautions -----------------------------------------------------------------------------------------------------

_NEAR_AN_AIRBAG: Final = frozenset(
    {
        "steering angle sensor",
        "steering column",
        "steering wheel heating",
        "seat control",
        "occupant classification",
    }
)
"""Modules that cannot be unplugged without reaching beside an airbag (common practice, no source)."""


def _cautions(cautions: Iterable[str], unplugged: Iterable[str]) -> list[str]:
    beside_airbag = any(family_of(name) in _NEAR_AN_AIRBAG for name in unplugged)
    return [*([RESTRAINTS] if beside_airbag else []), *cautions]
