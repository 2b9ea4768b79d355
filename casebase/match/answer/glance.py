"""What is said first of an answer: verdict, one test, three causes, who is silent, the nearest cases, is it normal.

Phone, terminal and paper show this in this order; everything else of the answer stands behind it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from casebase.bus.explain import named_state, reading_words
from casebase.bus.feed import feed_words
from casebase.bus.next_test import BATTERY_OFF, OHMS_CAUTION
from casebase.bus.posterior import OUTSIDE_FROM
from casebase.match.answer.answer import (
    Answer,
    DecidingTest,
    HealthyVehicle,
    LikelyCause,
    SimilarCase,
    something_else,
)
from casebase.match.answer.evidence import WITHIN_A_SERVED, FeedFit, TrialFit
from casebase.match.answer.words import LARGE_REMAINDER, chance_word, no_test_words
from casebase.match.facets.network import SOUND, state_of
from casebase.match.profile import Profile
from casebase.record.case import Case
from casebase.record.cautions import HIGH_VOLTAGE, RESTRAINTS
from casebase.record.local_fault import LocalFault, beside_words
from casebase.record.modules import family_of, module_short
from casebase.record.reading import PLACE_NOT_NAMED, Reading
from casebase.record.stored_codes import blame_words
from casebase.record.vocabulary import BusState, Fault, Quantity, YesNo
from casebase.record.words import FAULT_WORDS, proved

CAUSES_SHOWN: Final = 3
CASES_SHOWN: Final = 3
MOST_BLAMED: Final = 3
MOST_OUTCOMES: Final = 3

NAMED_FROM: Final = 0.7
"""Share of a fault's probability from which the module it goes with is named in the verdict (judged)."""

SPEAKS_FOR, SPEAKS_AGAINST = 1.5, 0.67
"""How far a feed or a trial must raise or lower a cause to be told (judged)."""

MOST_FOR, MOST_AGAINST = 2, 2
NOTHING_YET: Final = "nothing yet"

_SURE_WORDS: Final = ((0.9, "Very likely:"), (0.7, "Likely:"), (0.4, "Perhaps, at about even chances:"))
"""The lowest probability of each way to begin a verdict (judged); below, nothing is decided."""


@dataclass(frozen=True, slots=True)
class CauseInShort:
    """A likely cause with its chance in a word, and what speaks for it and against it, a line each."""

    words: str
    probability: float
    chance: str
    speaks_for: str
    speaks_against: str


@dataclass(frozen=True, slots=True)
class CaseInShort:
    """A near case in a line: the vehicle, what it was, how that was proved in the case's own words."""

    case_id: str
    vehicle: str
    was: str
    proof: str


@dataclass(frozen=True, slots=True)
class Glance:
    """What is said first. `next_test` is None where no test would tell more; `no_test` says so then.

    `outcomes` is what each outcome of it means, or else what it tells; `cautions` are what can hurt on this job and by
    this test. `something_else` is the probability of a cause that is not listed, its chance in a word beside it.
    `beside` names circuits at fault beside whatever explains the rest.
    """

    verdict: str
    next_test: DecidingTest | None
    outcomes: list[str]
    cautions: list[str]
    no_test: str | None
    causes: list[CauseInShort]
    something_else: float
    something_else_chance: str
    beside: list[str]
    silent: list[str]
    blames: list[str]
    nearest: list[CaseInShort]
    normal: str


def glance_at(answer: Answer) -> Glance:
    """Return what is said first of an answer, in the order in which it is shown."""
    named = [cause for cause in answer.causes if not cause.is_something_else]
    rest = something_else(answer.causes)
    return Glance(
        verdict=verdict_on(answer),
        next_test=answer.tests[0] if answer.tests else None,
        outcomes=_outcomes(answer.tests[0]) if answer.tests else [],
        cautions=_cautions(answer),
        no_test=None if answer.tests else no_test_words(answer.causes),
        causes=[_in_short(cause, answer) for cause in named[:CAUSES_SHOWN]],
        something_else=rest,
        something_else_chance=chance_word(rest),
        beside=[beside_words(one) for one in local_faults_beside(answer)],
        silent=answer.job.silent_modules(),
        blames=[blame_words(blame) for blame in answer.blames[:MOST_BLAMED]],
        nearest=[case_in_short(case) for case in answer.similar[:CASES_SHOWN]],
        normal=_normal(answer),
    )


MOST_BESIDE: Final = 2


def local_faults_beside(answer: Answer) -> list[LocalFault]:
    """Return circuits with codes of their own that no cause shown names: there may be a second fault."""
    named = {
        family_of(cause.module)
        for cause in answer.causes[:CAUSES_SHOWN]
        if cause.fault in _OF_ONE_CIRCUIT and cause.module
    }
    return [one for one in answer.local_faults if one.family not in named and not one.comes_first][
        :MOST_BESIDE
    ]


def _outcomes(test: DecidingTest) -> list[str]:
    return test.outcomes[:MOST_OUTCOMES] or [f"it shows: {words}" for words in test.tells[:MOST_OUTCOMES]]


SAID_TWICE: Final = (BATTERY_OFF, OHMS_CAUTION)
"""What a test needs, and the caution that says the same."""


def _cautions(answer: Answer) -> list[str]:
    """Return what to mind with the first test: high voltage and airbags on this job, then what belongs to the test."""
    dangers = [caution for caution in answer.cautions if caution in {HIGH_VOLTAGE, RESTRAINTS}]
    first = answer.tests[:1]
    own = [caution for test in first for caution in test.cautions if (test.needs, caution) != SAID_TWICE]
    return list(dict.fromkeys([*dangers, *own]))


# --- verdict ------------------------------------------------------------------------------------------------------


def verdict_on(answer: Answer) -> str:
    """Return what the job most likely is, in one sentence with how sure that is; unsure where nothing stands out."""
    probable = _by_fault(answer.causes)
    first = max(probable, key=lambda fault: probable[fault], default=None)
    local = next((one for one in answer.local_faults if one.comes_first), None)
    if _says_nothing(answer.job):
        return "Too little is given to name a cause; begin with the test below."
    if answer.looks_normal:
        return _said_of_normal(answer, first)
    if local and first in _OF_ONE_CIRCUIT:
        return _said_of_local(local, sum(probable.get(fault, 0.0) for fault in _OF_ONE_CIRCUIT))
    before = _said_of_readings(answer)
    if first is None:
        # What is said before causes leads on to them: with none it ends where it stands.
        return (
            f"{before.partition('; ')[0]}."
            if before
            else "Nothing stands out yet: no past case is like it, and no reading names a fault of the wires."
        )
    said = _said_of_causes(answer.causes, first, probable[first])
    if before:
        return f"{before}, {said[:1].lower()}{said[1:]}"
    return f"{said[:-1]}; the lines read as in a healthy vehicle." if answer.reads_normal else said


def _says_nothing(job: Case) -> bool:
    """Return whether a job holds no finding at all, only words."""
    return not (
        job.readings or job.codes or job.lamps or job.trials or job.silent_modules() or job.others_answer
    )


_OF_ONE_CIRCUIT: Final = (str(Fault.SENSOR_OR_ACTUATOR), str(Fault.MODULE_SUPPLY_OR_GROUND))


def _by_fault(causes: Sequence[LikelyCause]) -> dict[str, float]:
    """Return the probability of each fault, wherever it lies."""
    found: dict[str, float] = defaultdict(float)
    for cause in causes:
        if not cause.is_something_else:
            found[cause.fault] += cause.probability
    return found


def _said_of_normal(answer: Answer, first: str | None) -> str:
    healthy = "every reading agrees with a healthy vehicle of this build, and no module is silent"
    if first in (None, str(Fault.NONE)):
        share = _by_fault(answer.causes).get(str(Fault.NONE), 0.0)
        return f"{_sure(share) or 'Perhaps:'} nothing is wrong here; {healthy}."
    return (
        f"It looks normal here: {healthy}; if anything is wrong, first think of {_fault_words(first or '')}."
    )


def _said_of_local(local: LocalFault, probability: float) -> str:
    begun = _sure(probability) or "Not decided, but first to prove:"
    leaves = "" if local.share_explained == 1.0 else " most of"
    return (
        f"{begun} one local fault and not the network: {local.what} ({local.code} in {local.module}) explains{leaves}"
        " what is seen."
    )


def _said_of_readings(answer: Answer) -> str:
    """Return what stands before any cause: readings that clash, or that fit nothing simulated."""
    for meaning in answer.meanings:
        diagnosis = meaning.diagnosis
        if diagnosis.clashes:
            if diagnosis.is_one_reading_alone:
                return "Hardly any bus reads so, so take that reading again first; if it repeats"
            return "Some readings do not fit together, so take these again first; if the rest holds"
        if diagnosis.observations and diagnosis.outside >= OUTSIDE_FROM:
            nearest = named_state(diagnosis, diagnosis.ranked()[0][0])
            return f"The readings fit no single fault well (nearest: {nearest}), so think of two at once"
    return ""


def _said_of_causes(causes: Sequence[LikelyCause], fault: str, probability: float) -> str:
    of_fault = [cause for cause in causes if cause.fault == fault]
    begun = _sure(probability)
    if begun:
        return f"{begun} {_fault_words(fault)}{_module_words(of_fault, probability)}."
    if something_else(causes) >= LARGE_REMAINDER:
        return f"Not decided: perhaps {_fault_words(fault)}, more likely something that no past case had."
    named = dict.fromkeys(_fault_words(cause.fault) for cause in causes if not cause.is_something_else)
    return f"Not decided: {', or '.join(list(named)[:CAUSES_SHOWN])}; the next test tells most."


def _sure(probability: float) -> str:
    return next((words for lowest, words in _SURE_WORDS if probability >= lowest), "")


def _fault_words(fault: str) -> str:
    return next((words for known, words in FAULT_WORDS.items() if known == fault), fault)


def _module_words(of_fault: Sequence[LikelyCause], probability: float) -> str:
    """Return the module that the fault goes with, or those it may go with."""
    first = of_fault[0]
    if first.module and first.probability >= NAMED_FROM * probability:
        return f" ({_short(first.module)})"
    modules = [_short(cause.module) for cause in of_fault if cause.module]
    return f"; where is not known yet, perhaps at {' or '.join(modules[:2])}" if modules else ""


def _short(module: str) -> str:
    return module_short(family_of(module))


# --- causes -------------------------------------------------------------------------------------------------------


def _in_short(cause: LikelyCause, answer: Answer) -> CauseInShort:
    against = list(_speaks_against(cause, answer))
    return CauseInShort(
        words=cause.words,
        probability=cause.probability,
        chance=chance_word(cause.probability),
        speaks_for="; ".join(list(_speaks_for(cause, answer))[:MOST_FOR]) or NOTHING_YET,
        speaks_against="; ".join(against[:MOST_AGAINST]) or NOTHING_YET,
    )


def _speaks_for(cause: LikelyCause, answer: Answer) -> Iterator[str]:
    family = family_of(cause.module)
    for local in answer.local_faults:
        if family == local.family and cause.fault in _OF_ONE_CIRCUIT:
            yield f"{local.code} stored in {local.module}"
    if family and any(family_of(name) == family for name in answer.job.silent_modules()):
        is_served = family in answer.served and cause.fault in WITHIN_A_SERVED
        yield f"{_short(family)} {'is fed, yet silent' if is_served else 'is silent'}"
    yield from _others_that_speak(cause, answer, favouring=True)
    yield from _readings_that_speak(cause, answer, favouring=True)
    yield from _feeds_and_trials(cause, answer, favouring=True)
    vehicles = {case.match.profile.case_id: _vehicle(case.match.profile) for case in answer.similar}
    near = next((vehicles[behind.case_id] for behind in cause.cases if behind.case_id in vehicles), None)
    if cause.cases:
        yield f"{near} had it" if near else "a past case like it had it"


SPEAKS_AGAINST_BELOW: Final = 0.4
SPEAKS_FOR_FROM: Final = 0.8


def _others_that_speak(cause: LikelyCause, answer: Answer, *, favouring: bool) -> Iterator[str]:
    """Yield who answers, where all others or none do and that speaks for, or against, the bus state of a cause."""
    state = state_of(cause.fault)
    if state is None or answer.others is None or answer.job.others_answer is None:
        return
    nobody, likely = answer.others.others is YesNo.NO, answer.others.likelihood(BusState(state))
    if likely < SPEAKS_AGAINST_BELOW and not favouring:
        yield "nobody answers" if nobody else "others answer"
    if nobody and likely >= SPEAKS_FOR_FROM and favouring:
        yield "nobody answers"


def _speaks_against(cause: LikelyCause, answer: Answer) -> Iterator[str]:
    yield from _readings_that_speak(cause, answer, favouring=False)
    yield from _feeds_and_trials(cause, answer, favouring=False)
    yield from _others_that_speak(cause, answer, favouring=False)
    if not cause.cases:
        yield "no past case like this had it"


def _readings_that_speak(cause: LikelyCause, answer: Answer, *, favouring: bool) -> Iterator[str]:
    """Yield the readings that speak for, or against, the bus state that goes with a cause."""
    state = state_of(cause.fault)
    wanted = set(SOUND) if state in SOUND else {state}
    for meaning in answer.meanings if state else ():
        diagnosis = meaning.diagnosis
        for one in diagnosis.evidence:
            held = {str(each) for each in (one.favours if favouring else one.against)}
            if held and (held & wanted if favouring else wanted <= held):
                yield _reading(diagnosis.readings[one.reading])


def _reading(reading: Reading) -> str:
    words = "what the scope shows" if reading.value is None else reading_words(reading)
    shown = words.replace(" at DLC", "").replace(f" at {PLACE_NOT_NAMED}", "")
    return shown.replace(" to ground", "") if reading.quantity is Quantity.VOLTAGE else shown


def _feeds_and_trials(cause: LikelyCause, answer: Answer, *, favouring: bool) -> Iterator[str]:
    key = (cause.fault, family_of(cause.module))
    told = [(feed_words(feed), FeedFit([feed]).likelihood(*key)) for feed in answer.feeds]
    told += [(trial.line(), TrialFit([trial]).likelihood(*key)) for trial in answer.job.trials]
    for words, likelihood in told:
        if likelihood >= SPEAKS_FOR if favouring else likelihood <= SPEAKS_AGAINST:
            yield words


# --- cases --------------------------------------------------------------------------------------------------------


def case_in_short(case: SimilarCase) -> CaseInShort:
    """Return a near case in a line."""
    past = case.match.profile
    return CaseInShort(
        past.case_id, _vehicle(past), past.cause or past.title, proved(past.status, past.proof)
    )


def _vehicle(past: Profile) -> str:
    return " ".join(str(part) for part in (past.make, past.model, past.model_year) if part)


# --- normal here? -------------------------------------------------------------------------------------------------


def _normal(answer: Answer) -> str:
    """Return in a line whether it is normal here, by the nearest healthy vehicle with a reading like these."""
    shown = next((vehicle for vehicle in answer.healthy if vehicle.readings), None)
    if shown is None:
        return "No healthy vehicle is kept with readings like these."
    return _held_against(shown, answer.reads_normal)


def _held_against(healthy: HealthyVehicle, reads_normal: bool) -> str:
    past, rows = healthy.match.profile, healthy.readings
    vehicle = f"a healthy {_vehicle(past)}"
    if reads_normal:
        return f"Yes: all readings agree with {vehicle}."
    other = next((row for row in rows if row.fits is False), None)
    if other is None:
        return f"So far: what was read is near {vehicle}, which is too little to call it normal."
    return f"No: {other.what.replace(' at DLC', '')} is {other.here} here, {other.there} on {vehicle}."
