"""What waits for the shop lead: records not read yet, how complete they are, and what one of them may repeat."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from heapq import heapify, heappop, heappush
from itertools import islice
from pathlib import Path
from typing import Any, Final

from casebase.library.completeness import Completeness, completeness_of, points_without_clashes
from casebase.library.derived import Kept
from casebase.library.index_update import Means
from casebase.library.near_duplicates import same_job
from casebase.library.reviews import Said, Standing, said_of, standings
from casebase.library.store import Library
from casebase.match.nearest import nearest_of_its_kind
from casebase.match.ranking import Match
from casebase.record.case import Case
from casebase.record.status import status_of
from casebase.record.vocabulary import Status
from casebase.record.words import title_of

NEAREST: Final = 3


@dataclass(frozen=True)
class Waiting:
    """A record that waits, where it stands, and how complete it is."""

    kept: Kept
    standing: Standing
    complete: Completeness


@dataclass(frozen=True)
class Reviewed:
    """One record under review, with every word said of it and the nearest cases, some of them perhaps the same job."""

    waiting: Waiting
    history: list[dict[str, Any]]
    nearest: list[tuple[Match, str | None]]

    def data(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            **waiting_data([self.waiting])[0],
            "history": self.history,
            "nearest": [
                {"case_id": match.profile.case_id, "score": round(match.score, 4), "maybe_same_job": same}
                for match, same in self.nearest
            ],
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


def reviewed(library: Library, kept: Kept, means: Means) -> Reviewed:
    """Return one record with what its review needs."""
    with library.reading() as db:
        standing = standings(db, [kept])[kept.case_id]
    collection = library.collection(means)
    profiles = collection.profiles(collection.rows_of_case(kept.case_id)[-1:])
    near = nearest_of_its_kind(profiles[0], collection, NEAREST) if profiles else []
    same = [same_job(kept.case, library.get(match.profile.case_id).case, match.score) for match in near]
    found = Waiting(kept, standing, completeness_of(kept.case, means.buses))
    return Reviewed(found, said_of(library, kept.case_id), list(zip(near, same, strict=True)))


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
            "points": one.complete.points,
            "missing": one.complete.missing,
            "clashes": one.complete.clashes,
        }
        for one in found
    ]
