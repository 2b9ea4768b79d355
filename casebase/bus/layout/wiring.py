"""One network of a layout as a graph of points and branches, as it is computed.

A plug has two points, its halves; a module has a point for each wire at its connector and one inside, so that parting
or unplugging is opening branches. Branches that make a tree come first in `parents`; what closes a ring is a chord.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

from casebase.bus.instruments import NOTHING, roles_in
from casebase.bus.layout.whereabouts import ElementKind
from casebase.record.layout import DLC, Layout, LayoutNetwork, PlaceKind
from casebase.record.modules import module_identity, modules_named_in
from casebase.record.vocabulary import Medium

TERMINATOR_OHMS: Final = 120.0
MOST_TERMINATORS: Final = 2

TWO_WIRES: Final = (Medium.HIGH_SPEED_CAN, Medium.CAN_FD, Medium.J1939)
"""Media whose levels are computed; on others only who is silent and the feeds count."""

STAND_IN_OHMS: Final = 60.0
"""Joins the lines of the other media, so that what is connected counts as heard."""

INSIDE: Final = "inside "
"""What stands before the point within a module."""


@dataclass(frozen=True)
class Branch:
    """A conductor per line between two points: a wire, or the contacts of a plug or connector."""

    ends: tuple[int, int]
    place: str
    is_wire: bool
    metres: float | None = None


@dataclass(frozen=True)
class Element:
    """What may be at fault: its branches, the points at which something may hang, the modules that it serves."""

    name: str
    kind: ElementKind
    branches: tuple[int, ...] = ()
    points: tuple[int, ...] = ()
    serves: tuple[str, ...] = ()
    ends: tuple[str, ...] = ()
    """The places that a wire joins."""


@dataclass(frozen=True)
class Wiring:
    """One network. `inside`: the point within each module. `terminators`: (point, ohms, name of the element).

    `speaker`: the module or connector from which a tester is heard, as a point. `beside`: modules of other networks
    that hang on a feed or ground point of this one.
    """

    network: LayoutNetwork
    points: tuple[str, ...]
    branches: tuple[Branch, ...]
    elements: tuple[Element, ...]
    inside: Mapping[str, int]
    terminators: tuple[tuple[int, float, str], ...]
    speaker: int
    beside: tuple[str, ...]
    feeds_through: Mapping[str, tuple[str, ...]]
    minutes: Mapping[str, float]
    trees: tuple[tuple[int, int, int], ...] = field(default=())
    """(point, its parent or -1, the branch between them or -1), each after its parent."""

    @property
    def is_computed(self) -> bool:
        """Whether levels and ohms of its medium are computed."""
        return self.network.medium in TWO_WIRES

    @cached_property
    def modules(self) -> tuple[str, ...]:
        """The modules on the network, in order."""
        return tuple(self.inside)

    @cached_property
    def chords(self) -> tuple[int, ...]:
        """The branches that close rings."""
        in_tree = {branch for _, _, branch in self.trees}
        return tuple(index for index in range(len(self.branches)) if index not in in_tree)

    @cached_property
    def _points_of_place(self) -> dict[str, list[int]]:
        """The points by the plain name of their place, those at a connector before the one inside."""
        found: dict[str, list[int]] = defaultdict(list)
        for index, point in enumerate(self.points):
            found[place_of_point(point)].append(index)
        return {place: sorted(points, key=self._is_inside) for place, points in found.items()}

    @cached_property
    def _plain_names(self) -> dict[str, str]:
        return {_plain(name): name for name in self._points_of_place}

    def touching(self, element: Element) -> set[str]:
        """Return the names of the places that an element is, joins or serves, and its own."""
        return {element.name, *element.ends, *element.serves}

    def _is_inside(self, point: int) -> bool:
        return self.points[point].startswith(INSIDE)

    def place_named(self, text: str) -> str | None:
        """Return the place of this network that a text means, None where it is none: `connector of ABS`, `plug X12`."""
        plain = self._plain_names
        if (found := plain.get(_plain(_SIDE.split(text)[0]))) is not None:
            return found
        words = _plain(_SIDE.split(text)[0])
        within = [name for key, name in plain.items() if re.search(rf"\b{re.escape(key)}\b", words)]
        if within:
            return max(within, key=len)
        keys = {module_identity(name): name for name in self.inside}
        named = [keys[each.key] for each in modules_named_in(text, strict=False) if each.key in keys]
        return named[0] if named else keys.get(module_identity(text))

    def point_at(self, text: str, opened: Iterable[str] = ()) -> int | None:
        """Return the point that a text means; None where it is none, or stands for two halves that are parted.

        `opened`: the places that are parted or unplugged. At a module it is the harness side of its connector.
        """
        place = self.place_named(text)
        if place is None:
            return None
        points = [
            point for point in self._points_of_place[place] if not self._is_inside(point) or place == text
        ]
        side = _SIDE.split(text, maxsplit=1)
        if len(side) > 1:
            toward = self.place_named(side[-1]) or side[-1].strip()
            named = f"{place}{TOWARD}{toward}"
            if named in self.points:
                return self.points.index(named)
            return next((point for point in points if toward in _beyond(self, point, place)), None)
        apart = place in opened and len(points) > 1
        return None if apart or not points else points[0]

    @cached_property
    def places(self) -> tuple[str, ...]:
        """The names of its places."""
        return tuple(self._points_of_place)

    def key_of(self, places: Iterable[str]) -> str:
        """Return places that are parted or unplugged as one key, as `View.unplugged` holds it."""
        return (
            "+".join(str(number) for number in sorted({self.places.index(one) for one in places})) or NOTHING
        )

    def places_in(self, key: str) -> list[str]:
        """Return the places of a key."""
        return [self.places[int(number)] for number in roles_in(key)]

    @cached_property
    def neighbours(self) -> Mapping[int, tuple[tuple[int, int], ...]]:
        """(other point, branch) of each point."""
        found: dict[int, list[tuple[int, int]]] = defaultdict(list)
        for index, branch in enumerate(self.branches):
            one, other = branch.ends
            found[one].append((other, index))
            found[other].append((one, index))
        return {point: tuple(links) for point, links in found.items()}

    def opening(self, place: str) -> tuple[int, ...]:
        """Return the branches that open when a plug is parted or a module unplugged: the contacts there."""
        return tuple(
            index
            for index, branch in enumerate(self.branches)
            if branch.place == place and not branch.is_wire
        )

    def reached(self, start: int, without: Iterable[int] = ()) -> set[int]:
        """Return the points joined to one by wires, with some branches open."""
        closed, seen, front = set(without), {start}, [start]
        while front:
            for other, branch in self.neighbours.get(front.pop(), ()):
                if branch not in closed and other not in seen:
                    seen.add(other)
                    front.append(other)
        return seen


_SIDE: Final = re.compile(r"[,(]?\s*\b(?:towards?|facing|(?:on the )?side of|into)\s+", re.IGNORECASE)
"""What stands between a parted plug and the side that was read."""


def _plain(text: str) -> str:
    words = re.findall(r"[a-z0-9]+", text.casefold())
    dropped = {"plug", "splice", "connector", "of", "the", "module", "at", "inline", "pin", "pins"}
    return " ".join(word for word in words if word not in dropped) or " ".join(words)


def place_of_point(point: str) -> str:
    """Return the place of a point: `X12` of `X12 toward S417`.

    >>> place_of_point("X12 toward S417"), place_of_point("inside ABS")
    ('X12', 'ABS')
    """
    return point.removeprefix(INSIDE).split(TOWARD, maxsplit=1)[0]


TOWARD: Final = " toward "


def _beyond(wiring: Wiring, point: int, place: str) -> set[str]:
    """Return the places reached from one half of a parted plug."""
    reached = wiring.reached(point, wiring.opening(place))
    return {place_of_point(wiring.points[each]) for each in reached} - {place}


# --- from the record ----------------------------------------------------------------------------------------------


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
            tuple(_trees(len(self.points), self.branches, speaker)),
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
        for point, parent, _ in _trees(len(self.points), self.branches, start):
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


def _trees(points: int, branches: list[Branch], root: int) -> Iterator[tuple[int, int, int]]:
    """Yield a spanning tree of each part of the graph, from `root` outward first."""
    links: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for index, joined in enumerate(branches):
        one, other = joined.ends
        links[one].append((other, index))
        links[other].append((one, index))
    seen: set[int] = set()
    for start in (root, *range(points)):
        if start in seen:
            continue
        seen.add(start)
        yield start, -1, -1
        front = [start]
        while front:
            here = front.pop(0)
            for other, branch in links[here]:
                if other not in seen:
                    seen.add(other)
                    front.append(other)
                    yield other, here, branch
