"""Facet `symptoms`: lamps, conditions, and the words of the concern; rare ones weigh more.

The words are compared as words here. A likeness of meaning takes the place of `compare_words` when there is one.
"""

from __future__ import annotations

from typing import Final

from casebase.match.facet import UNKNOWN, Compared, joined, names, overlap
from casebase.match.profile import Profile
from casebase.match.rarity import Rarity

LAMPS_WEIGHT: Final = 0.35
CONDITIONS_WEIGHT: Final = 0.25
WORDS_WEIGHT: Final = 0.4
"""Judged, not fitted."""


def compare_symptoms(job: Profile, past: Profile, rarity: Rarity) -> Compared:
    """Compare lamps, conditions and words."""
    return joined(
        (
            (LAMPS_WEIGHT, _traits("lamp", job.lamps, past.lamps, rarity)),
            (CONDITIONS_WEIGHT, _traits("condition", job.conditions, past.conditions, rarity)),
            (WORDS_WEIGHT, compare_words(job, past, rarity)),
        )
    )


def compare_words(job: Profile, past: Profile, rarity: Rarity) -> Compared:
    """Compare the telling words of two stories: cosine over words weighted by rarity."""
    if not job.words or not past.words:
        return UNKNOWN
    both = set(job.words) & set(past.words)
    shared = _energy(both, rarity)
    likeness = shared / (_energy(job.words, rarity) * _energy(past.words, rarity)) ** 0.5
    telling = sorted(both, key=lambda word: -rarity.of(f"word {word}"))
    return Compared(min(likeness, 1.0), 1.0, [f"words in both: {names(telling, most=5)}"] if telling else [])


def _energy(words: tuple[str, ...] | set[str], rarity: Rarity) -> float:
    return sum(rarity.of(f"word {word}") ** 2 for word in words)


def _traits(kind: str, ours: tuple[str, ...], theirs: tuple[str, ...], rarity: Rarity) -> Compared:
    if not ours or not theirs:
        return UNKNOWN
    likeness = overlap(ours, theirs, lambda trait: rarity.of(f"{kind} {trait}"))
    both = [trait for trait in ours if trait in theirs]
    agree = [f"{kind}s in both: {names(both)}"] if both else []
    differ = [] if both else [f"{kind}s: here {names(ours)}, there {names(theirs)}"]
    return Compared(likeness, 1.0, agree, differ)
