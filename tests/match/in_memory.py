"""Libraries held in memory, and the rarity of their traits counted one profile after the other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from casebase.match.facets.base import Rarity
from casebase.match.index.building import IndexBuilder, empty_index, extended
from casebase.match.index.collection import Collection
from casebase.match.index.match_index import Index
from casebase.match.profile import Profile, readings_compared


def collection_of(profiles: Iterable[Profile], text: str = "", dimensions: int = 0) -> Collection:
    """Return a collection in memory."""
    kept = list(profiles)
    return Collection(
        index_of(kept, text, dimensions),
        lambda numbers: [kept[number] for number in numbers],
        lambda case_id: [number for number, profile in enumerate(kept) if profile.case_id == case_id],
    )


def index_of(profiles: Iterable[Profile], text: str = "", dimensions: int = 0) -> Index:
    """Return an index of profiles in memory; their numbers are their places in the order given."""
    empty = empty_index(dimensions, text)
    builder = IndexBuilder(empty)
    for number, profile in enumerate(profiles):
        builder.add(number, profile)
    return extended(empty, builder.finished())


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
