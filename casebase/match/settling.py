"""The tests that best tell the first few causes of a stuck job apart, at most three.

From calculation: the tests of the network concerned, its bus states weighed as the pooled causes have it. From past
cases: readings in which the cases behind the causes differ, and the step that settled it there.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from casebase.bus.candidates import Candidate
from casebase.bus.diagnose import Diagnosis
from casebase.bus.explain import clash_words, split_words
from casebase.bus.nexttest import NextTest, next_tests
from casebase.bus.observe import DLC
from casebase.match.causes import LikelyCause, state_of
from casebase.match.meaning import Meaning
from casebase.match.meaning_facet import STATES
from casebase.match.past_readings import PastReading, past_readings
from casebase.match.profile import Profile
from casebase.match.ranking import Match
from casebase.match.single_fault import SOUND
from casebase.match.traits import ReadingTrait
from casebase.record.cautions import BRAKES_OR_STEERING, HIGH_VOLTAGE, MAKER_FIRST, RESTRAINTS
from casebase.record.modules import module_family, module_identity

MOST_TESTS: Final = 3
CAUSES_TOLD_APART: Final = 4
COMPUTED: Final = "computed"
LEAST_SHARE: Final = 1e-9


@dataclass(frozen=True, slots=True)
class SettlingTest:
    """A test that tells the first causes apart: what to do, who says so, what it tells, what to mind.

    `source` is `computed`, `from cases ...` or both. `bits` is what it is expected to tell, where that can be reckoned;
    `cases` are the IDs of the cases that it comes from.
    """

    words: str
    source: str
    tells: list[str]
    needs: str | None = None
    minutes: float | None = None
    bits: float | None = None
    cautions: list[str] = field(default_factory=list)
    cases: list[str] = field(default_factory=list)

    @property
    def bits_per_minute(self) -> float:
        """What tests are ranked by; 0 where it cannot be reckoned."""
        return self.bits / self.minutes if self.bits and self.minutes else 0.0


def settling_tests(
    causes: Sequence[LikelyCause],
    job: Profile,
    matches: Sequence[Match],
    meanings: Sequence[Meaning],
    most: int = MOST_TESTS,
) -> list[SettlingTest]:
    """Return at most `most` tests, best first; where readings clash, taking these again comes before all."""
    pasts = {match.profile.case_id: match.profile for match in matches}
    named = [cause for cause in causes if not cause.is_something_else][:CAUSES_TOLD_APART]
    again = list(_to_take_again(meanings))
    ranked = sorted(
        _joined(list(_computed(causes, meanings)), past_readings(named, job, pasts), named),
        key=lambda test: -test.bits_per_minute,
    )
    steps = list(_steps_that_settled_it(named, pasts))[:1]
    room = max(0, most - len(again) - len(steps))
    return [*again, *ranked[:room], *steps][:most]


# --- computed -----------------------------------------------------------------------------------------------------


def _to_take_again(meanings: Sequence[Meaning]) -> Iterator[SettlingTest]:
    clashing = [meaning for meaning in meanings if meaning.diagnosis.clashes]
    for meaning in clashing[:1]:
        words = f"Take the readings of {meaning.name} again that do not fit together"
        yield SettlingTest(words, COMPUTED, clash_words(meaning.diagnosis)[:1])


def _computed(causes: Sequence[LikelyCause], meanings: Sequence[Meaning]) -> Iterator[NextTest]:
    """Yield the tests of the network whose wires look worst."""
    told = [meaning for meaning in meanings if not meaning.diagnosis.clashes]
    if told:
        worst = min(told, key=lambda meaning: (_sound(meaning.diagnosis), meaning.name))
        yield from next_tests(weighed_by_causes(worst.diagnosis, causes), MOST_TESTS)


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


def _from_calculation(
    test: NextTest, past: PastReading | None, causes: Sequence[LikelyCause]
) -> SettlingTest:
    candidate = test.candidate
    cases = past.case_ids if past else []
    return SettlingTest(
        words=candidate.words(),
        source=f"{COMPUTED}; read before in {', '.join(cases)}" if past else COMPUTED,
        tells=[*split_words(test), *(past.tells() if past else [])],
        needs=candidate.kind.precondition,
        minutes=candidate.minutes,
        bits=max(test.bits, past.bits if past else 0.0),
        cautions=list(candidate.cautions()),
        cases=cases,
    )


# --- from past cases ----------------------------------------------------------------------------------------------


def _joined(
    computed: Sequence[NextTest], past: Sequence[PastReading], causes: Sequence[LikelyCause]
) -> Iterator[SettlingTest]:
    """Yield every test once: a reading that is computed and was taken before is one test."""
    left = list(past)
    for test in computed:
        same = [one for one in left if is_same_reading(test.candidate, one.reading)]
        left = [one for one in left if one not in same]
        yield _from_calculation(test, same[0] if same else None, causes)
    yield from (_from_cases(one, causes) for one in left)


def _from_cases(past: PastReading, causes: Sequence[LikelyCause]) -> SettlingTest:
    return SettlingTest(
        words=past.words(),
        source=f"from cases {', '.join(past.case_ids)}",
        tells=past.tells(),
        needs=past.needs(),
        minutes=past.minutes,
        bits=past.bits,
        cautions=past.cautions(),
        cases=past.case_ids,
    )


_READ: Final = {"ohms": "resistance", "volts": "voltage", "traffic": "waveform", "asked": "waveform"}


def is_same_reading(candidate: Candidate, reading: ReadingTrait) -> bool:
    """Return whether a computed test and a reading of a past case are the same thing to do."""
    first = candidate.kind.quantities[0]
    if _READ[first.split("_")[0]] != reading.quantity:
        return False
    if reading.quantity == "resistance" and first.endswith("ground") != ("ground" in reading.lines):
        return False
    if reading.quantity == "waveform" and (first == "asked") != (reading.tester == "talking"):
        return False
    if {"supply", "battery +"} & set(reading.lines):
        return False
    unplugged = {module_family(name) for name in reading.unplugged or ()}
    return unplugged == _families(candidate.unplugged) and _same_place(candidate, reading)


def _same_place(candidate: Candidate, reading: ReadingTrait) -> bool:
    if candidate.view.place == DLC:
        return reading.place == "DLC"
    return reading.place_module in _families(candidate.unplugged)


def _families(name: str) -> set[str]:
    return {module_family(module_identity(name))} if name else set()


# --- the step that settled it -------------------------------------------------------------------------------------

_REPAIR: Final = re.compile(
    r"\b(replac|renew|repair|remade|fitted|refitted|swapped in|clean|tighten|taped|sleeve|solder|splic|crimp|coded|learn"
    r"|taught|programm|clear|advis|offer|customer|cust\b|quoted|priced|changed|put back|back on|insulat|re-?rout|new\b)",
    re.IGNORECASE,
)
"""Words of a repair or of talk about it: such a step ended the job and settled nothing (judged)."""

_HAZARDS: Final = (
    (re.compile(r"air ?bag|restraint|\bsrs\b|squib|pretension|curtain", re.IGNORECASE), RESTRAINTS),
    (re.compile(r"high.voltage|\bhv\b|traction|orange cable|inverter", re.IGNORECASE), HIGH_VOLTAGE),
    (re.compile(r"\babs\b|\besc\b|\beps\b|brak|steer", re.IGNORECASE), BRAKES_OR_STEERING),
)


def _steps_that_settled_it(
    causes: Sequence[LikelyCause], pasts: dict[str, Profile]
) -> Iterator[SettlingTest]:
    """Yield what settled it in the cases behind the causes, the likeliest first; a repair is no test."""
    for cause in causes:
        for behind in cause.cases:
            step = pasts[behind.case_id].settled_by
            if step and not _REPAIR.search(step.split(":")[0]):
                yield SettlingTest(
                    words=step,
                    source=f"from case {behind.case_id}",
                    tells=[f"this settled it there: {cause.words}"],
                    cautions=[*_hazards(f"{step} {cause.words}"), MAKER_FIRST],
                    cases=[behind.case_id],
                )


def _hazards(text: str) -> list[str]:
    return [caution for pattern, caution in _HAZARDS if pattern.search(text)]
