"""The cases that matching is judged on, filled in: libraries, and the questions put to them.

What readings and stories mean is worked out once and kept in the folder for temporary files, by the content of the code
that hangs on it.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Final

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "match"))

from in_memory import collection_of
from synthetic_buses import kept  # puts tests/outside on the path
from synthetic_jobs import PARTS
from synthetic_world import HeldOut, held_out_jobs, parts_missing, synthetic_library

import casebase
from casebase import places
from casebase.match.evaluation.asking import as_stuck_job, comparison
from casebase.match.evaluation.questions import MOST_QUESTIONS, Comparison, chosen
from casebase.match.index.collection import Collection, fault_rows
from casebase.match.meaning import filled_profiles, meanings_of, profile_to_compare
from casebase.match.profile import Profile
from casebase.match.text.embedder import open_embedder
from casebase.record.case import Case
from casebase.record.loading import load_file

HERE: Final = Path(__file__).parent
DEMO: Final = HERE.parents[1] / "demo_cases"
JOB_SEED_AFTER_LIBRARY: Final = 1
TEXT: Final = "text"


@dataclass(frozen=True)
class Lot:
    """Which world: `count` records of `fleet`, drawn from `seed`; without `filled` nothing is simulated or embedded."""

    count: int = 3000
    seed: int = 1
    fleet: int = 1
    filled: bool = True


@dataclass(frozen=True)
class Asked:
    """One question: the job as it stood, that job filled in, and how it ended."""

    job: Case
    stuck: Profile
    truth: Profile


@dataclass(frozen=True)
class Library:
    """Past cases to compare with: whole records beside their profiles, in the same order; IDs are unique."""

    cases: Sequence[Case]
    profiles: Sequence[Profile]

    @cached_property
    def collection(self) -> Collection:
        """The library as the matcher has it."""
        told = next((one.vector for one in self.profiles if one.vector is not None), None)
        return collection_of(
            self.profiles, TEXT if told is not None else "", 0 if told is None else len(told)
        )

    @cached_property
    def rows(self) -> np.ndarray:
        """The rows of fault cases that have ended: what a job is answered with."""
        return np.flatnonzero(fault_rows(self.collection.index))

    @cached_property
    def pasts(self) -> list[Profile]:
        """The profiles of these rows."""
        return [self.profiles[row] for row in self.rows]

    @cached_property
    def past_cases(self) -> list[Case]:
        """The records of these rows."""
        return [self.cases[row] for row in self.rows]

    def compared(self, job: Profile) -> Comparison:
        """Return how a job compares with these rows, facet by facet."""
        return comparison(self.collection.index, self.rows, job)


def library_of(lot: Lot) -> Library:
    """Return a synthetic library."""
    return library_of_cases(
        synthetic_library(lot.count, lot.seed, fleet=lot.fleet, readings=lot.filled), repr(lot), lot.filled
    )


def library_of_cases(cases: Sequence[Case], key: str, filled: bool = True) -> Library:
    """Return records as a library; `key` tells them from others."""
    named = [(str(case.id), case) for case in cases]
    return Library(cases, _kept("matching-library", key, lambda: _filled(named, filled)))


def as_asked(one: HeldOut) -> Asked:
    """Return a stuck job as the rivals of the matcher take it: with neither its readings' meaning nor its story's."""
    return Asked(one.job, _plain(one.job), _plain(one.truth))


def held_out(lot: Lot, library: Library, count: int = 300) -> list[Asked]:
    """Return `count` jobs of the same fleet, drawn apart from the library."""
    return [_asked(one, stuck) for one, stuck in zip(*_jobs(lot, library, count), strict=True)]


def held_out_lacking(lot: Lot, library: Library, count: int = 300) -> dict[str, list[Asked]]:
    """Return the same jobs with parts missing, by what is missing."""
    jobs, _ = _jobs(lot, library, count)
    lacking = {what: [parts_missing(one.job, what) for one in jobs] for what in PARTS}
    stuck = {
        what: _kept("matching-jobs", f"{lot} {count} {what}", lambda some=some: _stuck(some, lot.filled))
        for what, some in lacking.items()
    }
    return {
        what: [
            replace(_asked(one, profile), job=job)
            for one, job, profile in zip(jobs, lacking[what], stuck[what], strict=True)
        ]
        for what in PARTS
    }


def left_out(lot: Lot, library: Library, most: int = 2 * MOST_QUESTIONS) -> list[Asked]:
    """Return the library's own solved cases, each as it stood while it was stuck."""
    return _own_cases(library, f"{lot} {most}", most, lot.filled)


def demo_library() -> Library:
    """Return the demo records, numbered."""
    found = (load_file(path)[0] for path in sorted(DEMO.glob("*.yaml")))
    cases = [case.model_copy(update={"id": f"case{number:06d}"}) for number, case in enumerate(found)]
    return library_of_cases(cases, repr(cases))


def demo_left_out(library: Library) -> list[Asked]:
    """Return the solved demo records, each as it stood while it was stuck."""
    return _own_cases(library, repr(library.cases), len(library.cases), filled=True)


def _jobs(lot: Lot, library: Library, count: int) -> tuple[list[HeldOut], list[Profile]]:
    seed = lot.seed + JOB_SEED_AFTER_LIBRARY
    jobs = held_out_jobs(count, seed, library=library.cases, fleet=lot.fleet, readings=lot.filled)
    made = _kept("matching-jobs", f"{lot} {count}", lambda: _stuck([one.job for one in jobs], lot.filled))
    return jobs, made


def _asked(one: HeldOut, stuck: Profile) -> Asked:
    return Asked(one.job, stuck, _plain(one.truth))


def _own_cases(library: Library, key: str, most: int, filled: bool) -> list[Asked]:
    by_id = {str(case.id): case for case in library.cases}
    solved = chosen(library.pasts, most)
    jobs = [as_stuck_job(by_id[truth.case_id]) for truth in solved]
    stuck = _kept("matching-left-out", key, lambda: _stuck(jobs, filled, rough=True))
    return [Asked(job, profile, truth) for job, profile, truth in zip(jobs, stuck, solved, strict=True)]


def _plain(case: Case) -> Profile:
    return next(filled_profiles([(str(case.id), case.model_copy(update={"readings": []}))], None, None))


def _filled(named: Sequence[tuple[str, Case]], filled: bool) -> list[Profile]:
    embedder = open_embedder(places.text_model_folder()) if filled else None
    return list(filled_profiles(named, places.simulation_folder(), embedder))


def _stuck(jobs: Sequence[Case], filled: bool, rough: bool = False) -> list[Profile]:
    """Return jobs filled in; `rough` as `casebase evaluate` does it for many, else as `casebase similar` for one."""
    embedder = open_embedder(places.text_model_folder()) if filled else None
    buses = places.simulation_folder()
    told = ((job, meanings_of(job, buses, most_tests=0, rough=rough) if filled else []) for job in jobs)
    return [profile_to_compare(job, meanings, embedder) for job, meanings in told]


def _kept(name: str, key: str, make):
    return kept(name, _sources(), key, make)


def _sources() -> list[Path]:
    """Return every file on which a filled profile hangs."""
    package = Path(casebase.__file__ or "").parent
    read = [
        *HERE.glob("synthetic_*.py"),
        Path(__file__),
        *(package / "record").rglob("*"),
        *(package / "bus").rglob("*"),
        *(package / "match").glob("*"),
        *(package / "match" / "text").rglob("*"),
    ]
    return sorted(path for path in read if path.suffix in {".py", ".json", ".csv"})
