"""What a drawing of a network says of each place and wire: its name, its marks, and how likely the fault lies there.

The trunk is drawn downwards, each branch beside the place it leaves. The trunk is the way between the two terminators,
else the longest way there is. Where a ring closes, it is cut at the last wire that closes it, drawn last.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from casebase.bus.layout.whereabouts import PlaceToOpen, WhereOnNetwork
from casebase.bus.layout.wiring import TWO_WIRES
from casebase.record.layout import DLC, Layout, LayoutNetwork, PlaceKind, Source, Wire
from casebase.record.modules import module_identity

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


LEAST_SHOWN = 0.005
"""A smaller probability is not shown: it would read 0 %."""

LEAST_WIRE = 0.02
"""A wire below this has no line of its own in a drawing; places keep theirs (judged)."""


@dataclass(frozen=True)
class DrawnWire:
    """A wire of a drawing: what is said of it, and its probability, None where nothing was computed."""

    wire: Wire
    words: str
    probability: float | None
    is_next: bool

    @property
    def is_told(self) -> bool:
        """Whether it has a line of its own."""
        return self.is_next or (self.probability or 0.0) >= LEAST_WIRE


@dataclass(frozen=True)
class DrawnPlace:
    """A place of a drawing, its row in the tree, and the wire that leads to it.

    `marks`: what is said beside its name. `probability` is None where nothing was computed.
    """

    row: TreeRow
    called: str
    marks: tuple[str, ...]
    probability: float | None
    is_silent: bool
    is_next: bool
    wire: DrawnWire | None


@dataclass(frozen=True)
class DrawnPower:
    """A feed or ground point of a network: its name, the modules on it, and its probability."""

    name: str
    called: str
    serves: str
    probability: float | None
    is_next: bool


def drawn_places(
    layout: Layout, network: LayoutNetwork, found: WhereOnNetwork | None = None
) -> tuple[DrawnPlace, ...]:
    """Return the places of a network in the order of the drawing, with what was found of where the fault lies."""
    through = layout.passed_through(network)
    return tuple(_place(layout, row, found, through) for row in tree_rows(layout, network))


def _place(
    layout: Layout, row: TreeRow, found: WhereOnNetwork | None, through: tuple[str, ...]
) -> DrawnPlace:
    is_silent = found is not None and _is_one_of(row.name, found.silent) and not row.closes
    is_next = _next_place(found) == row.name and not row.closes
    return DrawnPlace(
        row,
        f"back to {layout.called(row.name)}" if row.closes else layout.called(row.name),
        () if row.closes else tuple(_marks(row, found, is_next=is_next, is_through=row.name in through)),
        None if row.closes else _probability(found, row.name),
        is_silent,
        is_next,
        _wire(layout, row.wire, found) if row.wire else None,
    )


def _marks(row: TreeRow, found: WhereOnNetwork | None, *, is_next: bool, is_through: bool) -> Iterator[str]:
    if row.terminator:
        yield f"terminator {row.terminator}" if row.kind is not PlaceKind.TERMINATOR else row.terminator
    if is_through:
        yield "the bus passes through"
    if found is not None and _is_one_of(row.name, found.silent):
        yield "silent"
    elif found is not None and _is_one_of(row.name, found.answering):
        yield "answers"
    if is_next:
        yield "next"
    if proven := _proven(found, row.name):
        yield f"{proven} proven here before"


def _proven(found: WhereOnNetwork | None, name: str) -> int:
    """Return how many proven causes of past cases lay at an element."""
    return 0 if found is None else next((one.proven for one in found.elements if one.name == name), 0)


def _is_one_of(name: str, modules: tuple[str, ...]) -> bool:
    return module_identity(name) in map(module_identity, modules)


def _wire(layout: Layout, wire: Wire, found: WhereOnNetwork | None) -> DrawnWire:
    length = f" {wire.metres:g} m" if wire.metres is not None else ""
    guessed = ", guessed" if wire.source is Source.GUESSED and layout.source is not Source.GUESSED else ""
    probability = _probability(found, wire.name)
    return DrawnWire(wire, f"wire{length}{guessed}", probability, _next_place(found) == wire.name)


def _next_place(found: WhereOnNetwork | None) -> str | None:
    return found.next_tests[0].place if found is not None and found.next_tests else None


def _probability(found: WhereOnNetwork | None, name: str) -> float | None:
    return None if found is None else found.probability(name)


def drawn_power(
    layout: Layout, network: LayoutNetwork, found: WhereOnNetwork | None = None
) -> tuple[DrawnPower, ...]:
    """Return the feeds and ground points of the modules of a network."""
    here = set(network.places()) - {DLC}
    return tuple(
        DrawnPower(
            point.name,
            layout.called(point.name),
            ", ".join(point.modules),
            _probability(found, point.name),
            _next_place(found) == point.name,
        )
        for point in layout.power_points()
        if here.intersection(point.modules)
    )


def per_cent(probability: float) -> str:
    """Return a probability as it stands in a drawing; nothing where it would read 0 %.

    >>> per_cent(0.413), per_cent(0.001), per_cent(0.999)
    ('41 %', '', 'over 99 %')
    """
    if probability < LEAST_SHOWN:
        return ""
    return "over 99 %" if probability > 0.99 else f"{probability:.0%}".replace("%", " %")


MOST_WAYS: Final = 3
ONE_WAY_FROM: Final = 0.9
"""Share of an element's probability from which one thing that may be wrong there is named alone (judged)."""

WEIGHED_ALONE: Final = (
    "This weighs the wiring, what was read on it and who is silent, not whole past cases. Where the verdict on the job"
    " names another fault, neither is proven: test first what tells them apart."
)


def where_words(layout: Layout, found: WhereOnNetwork) -> str:
    """Return in one sentence where the fault of a network most likely lies."""
    groups = found.indistinct
    if groups and (not found.elements or groups[0].probability > found.elements[0].probability):
        group = groups[0]
        return f"Most likely {group.words}: {per_cent(group.probability)} together; nothing given tells these apart."
    if not found.elements or found.elements[0].probability < max(found.sound, found.outside, LEAST_SHOWN):
        what = (
            "nothing of this layout is at fault"
            if found.sound >= found.outside
            else "a fault like none computed"
        )
        return f"Most likely {what}: {per_cent(max(found.sound, found.outside))}."
    first = found.elements[0]
    said = f"Most likely {element_called(layout, first.name)}: {per_cent(first.probability)}"
    ways = [state for state in first.states[:MOST_WAYS] if per_cent(state.probability)]
    if not ways or ways[0].probability >= ONE_WAY_FROM * first.probability:
        return f"{said}{f', {ways[0].state}' if ways else ''}."
    return f"{said}. What is wrong there: {', '.join(f'{way.state} {per_cent(way.probability)}' for way in ways)}."


def level_words(found: WhereOnNetwork) -> list[str]:
    """Return in words the groups that nothing given tells apart, but for the one that `where_words` names."""
    first = max((one.probability for one in found.elements), default=0.0)
    return [
        f"{one.words}, {per_cent(one.probability)} together"
        for place, one in enumerate(found.indistinct)
        if per_cent(one.probability) and not (place == 0 and one.probability > first)
    ]


def remarks_on(layout: Layout, found: WhereOnNetwork) -> tuple[str, ...]:
    """Return what has to be said beside the drawing of a network."""
    network = next(one for one in layout.networks if one.name == found.network)
    if network.medium in TWO_WIRES:
        return found.remarks
    said = f"Of {network.medium} no levels are computed here: only who is silent, feeds and grounds count."
    return (said, *found.remarks)


def rest_words(found: WhereOnNetwork) -> str:
    """Return how likely it is that nothing of the layout is at fault, or a fault that was not computed."""
    rest = (("nothing of this layout", found.sound), ("a fault like none computed", found.outside))
    return "; ".join(f"{words} {per_cent(it)}" for words, it in rest if per_cent(it))


def element_called(layout: Layout, name: str) -> str:
    """Return an element as people say it: a place by its kind, a wire by its ends."""
    if name in layout.kinds:
        return layout.called(name)
    wires = (wire for network in layout.networks for wire in layout.wires(network))
    wire = next((one for one in wires if one.name == name), None)
    return (
        name if wire is None else f"the wire {layout.called(wire.ends[0])} to {layout.called(wire.ends[1])}"
    )


def next_words(test: PlaceToOpen) -> str:
    """Return the next test in one line: what to do, how long it takes."""
    return f"{test.what} (about {test.minutes:.0f} min)"
