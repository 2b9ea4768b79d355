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
from casebase.record.layout import LayoutNetwork
from casebase.record.modules import module_identity, modules_named_in
from casebase.record.vocabulary import Medium

TWO_WIRES: Final = (Medium.HIGH_SPEED_CAN, Medium.CAN_FD, Medium.J1939)
"""Media whose levels are computed; on others only who is silent and the feeds count."""

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

    def feed_named(self, text: str) -> int | None:
        """Return the number of the feed or ground point that a text means: `fuse F2`, `ground point G4`; else None."""
        words = _plain(text)
        for number, element in enumerate(self.elements):
            if element.kind in (ElementKind.FEED, ElementKind.GROUND) and re.search(
                rf"\b{re.escape(_plain(element.name))}\b", words
            ):
                return number
        return None

    def point_at(self, text: str, opened: Iterable[str] = ()) -> int | None:
        """Return the point that a text means; None where it is none, or stands for two halves that are parted.

        `opened`: the places that are parted or unplugged. At a module it is the harness side of its connector.
        """
        place = self.place_named(text)
        if place is None:
            return None
        points = [point for point in self._points_of_place[place] if not self._is_inside(point)]
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


def spanning_trees(points: int, branches: list[Branch], root: int) -> Iterator[tuple[int, int, int]]:
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
