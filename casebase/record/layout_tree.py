"""A network of a layout in the order in which it is drawn: the trunk downwards, each branch beside the place it leaves.

The trunk is the way between the two terminators, else the longest way there is. Where a ring closes, it is cut at the
last wire that closes it, and that wire is drawn last.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from casebase.record.layout import Layout, LayoutNetwork, PlaceKind, Wire

_Links = dict[str, list[tuple[str, Wire]]]

DEEPEST: Final = 6
"""Columns of branches that are drawn apart; what branches off deeper stands in the last of them."""


@dataclass(frozen=True)
class TreeRow:
    """One place in a drawing: in which column it stands, and from which row, counted from 0, a wire leads to it.

    `closes`: the wire closes a ring, and leads back to a place that stands above.
    """

    name: str
    kind: PlaceKind
    column: int
    parent: int | None
    wire: Wire | None
    terminator: str | None = None
    closes: bool = False


def tree_rows(layout: Layout, network: LayoutNetwork) -> tuple[TreeRow, ...]:
    """Return the places of a network, each once, in the order of the drawing."""
    links, closing = _tree(layout.wires(network))
    ends = {one.at: str(one.ohms or "120 ohm") for one in network.terminators}
    rows: list[TreeRow] = []
    places: dict[str, int] = {}
    for start in network.places():
        if start not in places:
            for name, parent, column, wire in _walk(_trunk(links, start, list(ends)), links):
                places[name] = len(rows)
                from_row = None if parent is None else places[parent]
                rows.append(TreeRow(name, layout.kinds[name], column, from_row, wire, ends.get(name)))
    for wire in closing:
        last, back = sorted(wire.ends, key=places.__getitem__, reverse=True)
        column = rows[places[last]].column
        rows.append(TreeRow(back, layout.kinds[back], column, places[last], wire, closes=True))
    return tuple(rows)


def _tree(wires: tuple[Wire, ...]) -> tuple[_Links, list[Wire]]:
    """Return what each place is joined to, and the wires that close rings, which are left out of it."""
    links: _Links = defaultdict(list)
    groups: dict[str, set[str]] = {}
    closing = []
    for wire in wires:
        first, second = wire.ends
        one, other = groups.setdefault(first, {first}), groups.setdefault(second, {second})
        if one is other:
            closing.append(wire)
            continue
        one |= other
        groups.update(dict.fromkeys(other, one))
        links[first].append((second, wire))
        links[second].append((first, wire))
    return links, closing


def _trunk(links: _Links, start: str, terminators: list[str]) -> list[str]:
    """Return the places along the trunk of the part that holds `start`."""
    from_start = _ways(links, start)
    ends = [name for name in terminators if name in from_start]
    if len(ends) < 2:
        ends = [*ends, max(from_start, key=lambda name: len(from_start[name]))][:1]
    ways = _ways(links, ends[0])
    others = [name for name in terminators if name in ways and name != ends[0]] or list(ways)
    return max((ways[name] for name in others), key=len)


def _ways(links: _Links, start: str) -> dict[str, list[str]]:
    """Return the way from `start` to every place that it is joined to."""
    ways = {start: [start]}
    edge = [start]
    while edge:
        here = edge.pop()
        for there, _ in links.get(here, ()):
            if there not in ways:
                ways[there] = [*ways[here], there]
                edge.append(there)
    return ways


def _walk(trunk: list[str], links: _Links) -> Iterator[tuple[str, str | None, int, Wire | None]]:
    """Yield each place with the one before it, its column and the wire between; branches before the trunk goes on."""
    onward = dict(pairwise(trunk))
    waiting: list[tuple[str, str | None, int, Wire | None]] = [(trunk[0], None, 0, None)]
    while waiting:
        name, before, column, wire = waiting.pop()
        yield name, before, column, wire
        further = [(there, link) for there, link in links.get(name, ()) if there != before]
        if not further:
            continue
        straight = onward.get(name) if column == 0 else further[-1][0]
        beside = min(column + 1, DEEPEST)
        steps = [(there, name, column if there == straight else beside, link) for there, link in further]
        # The last one put there is drawn first: what goes straight on comes after its branches.
        waiting += [step for step in steps if step[0] == straight]
        waiting += reversed([step for step in steps if step[0] != straight])
