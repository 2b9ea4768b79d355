"""A profile made ready to be compared: with what its readings mean, and what its story means, filled in."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Final, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from casebase.match.meaning import Meaning, host_of, meanings_of, shares_by_medium
from casebase.match.profile import Profile
from casebase.match.profile_of_case import profile_of
from casebase.record.case import Case

TOGETHER: Final = 256
"""Stories given to the embedder at once."""


Item = TypeVar("Item")


class Embeds(Protocol):
    """Whatever gives texts as vectors of length 1, shape (texts, dimensions)."""

    def vectors(self, texts: Sequence[str]) -> NDArray[np.float32]:
        """Return one vector per text."""


def profile_to_compare(job: Case, meanings: list[Meaning], embedder: Embeds | None) -> Profile:
    """Return the profile of a job, filled in."""
    plain = profile_of(job, job.id or "")
    vector = _vectors(embedder, [plain])[0] if embedder is not None else None
    return replace(plain, meaning=shares_by_medium(meanings), host=host_of(meanings), vector=vector)


def filled_profiles(
    cases: Iterable[tuple[str, Case]], buses: Path | None, embedder: Embeds | None
) -> Iterator[Profile]:
    """Yield the profile of every (ID, case), filled in; stories are given to the embedder many at a time."""
    for some in _batches(cases, TOGETHER):
        profiles = [_with_meaning(profile_of(case, case_id), case, buses) for case_id, case in some]
        if embedder is None:
            yield from profiles
            continue
        vectors = _vectors(embedder, profiles)
        yield from (replace(one, vector=vector) for one, vector in zip(profiles, vectors, strict=True))


def _vectors(embedder: Embeds, profiles: list[Profile]) -> NDArray[np.float32]:
    from casebase.match.text.shorthand import spelled_out  # noqa: PLC0415  only where stories are compared

    return embedder.vectors([spelled_out(profile.story) for profile in profiles])


def _with_meaning(profile: Profile, case: Case, buses: Path | None) -> Profile:
    """Return a past case's profile with what its readings mean as far as nothing was unplugged.

    Every unplugged module would be another bus to simulate; what unplugging told is in the cause, and in the readings
    themselves.
    """
    plugged = [reading for reading in case.readings if not reading.unplugged]
    as_found = case.model_copy(update={"readings": plugged, "trials": []})
    meanings = meanings_of(as_found, buses, most_tests=0, rough=True)
    return replace(profile, meaning=shares_by_medium(meanings), host=host_of(meanings))


def _batches(items: Iterable[Item], size: int) -> Iterator[list[Item]]:
    iterator = iter(items)
    while batch := list(islice(iterator, size)):
        yield batch
