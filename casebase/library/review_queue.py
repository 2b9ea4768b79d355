"""The queue of the shop lead: records not read yet, how complete each one is, and which case it may repeat.

Completeness says how much a record would help somebody else: points, judged, and what is missing or clashes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from heapq import heapify, heappop, heappush
from itertools import islice
from pathlib import Path
from typing import Any, Final

from casebase.bus.diagnose import Diagnosis
from casebase.bus.explain import clash_words, state_words
from casebase.library.derived import StoredRecord
from casebase.library.matching import Means
from casebase.library.near_duplicates import same_job
from casebase.library.records import earlier_record
from casebase.library.reviews import Said, Standing, said_of, standings
from casebase.library.store import Library
from casebase.match.facets.base import Match
from casebase.match.facets.network import SOUND, state_of
from casebase.match.index.search import nearest_of_its_kind
from casebase.match.meaning import Meaning, meanings_of
from casebase.record.case import Case, missing_for_verified, status_of
from casebase.record.edits import Difference, differences
from casebase.record.trouble_code import Grammar
from casebase.record.vocabulary import BusState, Kind, Stage, Status
from casebase.record.words import FAULT_WORDS, title_of

POINTS: Final = {
    "no reading as found": 25,
    "cause without proof": 20,
    "no cause": 20,
    "nothing shows that the repair held": 15,
    "codes as text only: no code that can be read": 10,
    "no codes": 10,
    "no steps: a reader does not learn how it was found": 10,
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
    unverified = any("rescan" in words or "held" in words for words in missing_for_verified(case))
    found = (
        (not any(reading.stage is Stage.AS_FOUND for reading in case.readings), "no reading as found"),
        (fault_case and case.cause is None, "no cause"),
        (fault_case and case.cause is not None and case.cause.proof is None, "cause without proof"),
        (fault_case and unverified, "nothing shows that the repair held"),
        (fault_case and not case.codes, "no codes"),
        (
            bool(case.codes) and all(entry.code.grammar is Grammar.MAKER for entry in case.codes),
            "codes as text only: no code that can be read",
        ),
        (
            fault_case and not (case.steps or case.trials),
            "no steps: a reader does not learn how it was found",
        ),
        (
            fault_case and not any(module.answers for module in case.modules),
            "no module is said to answer or not",
        ),
        (fault_case and not case.symptoms, "no symptom: the customer's words stay inside"),
        (not case.networks, "no network"),
    )
    return [words for is_missing, words in found if is_missing]


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
    against = [meaning for meaning in affected if _contradicts(meaning.diagnosis, states)]
    # One network suffices for a fault; where the wires are said to be sound, every network has to allow it.
    enough = len(against) if states & _SOUND_STATES else len(against) == len(affected)
    return [_clash(case, meaning) for meaning in against] if states and enough else []


LIKELIER_FROM, UNLIKELY_BELOW = 0.7, 0.1
"""Probability of another state, and of those of a cause, at which readings speak against it (judged)."""


def _contradicts(diagnosis: Diagnosis, states: frozenset[BusState]) -> bool:
    """Return whether readings speak against all `states`: none is among the 90 %, or another is far likelier."""
    if not states & set(diagnosis.credible()):
        return True
    first, share = diagnosis.ranked()[0]
    own = sum(diagnosis.probability(state) for state in states if state in diagnosis.bank.states)
    return first not in states and share >= LIKELIER_FROM and own < UNLIKELY_BELOW


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


NEAREST: Final = 3


@dataclass(frozen=True)
class Waiting:
    """A record that waits, where it stands, and how complete it is."""

    kept: StoredRecord
    standing: Standing
    complete: Completeness


@dataclass(frozen=True)
class Reviewed:
    """One record under review, with every word said of it and the nearest cases, some of them perhaps the same job.

    `since` is what differs from the revision that an edition holds, where that is an earlier one.
    """

    waiting: Waiting
    history: list[dict[str, Any]]
    nearest: list[tuple[Match, str | None]]
    since: list[Difference]

    def data(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            **waiting_data([self.waiting])[0],
            "history": self.history,
            "nearest": [
                {"case_id": match.profile.case_id, "score": round(match.score, 4), "maybe_same_job": same}
                for match, same in self.nearest
            ],
            "differences": [asdict(one) for one in self.since],
        }


def waiting(library: Library, buses: Path, most: int | None = None) -> tuple[list[Waiting], int]:
    """Return the records that wait, the most complete first, of these the newest, and how many wait in all.

    Open jobs have not ended yet and do not wait. With `most`, only so many of the first are judged and returned: what
    a record lacks is known at once, whether its readings clash takes a computation, and clashes only cost points.
    """
    there = library.records()
    with library.reading() as db:
        found = standings(db, there)
    waits = [
        kept
        for kept in there
        if found[kept.case_id].said is Said.WAITS and status_of(kept.case) is not Status.OPEN
    ]
    waits.sort(key=lambda kept: str(kept.case.provenance.ended or ""), reverse=True)
    judged = islice(_most_complete_first([kept.case for kept in waits], buses), most)
    return [Waiting(waits[at], found[waits[at].case_id], complete) for at, complete in judged], len(waits)


def _most_complete_first(cases: list[Case], buses: Path) -> Iterator[tuple[int, Completeness]]:
    """Yield places in the list with their completeness; of equally complete ones the first comes first."""
    queue: list[tuple[int, int, Completeness | None]] = [
        (-points_without_clashes(case), at, None) for at, case in enumerate(cases)
    ]
    heapify(queue)
    while queue:
        _, at, complete = heappop(queue)
        if complete is None:
            complete = completeness_of(cases[at], buses)
            heappush(queue, (-complete.points, at, complete))
        else:
            yield at, complete


def reviewed(library: Library, kept: StoredRecord, means: Means) -> Reviewed:
    """Return one record with what its review needs."""
    with library.reading() as db:
        standing = standings(db, [kept])[kept.case_id]
        agreed = earlier_record(db, kept.case_id, standing.agreed) if standing.agreed else None
    collection = library.collection(means)
    profiles = collection.profiles(collection.rows_of_case(kept.case_id)[-1:])
    near = nearest_of_its_kind(profiles[0], collection, NEAREST) if profiles else []
    same = [same_job(kept.case, library.get(match.profile.case_id).case, match.score) for match in near]
    found = Waiting(kept, standing, completeness_of(kept.case, means.buses))
    since = differences(agreed.case, kept.case) if agreed else []
    return Reviewed(found, said_of(library, kept.case_id), list(zip(near, same, strict=True)), since)


def waiting_data(found: Sequence[Waiting]) -> list[dict[str, Any]]:
    """Return what waits as plain data."""
    return [
        {
            "case_id": one.kept.case_id,
            "revision": one.kept.revision,
            "title": title_of(one.kept.case),
            "said": str(one.standing.said),
            "by": one.standing.by,
            "at": one.standing.at,
            "remark": one.standing.remark,
            "revised_since": one.standing.revised_since,
            "agreed": one.standing.agreed,
            "points": one.complete.points,
            "missing": one.complete.missing,
            "clashes": one.complete.clashes,
        }
        for one in found
    ]
