"""How much a record would help somebody else, and what is missing for it: points, judged, each with its reason."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from casebase.bus.explain import clash_words
from casebase.bus.words import state_words
from casebase.match.looks import SOUND, state_of
from casebase.match.meaning import Meaning, meanings_of
from casebase.record.case import Case
from casebase.record.status import missing_for_verified
from casebase.record.trouble_code import Grammar
from casebase.record.vocabulary import BusState, Kind, Stage
from casebase.record.words import FAULT_WORDS

POINTS: Final = {
    "no reading as found": 25,
    "cause without proof": 20,
    "no cause": 20,
    "nothing shows that the repair held": 15,
    "codes as text only: no code that can be read": 10,
    "no codes": 10,
    "no steps: nobody learns how it was found": 10,
    "no module is said to answer or not": 5,
    "no symptom: the customer's words stay inside": 10,
    "no network": 5,
}
"""What each lack costs of a hundred (judged)."""

CLASH_POINTS: Final = 20
"""Readings that do not go with the cause: one of the two is wrong, or the story is (judged)."""


_SOUND_STATES: Final = frozenset(BusState(state) for state in SOUND)


@dataclass(frozen=True)
class Completeness:
    """A share of a hundred points, what is missing, and what clashes."""

    points: int
    missing: list[str]
    clashes: list[str]


def completeness_of(case: Case, buses: Path | None) -> Completeness:
    """Return how complete a record is; `buses` is the folder of the simulated buses, which tell what clashes."""
    missing, clashes = missing_in(case), clashes_in(case, buses)
    points = points_without_clashes(case) - CLASH_POINTS * bool(clashes)
    return Completeness(max(0, points), missing, clashes)


def points_without_clashes(case: Case) -> int:
    """Return the most points that a record can have: those left after what it lacks."""
    return max(0, 100 - sum(POINTS[what] for what in missing_in(case)))


def missing_in(case: Case) -> list[str]:
    """Return what is missing for a record to help someone else."""
    fault_case = case.kind is Kind.FAULT_CASE
    found = (
        (not any(reading.stage is Stage.AS_FOUND for reading in case.readings), "no reading as found"),
        (fault_case and case.cause is None, "no cause"),
        (fault_case and case.cause is not None and case.cause.proof is None, "cause without proof"),
        (fault_case and _is_unverified(case), "nothing shows that the repair held"),
        (fault_case and not case.codes, "no codes"),
        (
            bool(case.codes) and all(entry.code.grammar is Grammar.MAKER for entry in case.codes),
            "codes as text only: no code that can be read",
        ),
        (fault_case and not case.steps, "no steps: nobody learns how it was found"),
        (
            fault_case and not any(module.answers for module in case.modules),
            "no module is said to answer or not",
        ),
        (fault_case and not case.symptoms, "no symptom: the customer's words stay inside"),
        (not case.networks, "no network"),
    )
    return [words for lacking, words in found if lacking]


def clashes_in(case: Case, buses: Path | None) -> list[str]:
    """Return which readings clash, with one another or with the stated cause, by the bus computation.

    An eighth of the simulated buses is asked first: what they explain, all of them would. Only what they do not is
    put to all of them, for that may take many more buses to be simulated.
    """
    return _clashes_by(case, buses, rough=True) and _clashes_by(case, buses, rough=False)


def _clashes_by(case: Case, buses: Path | None, *, rough: bool) -> list[str]:
    found = meanings_of(case, buses, most_tests=0, rough=rough)
    told = [meaning for meaning in found if meaning.diagnosis.observations]
    among_themselves = [
        words for meaning in told if meaning.diagnosis.clashes for words in clash_words(meaning.diagnosis)
    ]
    return among_themselves or _clashes_with_cause(case, told)


def _clashes_with_cause(case: Case, told: list[Meaning]) -> list[str]:
    """Return what speaks against the cause: no network it may be on has a state of it among the 90 %."""
    states = _states_of_cause(case)
    named = case.cause.network if case.cause else None
    affected = [meaning for meaning in told if named in (None, meaning.name)]
    against = [meaning for meaning in affected if not states & set(meaning.diagnosis.credible())]
    # One network suffices for a fault; where the wires are said to be sound, every network has to allow it.
    enough = len(against) if states & _SOUND_STATES else len(against) == len(affected)
    return [_clash(case, meaning) for meaning in against] if states and enough else []


def _clash(case: Case, meaning: Meaning) -> str:
    diagnosis = meaning.diagnosis
    first, share = diagnosis.ranked()[0]
    told = "; ".join(f"{reading.what()} {reading.value}" for reading in diagnosis.readings if reading.value)
    cause = f"the cause says {FAULT_WORDS[case.cause.fault]}" if case.cause else "the record says known good"
    return f"{meaning.name}: {told} mean {state_words(first)} ({share:.2f}), {cause}"


def _states_of_cause(case: Case) -> frozenset[BusState]:
    """Return the bus states that go with the stated cause; none where it may do anything to the wires."""
    if case.kind is Kind.KNOWN_GOOD:
        return _SOUND_STATES
    state = state_of(str(case.cause.fault)) if case.cause else None
    if state in SOUND:
        return _SOUND_STATES
    return frozenset() if state is None else frozenset({BusState(state)})


def _is_unverified(case: Case) -> bool:
    return any("rescan" in words or "held" in words for words in missing_for_verified(case))
