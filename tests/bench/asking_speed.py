"""One question put to libraries of growing size, beside other ways of answering it: all on one core, warm."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.util import find_spec
from itertools import islice
from pathlib import Path
from typing import Any, Final

import numpy as np
from brute_force import every_row_exactly, every_row_fused, tables_and_stories
from numpy.typing import NDArray
from scaled_library import ONLY_A_STORY, PARTS_MISSING, Base, Varied, index_of_size, jobs_of
from warm_clock import Clock, Times, markdown

from casebase.match.facets.measure import FAULTS
from casebase.match.index.collection import fault_rows
from casebase.match.index.match_index import Index
from casebase.match.index.query import AskedPart, Query
from casebase.match.index.search import Found, first_of
from casebase.match.profile import Profile

FIRST: Final = 10
CHECKED: Final = 5
"""Jobs whose first rows are compared with those of every row reckoned exactly, at each size."""

BUDGET: Final = 30.0
"""Wall seconds after which a slow contender is asked no further job."""

CBRKIT_UP_TO: Final = 100_000
CBRKIT_BUDGET: Final = 60.0
PARTS_MISSING_AT: Final = (100_000, 1_000_000)
_MEMORY: Final = Path(__file__).with_name("memory_of_asking.py")

Contender = Callable[[Query, NDArray[np.bool_], int], Found]


@dataclass
class Size:
    """What was measured at one size."""

    cases: int
    megabytes: float
    ours: Times
    query: Times
    exactly: Times
    fused: Times
    part: Times
    bare: float
    cbrkit: Times | None
    checked: int
    settled: Sequence[int]
    stories: Sequence[int]
    opening: Mapping[str, float]


@dataclass
class Asked:
    """An index with its rows that count, and a clock."""

    index: Index
    allowed: NDArray[np.bool_]
    clock: Clock

    def ours(self, job: Profile) -> Found:
        """Return the first cases, everything included that hangs on the job."""
        return first_of(Query(self.index, job, FAULTS), self.allowed, FIRST)

    def by(self, contender: Contender, jobs: Sequence[Profile]) -> Times:
        """Return how long another way takes; what it needs of the job is made in that time too."""
        return self.clock.each(
            lambda job: contender(Query(self.index, job, FAULTS), self.allowed, FIRST), jobs, BUDGET
        )

    def check(self, jobs: Sequence[Profile]) -> int:
        """Return how many jobs were answered as by reckoning every row exactly; raise where one was not."""
        for job in jobs:
            found = self.ours(job)
            wanted = every_row_exactly(Query(self.index, job, FAULTS), self.allowed, FIRST)
            if found.rows.tolist() != wanted.rows.tolist() or not np.allclose(found.scores, wanted.scores):
                raise SystemExit(f"{len(self.index)} cases: {found} is not {wanted}")
        return len(jobs)

    def looked_at(self, job: Profile) -> tuple[int, int]:
        """Return how many rows were looked at beyond the tables, and how many stories were read."""
        query, seen = Query(self.index, job, FAULTS), {"story": 0}
        query.others = [_counting(part, seen) for part in query.others]
        first_of(query, self.allowed, FIRST)
        in_passing = seen.pop("story read in passing", 0) * len(self.index)
        return max(seen.values()), seen["story"] + in_passing


def _counting(part: AskedPart, seen: dict[str, int]) -> AskedPart:
    """Return the part, counting rows; a rough look at stories reads them all."""
    roughly = getattr(part, "roughly", None)

    def of_rows(rows: NDArray[np.intp]) -> Any:
        seen[part.name] = seen.get(part.name, 0) + len(rows)
        return part.of_rows(rows)

    def rough_look(rows: NDArray[np.intp]) -> Any:
        if part.name == "story":
            seen["story read in passing"] = seen.get("story read in passing", 0) + 1
        return roughly(rows)

    return replace(part, of_rows=of_rows, **({} if roughly is None else {"roughly": rough_look}))


def asked(whole: Base, count: int, clock: Clock) -> Asked:
    """Return a library of `count` cases, opened and warm."""
    index, _ = index_of_size(whole, count)
    found = Asked(index, fault_rows(index), clock)
    for job in jobs_of(whole):
        found.ours(job)
    bare_read(index)
    return found


def measured(whole: Base, count: int, clock: Clock) -> Size:
    """Return everything measured at one size."""
    library, jobs = asked(whole, count, clock), jobs_of(whole)
    looked_at = [library.looked_at(job) for job in jobs]
    return Size(
        count,
        _bytes(library.index) / 1e6,
        ours=clock.each(library.ours, jobs),
        query=clock.each(lambda job: Query(library.index, job, FAULTS), jobs),
        exactly=library.by(every_row_exactly, jobs),
        fused=library.by(every_row_fused, jobs),
        part=library.by(tables_and_stories, jobs),
        bare=1000 * clock.seconds(lambda: bare_read(library.index)),
        cbrkit=_by_cbrkit(whole, count, jobs, clock) if count <= CBRKIT_UP_TO else None,
        checked=library.check(jobs[:: len(jobs) // CHECKED]),
        settled=[rows for rows, _ in looked_at],
        stories=[stories for _, stories in looked_at],
        opening=opening(whole, count),
    )


def bare_read(index: Index) -> int:
    """Return the sum of every byte of the index, eight at a time: nothing that reads them all is faster."""
    found = 0
    for array in (*index.arrays.values(), index.vectors):
        plain = np.ascontiguousarray(array).reshape(-1).view(np.uint8)
        whole = len(plain) // 8 * 8
        found += int(plain[:whole].view(np.int64).sum()) + int(plain[whole:].sum())
    return found


def _bytes(index: Index) -> int:
    return sum(array.nbytes for array in index.arrays.values()) + index.vectors.nbytes


def _by_cbrkit(whole: Base, count: int, jobs: Sequence[Profile], clock: Clock) -> Times | None:
    if find_spec("cbrkit") is None:
        return None
    from cbrkit_baseline import attributes_of, first_of_all  # noqa: PLC0415

    profiles = islice(Varied(whole.profiles, seed=1).profiles(), count)
    cases = {number: attributes_of(profile) for number, profile in enumerate(profiles)}
    return clock.each(lambda job: first_of_all(cases, attributes_of(job), FIRST), jobs, CBRKIT_BUDGET)


def opening(whole: Base, count: int) -> Mapping[str, float]:
    """Return seconds and megabytes of opening a library in a process of its own and asking it."""
    _, folder = index_of_size(whole, count)
    done = subprocess.run(
        [sys.executable, str(_MEMORY), str(folder)], capture_output=True, text=True, check=True
    )
    found: dict[str, float] = json.loads(done.stdout)
    return found


def parts_missing(whole: Base, count: int, clock: Clock) -> Iterator[list[object]]:
    """Yield a row for the whole jobs, and for the jobs with each part missing."""
    library = asked(whole, count, clock)
    bare = 1000 * clock.seconds(lambda: bare_read(library.index))
    for what in ("", *PARTS_MISSING):
        jobs = jobs_of(whole, what)
        times = clock.each(library.ours, jobs)
        checked = library.check(jobs[:2])
        looked_at = [library.looked_at(job) for job in jobs]
        rows = [each for each, _ in looked_at]
        stories = [each for _, each in looked_at]
        name = {"": "whole jobs", ONLY_A_STORY: "only vehicle and story"}.get(what, what)
        yield [
            f"{count:,}",
            name,
            times,
            f"{times.median / bare:.2f}",
            _counts(rows),
            _counts(stories),
            checked,
        ]


def _counts(numbers: Sequence[int]) -> str:
    return f"{int(np.median(numbers)):,} ({max(numbers):,})"


def asking_table(sizes: Sequence[Size]) -> str:
    """Return the table of contenders."""
    head = (
        "cases",
        "ours, ms",
        "of that the job's tables",
        "every case, 64 bits",
        "every case, fused, 32 bits",
        "tables and stories only",
        "cbrkit",
        "bare read",
        "ours / bare read",
        "ours / fused",
        "cbrkit / ours",
    )
    return markdown(head, map(_asking_row, sizes))


def _asking_row(size: Size) -> list[object]:
    ours, cbrkit = size.ours.median, size.cbrkit
    return [
        f"{size.cases:,}",
        size.ours,
        size.query,
        size.exactly,
        size.fused,
        size.part,
        cbrkit or "-",
        f"{size.bare:.2f} ({size.megabytes:.0f} MB)",
        f"{ours / size.bare:.2f}",
        f"{ours / size.fused.median:.3f}",
        f"{cbrkit.median / ours:.0f}" if cbrkit else "-",
    ]


def looked_at_table(sizes: Sequence[Size]) -> str:
    """Return the table of what was read and what memory it took."""
    head = (
        "cases",
        "rows looked at beyond the tables",
        "stories read",
        "answers checked, all equal",
        "opening, s",
        "first answer, ms",
        "memory of its own, MB",
        "file pages in memory, MB",
        "most at once, MB",
    )
    return markdown(
        head,
        (
            [
                f"{size.cases:,}",
                _counts(size.settled),
                _counts(size.stories),
                size.checked,
                f"{size.opening['opening']:.2f}",
                f"{1000 * size.opening['first']:.0f}",
                f"{size.opening['own']:.0f}",
                f"{size.opening['file']:.0f}",
                f"{size.opening['most']:.0f}",
            ]
            for size in sizes
        ),
    )
