"""How much a record would help somebody else, and what is missing for it: points, judged, each with its reason."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from casebase.bus.words import state_words
from casebase.match.looks import is_sound_cause, state_of
from casebase.match.meaning import Meaning, meanings_of
from casebase.record.case import Case
from casebase.record.status import missing_for_verified
from casebase.record.vocabulary import BusState, Kind, Quantity, Stage

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


@dataclass(frozen=True)
class Completeness:
    """A share of a hundred points, what is missing, and what clashes."""

    points: int
    missing: list[str]
    clashes: list[str]


def completeness_of(case: Case, buses: Path | None) -> Completeness:
    """Return how complete a record is; `buses` is the folder of the simulated buses, which tell what clashes."""
    missing, clashes = missing_in(case), clashes_in(case, buses)
    lost = sum(POINTS[what] for what in missing) + CLASH_POINTS * bool(clashes)
    return Completeness(max(0, 100 - lost), missing, clashes)


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
            bool(case.codes) and all(entry.code.maker_defined for entry in case.codes),
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
    """Return which readings clash, with one another or with the stated cause, by the bus computation."""
    plugged = [
        reading
        for reading in case.readings
        if reading.stage is Stage.AS_FOUND and reading.quantity is not Quantity.WAVEFORM
    ]
    meanings = meanings_of(case.model_copy(update={"readings": plugged}), buses, most_tests=0)
    return [words for meaning in meanings for words in _clashes(case, meaning)]


def _clashes(case: Case, meaning: Meaning) -> list[str]:
    from casebase.bus.explain import clash_words  # noqa: PLC0415  only where something clashes

    diagnosis = meaning.diagnosis
    if diagnosis.clashes:
        return clash_words(diagnosis)
    state = _state_of_cause(case, meaning)
    if state is None or not diagnosis.observations or state in diagnosis.credible():
        return []
    first, share = diagnosis.ranked()[0]
    told = "; ".join(reading.what() + f" {reading.value}" for reading in diagnosis.readings)
    return [
        f"{meaning.name}: {told} mean {state_words(first)} ({share:.2f}), the cause says {state_words(state)}"
        f" ({diagnosis.probability(state):.2f})"
    ]


def _state_of_cause(case: Case, meaning: Meaning) -> BusState | None:
    """Return the bus state that the stated cause is on this network; None where it may leave it as it is."""
    cause = case.cause
    if cause is None or (cause.network or meaning.name) != meaning.name:
        return None
    state = state_of(str(cause.fault))
    # A cause that leaves the wires alone, or sits on a branch, may read healthy or quiet: that is no clash.
    return None if state is None or is_sound_cause(str(cause.fault)) else BusState(state)


def _is_unverified(case: Case) -> bool:
    return any("rescan" in words or "held" in words for words in missing_for_verified(case))
