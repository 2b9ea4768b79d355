"""Review on the screen: what waits, and one record with what is missing and what it may repeat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from casebase.library.completeness import Completeness, completeness_of
from casebase.library.derived import Kept
from casebase.library.index_update import Means
from casebase.library.reviews import Said, Standing, said_of, standings
from casebase.library.store import Library
from casebase.match.nearest import nearest_of_its_kind
from casebase.match.ranking import Match
from casebase.record.case import Case
from casebase.record.status import status_of
from casebase.record.vehicle import Vehicle
from casebase.record.vocabulary import Status
from casebase.record.words import title_of
from casebase.terminal.case_page import print_case
from casebase.terminal.page import Page

NEAREST: Final = 3
SAME_JOB_FROM: Final = 0.85
"""Likeness from which a case with the same codes may be the same job told twice (judged)."""

SAME_DISTANCE: Final = 0.01
"""Odometers within a hundredth of each other may be of one visit (judged)."""


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


def waiting(library: Library, buses: Path) -> list[Waiting]:
    """Return the records that wait, the most complete first, of these the newest; open jobs have not ended yet."""
    there = library.records()
    with library.reading() as db:
        found = standings(db, there)
    waits = [
        Waiting(kept, found[kept.case_id], completeness_of(kept.case, buses))
        for kept in there
        if found[kept.case_id].said is Said.WAITS and status_of(kept.case) is not Status.OPEN
    ]
    by_day = sorted(waits, key=lambda one: str(one.kept.case.provenance.ended or ""), reverse=True)
    return sorted(by_day, key=lambda one: -one.complete.points)


def reviewed(library: Library, kept: Kept, means: Means) -> Reviewed:
    """Return one record with what its review needs."""
    with library.reading() as db:
        standing = standings(db, [kept])[kept.case_id]
    collection = library.collection(means)
    profiles = collection.profiles(collection.rows_of_case(kept.case_id)[-1:])
    near = nearest_of_its_kind(profiles[0], collection, NEAREST) if profiles else []
    same = [_same_job(kept.case, library.get(match.profile.case_id).case, match.score) for match in near]
    found = Waiting(kept, standing, completeness_of(kept.case, means.buses))
    return Reviewed(found, said_of(library, kept.case_id), list(zip(near, same, strict=True)))


def print_waiting(found: Sequence[Waiting], page: Page) -> None:
    """Print what waits."""
    if not found:
        page.line("Nothing waits to be read.")
        return
    page.line(
        f"{len(found)} wait to be read, the most complete first. Next: casebase review {found[0].kept.case_id}"
    )
    for one in found:
        page.line(f"{one.kept.case_id}  {one.complete.points:>3} of 100  {title_of(one.kept.case)}", 0, 10)
        page.labelled("vehicle", one.kept.case.vehicle.line(), 10)
        if one.standing.revised_since:
            page.labelled("standing", one.standing.words(), 10)
        page.bullets("missing", one.complete.missing, 10)
        page.bullets("clash", one.complete.clashes, 10)


def print_reviewed(one: Reviewed, page: Page) -> None:
    """Print one record under review."""
    found = one.waiting
    print_case(found.kept, page)
    page.heading("Review")
    page.labelled("Standing", found.standing.words())
    page.labelled("Complete", f"{found.complete.points} of 100")
    page.bullets("Missing", found.complete.missing)
    page.bullets("Clash", found.complete.clashes)
    page.bullets("Said", [_word(row) for row in one.history])
    page.heading("Is it the same job told twice? Nearest cases")
    for match, same in one.nearest:
        told = f"  perhaps the same job: {same}" if same else ""
        page.line(f"{match.profile.case_id}  {match.score:.2f}  {match.profile.title}{told}", 2, 12)
    page.line(
        f"Then one of: casebase review {found.kept.case_id} --agree, --return REMARK, --merge-into ID,"
        " --withdraw REMARK, --keep-inside, with --by HANDLE"
    )


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


def _word(row: dict[str, Any]) -> str:
    parts = (
        f"revision {row['revision']}",
        row["said"],
        row["other"],
        f"by {row['by']}",
        row["at"][:10],
        row["remark"],
    )
    return ", ".join(str(part) for part in parts if part)


def _same_job(case: Case, other: Case, score: float) -> str | None:
    """Return why another case may be the same job told twice: alike, the same codes, perhaps the same vehicle."""
    if score < SAME_JOB_FROM or _codes(case) != _codes(other):
        return None
    vehicle = _same_vehicle(case.vehicle, other.vehicle)
    return f"same codes, {vehicle}" if vehicle else None


def _same_vehicle(here: Vehicle, there: Vehicle) -> str | None:
    if (here.make, here.model) != (there.make, there.model):
        return None
    if here.vin and there.vin:
        return "same VIN" if here.vin == there.vin else None
    if here.odometer is None or there.odometer is None:
        return "same model, odometer not told of both"
    first, second = here.odometer.number, there.odometer.number
    near = abs(first - second) <= SAME_DISTANCE * max(first, second)
    return "same model, near odometer" if near else None


def _codes(case: Case) -> set[str]:
    return {entry.code.base for entry in case.codes}
