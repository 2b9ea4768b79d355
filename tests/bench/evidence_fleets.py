"""Three simulated fleets, each with a library and jobs of several kinds, and what casebase answers to each job.

Fleet 0 is to tune on, 1 to watch, 2 to be asked once, at the end. A job is asked twice: with the whole library, and
with its twins taken out of it.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Final
from unittest.mock import patch

sys.path.insert(0, str(Path(__file__).parent))

from matching_cases import Library, library_of_cases
from synthetic_jobs import HeldOut, parts_missing
from synthetic_records import BOTH, FAULT, LOCAL, NORMAL
from synthetic_world import held_out_jobs, synthetic_library

from casebase import places
from casebase.match.answer import working_out
from casebase.match.answer.answer import Answer
from casebase.match.answer.glance import local_faults_beside
from casebase.match.index.collection import Collection
from casebase.match.index.match_index import SUPERSEDED
from casebase.match.meaning import Meaning, meanings_of
from casebase.match.text.embedder import open_embedder
from casebase.record.case import Case
from casebase.record.modules import family_of

FIRST_FLEET: Final = 10
LIBRARY_SEED, JOB_SEED = 20, 30
RECORDS: Final = 1200
JOBS: Final = {FAULT: 300, NORMAL: 60, LOCAL: 100, BOTH: 30}
LISTED: Final = 50
"""Cases asked for: as many as speak for causes."""


@dataclass(frozen=True)
class SaidCause:
    """A cause that was listed: fault, family of the module it goes with, probability."""

    fault: str
    family: str | None
    probability: float


@dataclass(frozen=True)
class Said:
    """What casebase said to one job: cases with their scores, causes with the remainder apart, and the rest of it.

    `beside` holds the families of modules with a fault of their own, as it is told under the causes.
    """

    cases: tuple[tuple[str, float], ...]
    causes: tuple[SaidCause, ...]
    rest: float
    looks_normal: bool
    set_apart: frozenset[str]
    beside: frozenset[str]


@dataclass(frozen=True)
class Told:
    """One job with the truth, and what was said to it with every case there and without its twins."""

    one: HeldOut
    kind: str
    whole: Said
    without_twins: Said

    @property
    def fault(self) -> str:
        """What was at fault."""
        return str(self.one.truth.cause.fault) if self.one.truth.cause else ""

    @property
    def family(self) -> str | None:
        """The family of the module that the fault went with."""
        return family_of(self.one.truth.cause.module) if self.one.truth.cause else None


@dataclass(frozen=True)
class Fleet:
    """One fleet: a library of `records`, and `share` of the usual number of jobs, `lacking` one of `PARTS`."""

    number: int
    records: int = RECORDS
    share: float = 1.0
    lacking: str | None = None

    @cached_property
    def library(self) -> Library:
        """The library, filled in."""
        seed, fleet = LIBRARY_SEED + self.number, FIRST_FLEET + self.number
        return library_of_cases(
            synthetic_library(self.records, seed, fleet=fleet), f"{self.records} {seed} {fleet}"
        )

    @cached_property
    def jobs(self) -> list[tuple[str, HeldOut]]:
        """The jobs with their kinds."""
        fleet, seed = FIRST_FLEET + self.number, JOB_SEED + self.number
        cases = self.library.cases
        return [
            (kind, replace(one, job=parts_missing(one.job, self.lacking)) if self.lacking else one)
            for kind, count in JOBS.items()
            for one in held_out_jobs(int(count * self.share), seed, library=cases, fleet=fleet, kind=kind)
        ]

    def told(self) -> list[Told]:
        """Return what casebase says to every job."""
        embedder = open_embedder(places.text_model_folder())
        return [
            Told(one, kind, *_said_twice(one, self.library.collection, embedder)) for kind, one in self.jobs
        ]


def _said_twice(one: HeldOut, whole: Collection, embedder: Any) -> tuple[Said, Said]:
    with _only_what_is_scored():
        said = _said(one.job, whole, embedder)
        return said, _said(one.job, _without(whole, one.twins), embedder) if one.twins else said


def _said(job: Case, collection: Collection, embedder: Any) -> Said:
    return _as_said(working_out.answer_to(job, collection, LISTED, places.simulation_folder(), embedder))


def _as_said(answer: Answer) -> Said:
    listed = [cause for cause in answer.causes if not cause.is_something_else]
    return Said(
        cases=tuple((case.match.profile.case_id, case.match.score) for case in answer.similar),
        causes=tuple(SaidCause(cause.fault, family_of(cause.module), cause.probability) for cause in listed),
        rest=1.0 - sum(cause.probability for cause in listed),
        looks_normal=answer.looks_normal,
        set_apart=frozenset(code.code for code in answer.set_apart),
        beside=frozenset(one.family for one in local_faults_beside(answer)),
    )


def _without(collection: Collection, case_ids: tuple[str, ...]) -> Collection:
    """Return the collection as it would be had these cases been withdrawn."""
    index = collection.index
    statuses = index.arrays["statuses"].copy()
    for case_id in case_ids:
        statuses[collection.rows_of_case(case_id)] = SUPERSEDED
    return replace(collection, index=replace(index, arrays={**index.arrays, "statuses": statuses}))


@contextmanager
def _only_what_is_scored() -> Iterator[None]:
    """Work the meaning of one job's readings out once for both libraries, and no next tests: they are not scored."""
    kept: dict[bool, list[Meaning]] = {}

    def once(case: Case, *how: Any, rough: bool = False, **more: Any) -> list[Meaning]:
        if rough not in kept:
            kept[rough] = meanings_of(case, *how, rough=rough, **more)
        return kept[rough]

    no_tests: Callable[..., list[Any]] = lambda *_, **__: []  # noqa: E731
    with (
        patch.object(working_out, "meanings_of", once),
        patch.object(working_out, "deciding_tests", no_tests),
    ):
        yield
