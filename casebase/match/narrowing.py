"""Which cases may be compared at all: by medium, make, status, shop and day, before anything is ranked."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import date

import numpy as np
from numpy.typing import NDArray

from casebase.match.index import MEDIA, STATUSES, SUPERSEDED, Index
from casebase.record.vocabulary import Kind, Medium, Status


@dataclass(frozen=True)
class Narrowing:
    """What a past case must be; None leaves an aspect open. Makes and shops are compared without regard to capitals."""

    medium: Medium | None = None
    make: str | None = None
    status: Status | None = None
    shop: str | None = None
    since: date | None = None
    until: date | None = None

    @property
    def given(self) -> dict[str, str]:
        """What was asked for, in words."""
        told = {each.name: getattr(self, each.name) for each in fields(self)}
        return {name: str(value) for name, value in told.items() if value is not None}


EVERY_CASE = Narrowing()


def fault_rows(index: Index, narrowing: Narrowing = EVERY_CASE) -> NDArray[np.bool_]:
    """Return which rows are ended fault cases that the narrowing allows."""
    statuses = index.statuses
    open_jobs, known_good = STATUSES.index(str(Status.OPEN)), STATUSES.index(str(Kind.KNOWN_GOOD))
    ended = (statuses != open_jobs) & (statuses != known_good) & (statuses != SUPERSEDED)
    if narrowing.status is not None:
        ended &= statuses == STATUSES.index(str(narrowing.status))
    return np.asarray(ended & _narrowed(index, narrowing))


def known_good_rows(index: Index, narrowing: Narrowing = EVERY_CASE) -> NDArray[np.bool_]:
    """Return which rows are readings of healthy vehicles that the narrowing allows, whatever status it asks for."""
    healthy = index.statuses == STATUSES.index(str(Kind.KNOWN_GOOD))
    return np.asarray(healthy & _narrowed(index, narrowing))


def _narrowed(index: Index, narrowing: Narrowing) -> NDArray[np.bool_]:
    kept = np.ones(len(index), dtype=bool)
    if narrowing.medium is not None:
        kept &= (index.arrays["media"] >> MEDIA.index(str(narrowing.medium))) & 1 == 1
    if narrowing.make is not None:
        kept &= _of_make(index, narrowing.make)
    if narrowing.shop is not None:
        wanted = [shop.casefold() == narrowing.shop.casefold() for shop in index.atoms["shops"]]
        kept &= np.array(wanted, dtype=bool)[index.arrays["shops"]]
    if narrowing.since is not None:
        kept &= index.arrays["days"] >= narrowing.since.toordinal()
    if narrowing.until is not None:
        days = index.arrays["days"]
        kept &= (days <= narrowing.until.toordinal()) & (days >= 0)
    return kept


def _of_make(index: Index, make: str) -> NDArray[np.bool_]:
    of_vehicle = np.array(
        [atom[0].casefold() == make.casefold() for atom in index.atoms["vehicle"]], dtype=bool
    )
    table = index.table("vehicle")
    of_set = table.best(of_vehicle[table.flat].astype(np.float64)) > 0
    return np.asarray(of_set[index.arrays["vehicle.rows"]])
