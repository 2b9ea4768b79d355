"""What every facet of likeness returns, the arithmetic they share, and the match that they make together.

What few cases have tells more than what most have: `Rarity` says how much an agreement is worth.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from casebase.match.facets.arrays import Atom, ToRows
from casebase.match.profile import Profile


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
            cases, having = self.cases + 1, self.counts.get(trait, 0) + 1
            self._weights[trait] = 0.1 + 0.9 * max(0.0, math.log(cases / having) / math.log(cases))
        return self._weights[trait]


@dataclass(frozen=True, slots=True)
class Compared:
    """One aspect of two cases compared.

    `likeness` is 0..1, or None where the aspect is missing on either side. `known` (0..1) is how much of the
    aspect could be compared. `agree` and `differ` say the same in words.
    """

    likeness: float | None
    known: float = 1.0
    agree: list[str] = field(default_factory=list)
    differ: list[str] = field(default_factory=list)


UNKNOWN = Compared(None, 0.0)
"""The aspect is missing on either side: it never counts against a case."""

Compare = Callable[[Profile, Profile, Rarity], Compared]
"""A facet: (the job, a past case, how rare things are in the library) -> how alike in this aspect."""


@dataclass(frozen=True, slots=True)
class SetPart:
    """A part of a facet in which a case is a set of atoms, as the index keeps and compares it for all cases at once.

    `share` is the part's share in the facet. `atoms_of` gives the atoms of a case; `arrays` makes what is looked up of
    the distinct atoms of a library; `ask` puts a job to these arrays and returns what answers for many cases. It says
    of each the same as the facet's `Compare` function, which is its specification.
    """

    name: str
    facet: str
    share: float
    atoms_of: Callable[[Profile], tuple[Atom, ...]]
    arrays: Callable[[list[Atom], Rarity], Any]
    ask: Callable[[Any, Profile, Rarity], ToRows]


Trait = TypeVar("Trait")


def overlap(ours: Iterable[str], theirs: Iterable[str], weight_of: Callable[[str], float]) -> float:
    """Return the weighted share of traits that both have among all that either has.

    >>> overlap(["wet", "hot"], ["wet"], lambda trait: 1.0)
    0.5
    """
    mine, other = set(ours), set(theirs)
    whole = sum(weight_of(trait) for trait in mine | other)
    return sum(weight_of(trait) for trait in mine & other) / whole if whole else 0.0


def best_pairing(
    ours: Iterable[Trait],
    theirs: Iterable[Trait],
    grade: Callable[[Trait, Trait], float],
    weight_of: Callable[[Trait], float],
) -> float:
    """Return the mean of every trait's best grade on the other side, both ways, weighted.

    >>> best_pairing([1, 2], [2], lambda a, b: float(a == b), lambda a: 1.0)
    0.75
    """
    mine, other = list(ours), list(theirs)
    return (_one_way(mine, other, grade, weight_of) + _one_way(other, mine, grade, weight_of)) / 2


def _one_way(
    ours: list[Trait],
    theirs: list[Trait],
    grade: Callable[[Trait, Trait], float],
    weight_of: Callable[[Trait], float],
) -> float:
    weights = [weight_of(trait) for trait in ours]
    best = [max((grade(trait, other) for other in theirs), default=0.0) for trait in ours]
    whole = sum(weights)
    return sum(weight * value for weight, value in zip(weights, best, strict=True)) / whole if whole else 0.0


def joined(parts: Iterable[tuple[float, Compared]]) -> Compared:
    """Return one facet from weighted parts (weights summing to 1); unknown parts are left out."""
    known = [(weight, part) for weight, part in parts if part.likeness is not None]
    share = sum(weight * part.known for weight, part in known)
    if not share:
        return UNKNOWN
    likeness = sum(weight * part.known * (part.likeness or 0.0) for weight, part in known) / share
    agree = [words for _, part in known for words in part.agree]
    differ = [words for _, part in known for words in part.differ]
    return Compared(likeness, share, agree, differ)


def names(items: Iterable[str], most: int = 4) -> str:
    """Return a list in words, cut after `most`.

    >>> names(["a", "b", "c"], most=2)
    'a, b and 1 more'
    """
    listed = list(dict.fromkeys(items))
    shown = ", ".join(listed[:most])
    return shown if len(listed) <= most else f"{shown} and {len(listed) - most} more"


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
    def mean(self) -> float:
        """The mean of the likenesses by their weights, before it is tempered."""
        return sum(facet.weight * (facet.likeness or 0.0) for facet in self.facets.values())

    @property
    def kinds_compared(self) -> int:
        """How many of the kinds of evidence both the job and this case tell."""
        return sum(facet.likeness is not None for facet in self.facets.values())

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
