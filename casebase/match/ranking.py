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
from casebase.match.weights import FACETS, HEALTHY_FACETS, HEALTHY_WEIGHTS, WEIGHTS
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


@dataclass(frozen=True, slots=True)
class Measure:
    """The facets to compare by, and what each counts."""

    facets: Mapping[str, Compare]
    weights: Mapping[str, float]

    def compared(self, job: Profile, past: Profile, rarity: Rarity) -> dict[str, Compared]:
        """Compare two cases in every facet."""
        return {name: compare(job, past, rarity) for name, compare in self.facets.items()}

    def known(self, compared: Mapping[str, Compared]) -> float:
        """Return how much weight could be compared."""
        return sum(self.weights[name] * part.known for name, part in compared.items())


FAULTS: Final = Measure(FACETS, WEIGHTS)
HEALTHY: Final = Measure(HEALTHY_FACETS, HEALTHY_WEIGHTS)


def rank(job: Profile, profiles: Iterable[Profile], most: int = 5, faults: Measure = FAULTS) -> Ranking:
    """Return the cases most like `job`; its own record and jobs still open are left out."""
    others = [past for past in profiles if past.case_id != job.case_id and past.status != Status.OPEN]
    rarity = rarity_in(others)
    healthy = [past for past in others if is_known_good(past)]
    solved = [past for past in others if not is_known_good(past)]
    return Ranking(
        matches=_ranked(job, solved, rarity, faults)[:most],
        known_good=_ranked(job, healthy, rarity, HEALTHY)[:most],
        compared_with=len(others),
    )


def _ranked(job: Profile, pasts: list[Profile], rarity: Rarity, measure: Measure) -> list[Match]:
    known_to_job = measure.known(measure.compared(job, job, rarity))
    return sorted(
        (_match(past, measure.compared(job, past, rarity), measure, known_to_job) for past in pasts),
        key=_order,
    )


def _match(past: Profile, compared: dict[str, Compared], measure: Measure, known_to_job: float) -> Match:
    known = measure.known(compared)
    tempering = min(1.0, known / known_to_job) ** 0.5 if known_to_job else 0.0
    facets = {
        name: FacetScore(part.likeness, measure.weights[name] * part.known / known if known else 0.0, part)
        for name, part in compared.items()
    }
    mean = sum(facet.weight * (facet.likeness or 0.0) for facet in facets.values())
    return Match(past, tempering * mean, tempering, facets)


def _order(match: Match) -> tuple[float, bool, float, str]:
    steps = round(match.score / EQUAL_WITHIN)
    return -steps, match.profile.status != Status.FIXED_VERIFIED, -match.score, match.profile.case_id
