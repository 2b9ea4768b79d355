"""Elements that nothing given tells apart, said together: `between DLC and S417`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

from casebase.bus.chain import Array
from casebase.bus.layout.whereabouts import (
    ElementKind,
    Indistinct,
)
from casebase.bus.layout.wiring import Element, Wiring

LEVEL_WITHIN: Final = 1.25
"""Elements explain all that is given equally well where one does so at most so many times better (judged)."""


def level_groups(wiring: Wiring, shares: Array, explains: Array, credible: Sequence[str]) -> list[Indistinct]:
    """Return the credible elements that hang together and explain all that is given equally well, two at least.

    `shares`: the probability of each element; `explains`: how well each explains it; shape (elements,).
    """
    numbers = {element.name: index for index, element in enumerate(wiring.elements)}
    left = sorted((numbers[name] for name in credible), key=lambda index: -explains[index])
    levels: list[list[int]] = []
    for index in left:
        if levels and explains[levels[-1][0]] <= LEVEL_WITHIN * explains[index]:
            levels[-1].append(index)
        else:
            levels.append([index])
    found = [
        Indistinct(
            tuple(wiring.elements[index].name for index in group),
            stretch_words([wiring.elements[index] for index in sorted(group)]),
            float(shares[group].sum()),
        )
        for level in levels
        for group in _hanging_together(wiring, level)
        if len(group) > 1
    ]
    return sorted(found, key=lambda group: -group.probability)


def _hanging_together(wiring: Wiring, level: Sequence[int]) -> list[list[int]]:
    """Return elements in groups that touch: a wire and the places at its ends, a feed and what it serves."""
    touching = {index: wiring.touching(wiring.elements[index]) for index in level}
    groups: list[list[int]] = []
    for index in level:
        near = [group for group in groups if any(touching[index] & touching[other] for other in group)]
        groups = [group for group in groups if group not in near]
        groups.append([*(each for group in near for each in group), index])
    return groups


def stretch_words(elements: Sequence[Element]) -> str:
    """Return elements in words: `between DLC and splice S417` where they make one stretch, else by name."""
    names = [element.name for element in elements]
    listed = f"{', '.join(names[:-1])} or {names[-1]}" if len(names) > 1 else names[0]
    wires = [element.ends for element in elements if element.kind is ElementKind.WIRE]
    places = {element.name for element in elements if element.kind is not ElementKind.WIRE}
    counted = Counter(end for ends in wires for end in ends)
    outer = [end for end, times in counted.items() if times == 1]
    if len(outer) != 2 or len(counted) != len(wires) + 1 or not places <= set(counted) or not wires:
        return listed
    itself = [end for end in outer if end in places]
    also = f", {' and '.join(itself)} counted" if itself else ""
    return f"between {outer[0]} and {outer[1]}{also}"
