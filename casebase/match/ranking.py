"""Ranking past cases by likeness to a job, exactly, over all of them, with the reasons.

The score is the weighted mean of the facets that could be compared, tempered by how much of what the job tells the
past case tells too. What the job itself leaves unknown counts against nobody.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from casebase.match.facet import Compare, Compared
from casebase.match.profile import Profile, is_known_good
from casebase.match.rarity import Rarity, rarity_in
from casebase.match.weights import FACETS, WEIGHTS
from casebase.record.vocabulary import Status

EQUAL_WITHIN: Final = 0.01
"""Scores closer than this are equal, and the verified case comes first."""


@dataclass(frozen=True, slots=True)
class FacetScore:
    """One facet's part in a score: `likeness` 0..1 or None, `weight` its share; `compared` holds the words."""

    likeness: float | None
    weight: float
    compared: Compared


@dataclass(frozen=True, slots=True)
class Match:
    """A past case and how like the job it is: score = tempering x sum of likeness x weight."""

    profile: Profile
    score: float
    tempering: float
    facets: dict[str, FacetScore]

    @property
    def agree(self) -> list[str]:
        """What agreed, in words, in the order of the facets."""
        return [words for facet in self.facets.values() for words in facet.compared.agree]

    @property
    def differ(self) -> list[str]:
        """What differed, in words, in the order of the facets."""
        return [words for facet in self.facets.values() for words in facet.compared.differ]


@dataclass(frozen=True, slots=True)
class Ranking:
    """The nearest fault cases and, apart from them, the nearest known good records, best first."""

    matches: list[Match]
    known_good: list[Match]
    compared_with: int


def rank(
    job: Profile,
    profiles: Iterable[Profile],
    most: int = 5,
    facets: Mapping[str, Compare] = FACETS,
    weights: Mapping[str, float] = WEIGHTS,
) -> Ranking:
    """Return the cases most like `job`; its own record and jobs still open are left out."""
    others = [past for past in profiles if past.case_id != job.case_id and past.status != Status.OPEN]
    rarity = rarity_in(others)
    known_to_job = _known_weight(_compared(job, job, rarity, facets), weights)
    faults: list[Match] = []
    healthy: list[Match] = []
    for past in others:
        match = _match(past, _compared(job, past, rarity, facets), weights, known_to_job)
        (healthy if is_known_good(past) else faults).append(match)
    return Ranking(_best(faults, most), _best(healthy, most), len(others))


def _compared(
    job: Profile, past: Profile, rarity: Rarity, facets: Mapping[str, Compare]
) -> dict[str, Compared]:
    return {name: compare(job, past, rarity) for name, compare in facets.items()}


def _known_weight(compared: Mapping[str, Compared], weights: Mapping[str, float]) -> float:
    return sum(weights[name] * part.known for name, part in compared.items())


def _match(
    past: Profile, compared: dict[str, Compared], weights: Mapping[str, float], known_to_job: float
) -> Match:
    known = _known_weight(compared, weights)
    tempering = min(1.0, known / known_to_job) ** 0.5 if known_to_job else 0.0
    facets = {
        name: FacetScore(part.likeness, weights[name] * part.known / known if known else 0.0, part)
        for name, part in compared.items()
    }
    mean = sum(facet.weight * (facet.likeness or 0.0) for facet in facets.values())
    return Match(past, tempering * mean, tempering, facets)


def _best(matches: list[Match], most: int) -> list[Match]:
    return sorted(matches, key=_order)[:most]


def _order(match: Match) -> tuple[float, bool, float, str]:
    steps = round(match.score / EQUAL_WITHIN)
    return -steps, match.profile.status != Status.FIXED_VERIFIED, -match.score, match.profile.case_id
