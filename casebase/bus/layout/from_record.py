"""One network of a layout, as the record holds it, made into a graph of points and branches."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

from casebase.bus.layout.whereabouts import ElementKind
from casebase.bus.layout.wiring import (
    INSIDE,
    TOWARD,
    TWO_WIRES,
    Branch,
    Element,
    Wiring,
    place_of_point,
    spanning_trees,
)
from casebase.record.layout import DLC, Layout, LayoutNetwork, PlaceKind

TERMINATOR_OHMS: Final = 120.0
MOST_TERMINATORS: Final = 2

STAND_IN_OHMS: Final = 60.0
"""Joins the lines of the other media, so that what is connected counts as heard."""


def wiring_of(layout: Layout, network: LayoutNetwork) -> Wiring:
    """Return one network of a layout as a graph."""
    return _Building(layout, network).done()


@dataclass
class _Building:
    layout: Layout
    network: LayoutNetwork
    points: list[str] = field(default_factory=list)
    branches: list[Branch] = field(default_factory=list)
    wires_at: dict[str, list[tuple[str, int]]] = field(default_factory=lambda: defaultdict(list))
    """At each place, (the neighbour, the point at which its wire ends)."""
    wire_branches: dict[str, list[int]] = field(default_factory=lambda: defaultdict(list))

    def done(self) -> Wiring:
        self._wires()
        inside = dict(self._modules())
        for place in [name for name in self.wires_at if self.layout.kinds[name] is PlaceKind.PLUG]:
            self._halves(place)
        speaker = self._speaker(inside)
        terminators = self._all_terminators(inside, speaker)
        return Wiring(
            self.network,
            tuple(self.points),
            tuple(self.branches),
            tuple(self._elements(inside)),
            inside,
            terminators,
            speaker,
            tuple(self._beside(inside)),
            self._feeds_through(),
            {
                place.name: float(place.minutes)
                for _, places in self.layout.listed_places()
                for place in places
                if place.minutes is not None
            },
            tuple(spanning_trees(len(self.points), self.branches, speaker)),
        )

    def _point(self, name: str) -> int:
        if name not in self.points:
            self.points.append(name)
        return self.points.index(name)

    def _wires(self) -> None:
        """Lay the wires; at a plug or a module each wire ends at a point of its own."""
        for wire in self.layout.wires(self.network):
            ends = [self._end(here, there) for here, there in (wire.ends, wire.ends[::-1])]
            self.branches.append(Branch((ends[0], ends[1]), wire.name, True, wire.metres))
            self.wire_branches[wire.name].append(len(self.branches) - 1)

    def _end(self, place: str, neighbour: str) -> int:
        parted = self.layout.kinds[place] in (PlaceKind.PLUG, PlaceKind.MODULE)
        name = f"{place}{TOWARD}{neighbour}" if parted else place
        twice = sum(each == neighbour for each, _ in self.wires_at[place]) if parted else 0
        point = self._point(f"{name} {twice + 1}" if twice else name)
        self.wires_at[place].append((neighbour, point))
        return point

    def _modules(self) -> Iterator[tuple[str, int]]:
        """Yield each module with its point inside, joined to its connector."""
        for place in list(self.wires_at):
            if self.layout.kinds[place] is PlaceKind.MODULE:
                inner = self._point(f"{INSIDE}{place}")
                for _, outer in self.wires_at[place]:
                    self.branches.append(Branch((outer, inner), place, False))
                yield place, inner

    def _halves(self, place: str) -> None:
        """Join the halves of a plug: the ends of its wires two and two, in the order in which runs name them."""
        ends = [point for _, point in self.wires_at[place]]
        if len(ends) == 3:
            pairs = [(ends[0], ends[1]), (ends[1], ends[2])]
            self.branches.append(Branch(pairs[0], place, False))
            self.branches.append(Branch(pairs[1], f"{place} split", True, 0.0))
            return
        for one, other in zip(ends[::2], ends[1::2], strict=False):
            self.branches.append(Branch((one, other), place, False))

    def _all_terminators(self, inside: Mapping[str, int], speaker: int) -> tuple[tuple[int, float, str], ...]:
        """Return the terminators, those that nobody stated taken to sit in the modules farthest from the others."""
        if self.network.medium not in TWO_WIRES:
            return ((speaker, STAND_IN_OHMS, ""),)
        stated = list(self._terminators(inside))
        while len(stated) < MOST_TERMINATORS and len(stated) < len(inside):
            held = [point for point, _, _ in stated] or [speaker]
            far = max(inside.values(), key=lambda point: min(self._steps(point, one) for one in held))
            if far in held:
                break
            stated.append((far, TERMINATOR_OHMS, ""))
        return tuple(stated)

    def _steps(self, start: int, goal: int) -> int:
        """Return over how many branches one point lies from another."""
        depth = {start: 0}
        for point, parent, _ in spanning_trees(len(self.points), self.branches, start):
            if parent in depth:
                depth[point] = depth[parent] + 1
        return depth.get(goal, 0)

    def _terminators(self, inside: Mapping[str, int]) -> Iterator[tuple[int, float, str]]:
        for terminator in self.network.terminators:
            ohms = TERMINATOR_OHMS if terminator.ohms is None else terminator.ohms.number
            if terminator.at in inside:
                yield inside[terminator.at], ohms, terminator.at
            elif terminator.at in self.points:
                yield self.points.index(terminator.at), ohms, terminator.at

    def _speaker(self, inside: Mapping[str, int]) -> int:
        """Return where a tester is heard from: the DLC, else the gateway that passes its frames on."""
        if DLC in self.points:
            return self.points.index(DLC)
        gateways = [name for name in self.layout.gateways if name in inside]
        return inside[gateways[0]] if gateways else next(iter(inside.values()), 0)

    def _elements(self, inside: Mapping[str, int]) -> Iterator[Element]:
        contacts: dict[str, list[int]] = defaultdict(list)
        for index, branch in enumerate(self.branches):
            if not branch.is_wire:
                contacts[branch.place].append(index)
        for name, branches in self.wire_branches.items():
            points = {point for index in branches for point in self.branches[index].ends}
            joins = tuple(place_of_point(self.points[point]) for point in self.branches[branches[0]].ends)
            yield Element(name, ElementKind.WIRE, tuple(branches), tuple(sorted(points)), ends=joins)
        yield from self._places(inside, contacts)
        for feed in self.layout.feeds:
            if any(name in inside for name in feed.modules):
                yield Element(feed.name, ElementKind.FEED, serves=tuple(feed.modules))
        for ground in self.layout.grounds:
            if any(name in inside for name in ground.modules):
                yield Element(ground.name, ElementKind.GROUND, serves=tuple(ground.modules))

    def _places(self, inside: Mapping[str, int], contacts: Mapping[str, list[int]]) -> Iterator[Element]:
        for place, ends in self.wires_at.items():
            kind = _KINDS[self.layout.kinds[place]]
            at = [inside[place]] if place in inside else [point for _, point in ends]
            arms = contacts.get(place, [])
            if kind in (ElementKind.SPLICE, ElementKind.DLC, ElementKind.TERMINATOR):
                arms = [index for index, branch in enumerate(self.branches) if at[0] in branch.ends]
            if kind is ElementKind.DLC:
                arms = arms[:1]
            yield Element(
                place, kind, tuple(arms), tuple(dict.fromkeys(at)), (place,) if place in inside else ()
            )

    def _beside(self, inside: Mapping[str, int]) -> list[str]:
        served = [
            name
            for place in (*self.layout.feeds, *self.layout.grounds)
            if any(each in inside for each in place.modules)
            for name in place.modules
        ]
        return list(dict.fromkeys(name for name in served if name not in inside))

    def _feeds_through(self) -> dict[str, tuple[str, ...]]:
        """Return the modules whose feed or ground passes each plug."""
        found: dict[str, list[str]] = defaultdict(list)
        for place in (*self.layout.feeds, *self.layout.grounds):
            for plug in place.through:
                found[plug] += place.modules
        return {plug: tuple(dict.fromkeys(names)) for plug, names in found.items()}


_KINDS: Final = {
    PlaceKind.DLC: ElementKind.DLC,
    PlaceKind.MODULE: ElementKind.MODULE,
    PlaceKind.PLUG: ElementKind.PLUG,
    PlaceKind.SPLICE: ElementKind.SPLICE,
    PlaceKind.TERMINATOR: ElementKind.TERMINATOR,
    PlaceKind.FEED: ElementKind.FEED,
    PlaceKind.GROUND: ElementKind.GROUND,
}
