"""A past case compared with a job: the facets that make the score, what each counts, and where the weights come from.

The score is the weighted mean of the facets that could be compared, tempered by how much of what the job tells the
past case tells too. What the job itself leaves unknown counts against nobody.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from casebase.match.facets.base import Compare, Compared, FacetScore, Match, Rarity
from casebase.match.facets.codes import compare_codes
from casebase.match.facets.meaning import compare_meaning
from casebase.match.facets.network import compare_networks
from casebase.match.facets.readings import compare_readings, share_comparable
from casebase.match.facets.silence import compare_silence
from casebase.match.facets.symptoms import compare_symptoms
from casebase.match.facets.vehicle import compare_vehicles
from casebase.match.profile import Profile

FACETS: Final[dict[str, Compare]] = {
    "meaning": compare_meaning,
    "readings": compare_readings,
    "silence": compare_silence,
    "symptoms": compare_symptoms,
    "network": compare_networks,
    "codes": compare_codes,
    "vehicle": compare_vehicles,
}
"""Every facet by its name. A new one is a module with a `Compare` function and `PARTS`: it takes a line
here, a weight below, and its parts in `index/match_index.py`."""

WEIGHTS: Final[dict[str, float]] = {
    "meaning": 0.22,
    "symptoms": 0.22,
    "readings": 0.20,
    "silence": 0.13,
    "codes": 0.11,
    "network": 0.09,
    "vehicle": 0.03,
}

HEALTHY_FACETS: Final[dict[str, Compare]] = {
    "vehicle": compare_vehicles,
    "network": compare_networks,
    "comparable": share_comparable,
}
HEALTHY_WEIGHTS: Final[dict[str, float]] = {"vehicle": 0.4, "network": 0.25, "comparable": 0.35}
"""Known good records answer `is this normal here?`: what counts is that they are of this build and hold the same
readings, not that these agree (judged)."""

WEIGHTS_ORIGIN: Final = (
    "chosen near those fitted to simulated cases of one invented fleet, looking at a second (docs/matching.md); a"
    " library may keep weights fitted to its own cases"
)


EQUAL_WITHIN: Final = 0.01
"""Scores closer than this are equal, and the verified case comes first."""


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

    def match(self, job: Profile, past: Profile, rarity: Rarity) -> Match:
        """Return how like a job a past case is, with all that was compared."""
        return self.matches(job, [past], rarity)[0]

    def matches(self, job: Profile, pasts: Iterable[Profile], rarity: Rarity) -> list[Match]:
        """Return how like a job each of several past cases is."""
        known_to_job = self.known(self.compared(job, job, rarity))
        return [self._match(past, self.compared(job, past, rarity), known_to_job) for past in pasts]

    def _match(self, past: Profile, compared: Mapping[str, Compared], known_to_job: float) -> Match:
        known = self.known(compared)
        tempering = min(1.0, known / known_to_job) ** 0.5 if known_to_job else 0.0
        facets = {
            name: FacetScore(part.likeness, self.weights[name] * part.known / known if known else 0.0, part)
            for name, part in compared.items()
        }
        mean = sum(facet.weight * (facet.likeness or 0.0) for facet in facets.values())
        return Match(past, tempering * mean, tempering, facets)


FAULTS: Final = Measure(FACETS, WEIGHTS)
HEALTHY: Final = Measure(HEALTHY_FACETS, HEALTHY_WEIGHTS)


def faults_by(weights: Mapping[str, float]) -> Measure:
    """Return the measure for fault cases with other weights of the facets."""
    return Measure(FACETS, weights)
