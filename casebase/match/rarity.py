"""How much an agreement is worth: what few cases have tells more than what most have."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from casebase.match.profile import Profile, readings_compared


@dataclass(frozen=True)
class Rarity:
    """Counts over a library, read as weights from about 0.1 (in every case) to 1 (in none)."""

    cases: int
    counts: Mapping[str, int]
    _weights: dict[str, float] = field(default_factory=dict)

    def of(self, trait: str) -> float:
        """Return the weight of a trait: log(cases / cases having it), scaled to 0.1..1.

        >>> Rarity(100, Counter({"code U0100": 100})).of("code U0100")
        0.1
        """
        if trait not in self._weights:
            self._weights[trait] = self._reckoned(self.counts.get(trait, 0))
        return self._weights[trait]

    def _reckoned(self, count: int) -> float:
        return 0.1 + 0.9 * max(0.0, math.log((self.cases + 1) / (count + 1)) / math.log(self.cases + 1))


def rarity_in(profiles: Iterable[Profile]) -> Rarity:
    """Count the traits of `profiles`, each once per case."""
    counts: Counter[str] = Counter()
    cases = 0
    for profile in profiles:
        cases += 1
        counts.update({f"code {code.base}" for code in profile.codes})
        counts.update(f"lamp {lamp}" for lamp in set(profile.lamps))
        counts.update(f"condition {condition}" for condition in set(profile.conditions))
        counts.update({f"reading {reading.bucket}" for reading in readings_compared(profile)})
    return Rarity(max(cases, 1), counts)
