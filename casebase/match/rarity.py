"""How much an agreement is worth: what few cases have tells more than what most have."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

from casebase.match.profile import Profile


@dataclass(frozen=True)
class Rarity:
    """Counts over a library, read as weights from about 0.1 (in every case) to 1 (in none)."""

    cases: int
    counts: Counter[str]

    def of(self, trait: str) -> float:
        """Return the weight of a trait: log(cases / cases having it), scaled to 0.1..1.

        >>> Rarity(100, Counter({"code U0100": 100})).of("code U0100")
        0.1
        """
        return self._weights.get(trait, 1.0)

    @cached_property
    def _weights(self) -> dict[str, float]:
        """The weights of every trait counted, worked out once: a ranking asks for them half a million times."""
        whole = math.log(self.cases + 1)
        return {
            trait: 0.1 + 0.9 * max(0.0, math.log((self.cases + 1) / (count + 1)) / whole)
            for trait, count in self.counts.items()
        }


def rarity_in(profiles: Iterable[Profile]) -> Rarity:
    """Count the traits of `profiles`, each once per case."""
    counts: Counter[str] = Counter()
    cases = 0
    for profile in profiles:
        cases += 1
        counts.update({f"code {code.base}" for code in profile.codes})
        counts.update(f"word {word}" for word in profile.words)
        counts.update(f"lamp {lamp}" for lamp in profile.lamps)
        counts.update(f"condition {condition}" for condition in profile.conditions)
        counts.update(
            {f"reading {reading.bucket}" for reading in profile.readings if not reading.after_repair}
        )
    return Rarity(max(cases, 1), counts)
