"""How the parts of a layout fit together: what contradicts itself refuses it, each in one sentence.

A partly known layout may have loose ends and modules that no wire reaches; nothing else is forgiven.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from difflib import get_close_matches
from typing import Final

from casebase.errors import Problem
from casebase.record.layout import (
    DLC,
    MOST_PLACES,
    Layout,
    LayoutNetwork,
    Place,
    PlaceKind,
    PowerPoint,
    metres_in,
)
from casebase.record.vocabulary import YesNo
from casebase.record.word_list import plain_form

_SHOWN: Final = 5
_LISTS: Final = ("modules", "plugs", "splices", "feeds", "grounds")
_ON_A_BUS: Final = (PlaceKind.DLC, PlaceKind.MODULE, PlaceKind.PLUG, PlaceKind.SPLICE, PlaceKind.TERMINATOR)


def layout_inconsistencies(layout: Layout) -> list[Problem]:
    """Return everything in `layout` whose parts contradict each other; the shape only where the names are sound."""
    count = len(layout.kinds)
    if count > MOST_PLACES:
        return [Problem("the file", f"a layout of {count} places", f"expected at most {MOST_PLACES}")]
    problems = [problem for check in _NAME_CHECKS for problem in check(layout)]
    return problems or [problem for check in _SHAPE_CHECKS for problem in check(layout)]


def _vehicles_are_told(layout: Layout) -> Iterator[Problem]:
    fitted = layout.vehicles
    if not fitted.models and fitted.platform is None:
        yield Problem("vehicles", "", "which is not said: expected models, or the platform they share")
    if fitted.first_year and fitted.last_year and fitted.last_year < fitted.first_year:
        first, last = fitted.first_year, str(fitted.last_year)
        yield Problem(
            "vehicles.last_year", last, f"lies before first_year ({first}): expected the later year"
        )


def _bare(name: str, kind: PlaceKind) -> str:
    """Return a name without the word for its kind, capitals and separators: plug X-12 is x12."""
    plain = plain_form(name).replace("-", "")
    return plain.removeprefix(plain_form(kind)) or plain


def _places_have_one_name(layout: Layout) -> Iterator[Problem]:
    seen: dict[str, tuple[str, PlaceKind]] = {_bare(DLC, PlaceKind.DLC): (DLC, PlaceKind.DLC)}
    for key, (kind, places) in zip(_LISTS, layout.listed_places(), strict=True):
        for index, place in enumerate(places):
            field, shown = f"{key}[{index}]", f"'{place.name}'"
            if metres_in(place.name) is not None:
                yield Problem(field, shown, "reads as a length: expected the name of a place")
            form = _bare(place.name, kind)
            if form in seen:
                yield Problem(field, shown, _same_as(place.name, kind, *seen[form]))
            seen.setdefault(form, (place.name, kind))


def _same_as(name: str, kind: PlaceKind, earlier: str, earlier_kind: PlaceKind) -> str:
    if earlier_kind is PlaceKind.DLC:
        return "the DLC is a place of every layout: leave it out of the lists"
    if earlier_kind is not kind:
        return f"a {earlier_kind} has that name already ('{earlier}'): expected another for each place"
    if earlier == name:
        return "given twice: expected each place once"
    return f"two names for one {kind}: '{earlier}' differs in capitals or dashes alone; keep one of them"


def _networks_have_one_name(layout: Layout) -> Iterator[Problem]:
    for name, times in Counter(network.name for network in layout.networks).items():
        if times > 1:
            yield Problem("networks", f"'{name}'", f"given {times} times: expected each name once")


def _near(name: str, known: Iterable[str]) -> str | None:
    forms = {plain_form(other): other for other in known}
    close = get_close_matches(plain_form(name), forms, n=1, cutoff=0.6)
    return forms[close[0]] if close else None


def _places_of_wires_are_listed(layout: Layout) -> Iterator[Problem]:
    on_a_bus = [name for name, kind in layout.kinds.items() if kind in _ON_A_BUS]
    for at, network in enumerate(layout.networks):
        told: set[str] = set()
        for index, run in enumerate(network.wires):
            for name in run.through:
                if name in told or metres_in(name) is not None or layout.kinds.get(name) in _ON_A_BUS:
                    continue
                told.add(name)
                yield Problem(
                    f"networks[{at}].wires[{index}]",
                    f"'{name}'",
                    "listed neither under modules nor under plugs or splices: expected a place of this layout",
                    suggestion=_near(name, on_a_bus),
                )


def _terminators_stand_on_their_network(layout: Layout) -> Iterator[Problem]:
    for at, network in enumerate(layout.networks):
        reached = network.places()
        for index, terminator in enumerate(network.terminators):
            field, name = f"networks[{at}].terminators[{index}]", terminator.at
            if terminator.ohms is not None and terminator.ohms.low <= 0:
                yield Problem(f"{field}.ohms", f"'{terminator.ohms}'", "expected more than 0 ohm")
            kind = layout.kinds[name]
            if kind not in (PlaceKind.MODULE, PlaceKind.SPLICE, PlaceKind.TERMINATOR):
                expected = "expected the module or splice that holds it, or a name of its own"
                yield Problem(field, f"'{name}'", f"no terminator sits in a {kind}: {expected}")
            elif name not in reached and not (layout.is_partly_known and kind is PlaceKind.MODULE):
                yield Problem(
                    field,
                    f"'{name}'",
                    f"no wire of {network.name} reaches it: expected a module or splice of this network, "
                    "or wires to the resistor",
                    suggestion=_near(name, reached),
                )


def _feeds_and_grounds_name_places(layout: Layout) -> Iterator[Problem]:
    modules = [module.name for module in layout.modules]
    plugs = [plug.name for plug in layout.plugs]
    powered: tuple[tuple[str, Sequence[PowerPoint]], ...] = (
        ("feeds", layout.feeds),
        ("grounds", layout.grounds),
    )
    for key, points in powered:
        for index, point in enumerate(points):
            for part, names, known in (
                ("modules", point.modules, modules),
                ("through", point.through, plugs),
            ):
                yield from _unknown(f"{key}[{index}].{part}", names, known, part.replace("through", "plugs"))


def _unknown(field: str, names: Iterable[str], known: list[str], listed_under: str) -> Iterator[Problem]:
    for name in names:
        if name not in known:
            yield Problem(
                field, f"'{name}'", f"not listed under {listed_under}", suggestion=_near(name, known)
            )


def _gateways_are_modules(layout: Layout) -> Iterator[Problem]:
    yield from _unknown("gateways", layout.gateways, [module.name for module in layout.modules], "modules")
    for index, plug in enumerate(layout.plugs):
        networks = [network.name for network in layout.networks]
        yield from _unknown(f"plugs[{index}].pins", plug.pins or {}, networks, "networks")


def _wires_are_given_once(layout: Layout) -> Iterator[Problem]:
    for at, network in enumerate(layout.networks):
        pairs = Counter(frozenset(wire.ends) for wire in layout.wires(network))
        for pair, times in pairs.items():
            named = " and ".join(sorted(pair))
            if len(pair) == 1:
                yield Problem(
                    f"networks[{at}].wires", f"'{named}'", "a wire from a place to itself: expected two"
                )
            elif times > 1:
                expected = f"the wire between them is given {times} times: expected once"
                yield Problem(f"networks[{at}].wires", f"'{named}'", expected)


def _no_loose_ends(layout: Layout) -> Iterator[Problem]:
    for at, network in enumerate(layout.networks):
        for name, wires in Counter(end for wire in layout.wires(network) for end in wire.ends).items():
            kind = layout.kinds[name]
            if kind is PlaceKind.PLUG and wires > 2:
                expected = (
                    f"{wires} wires of {network.name} meet in it, a plug joins two: list it as a splice"
                )
                yield Problem(f"networks[{at}].wires", f"'{name}'", expected)
            elif kind in (PlaceKind.PLUG, PlaceKind.SPLICE) and wires < 2 and not layout.is_partly_known:
                expected = f"a loose end: the wire goes on to where? {_OR_PARTLY}"
                yield Problem(f"networks[{at}].wires", f"'{name}'", expected)


_OR_PARTLY: Final = "Expected the next place, or partly_known: yes"


def _cycles_are_rings(layout: Layout) -> Iterator[Problem]:
    for at, network in enumerate(layout.networks):
        # What is given twice, or leads nowhere, is said elsewhere.
        wires = {frozenset(wire.ends): wire for wire in layout.wires(network) if len({*wire.ends}) > 1}
        parts = _parts(wire.ends for wire in wires.values())
        closed = len(wires) - sum(len(part) - 1 for part in parts)
        field = f"networks[{at}]"
        if closed and network.ring is not YesNo.YES:
            yield Problem(
                f"{field}.wires", "", f"{_cycle_words(layout, network)}: take a wire out, or say ring: yes"
            )
        elif closed > 1:
            yield Problem(f"{field}.wires", "", f"closes to {closed} rings: expected one at most")
        elif network.ring is YesNo.YES and wires and not closed and not layout.is_partly_known:
            yield Problem(f"{field}.ring", "", "no wire closes the ring: expected one, or leave ring out")


def _cycle_words(layout: Layout, network: LayoutNetwork) -> str:
    """Return which wire closes a circle, in words."""
    groups: dict[str, set[str]] = {}
    for wire in layout.wires(network):
        first, second = (groups.setdefault(end, {end}) for end in wire.ends)
        if first is second:
            return f"the wire {wire.name} closes a circle"
        first |= second
        groups.update(dict.fromkeys(second, first))
    return "the wires close a circle"


def _parts(pairs: Iterable[tuple[str, str]]) -> list[set[str]]:
    """Return the groups of places that wires join."""
    beside: defaultdict[str, set[str]] = defaultdict(set)
    for first, second in pairs:
        beside[first].add(second)
        beside[second].add(first)
    left, parts = set(beside), []
    while left:
        part, edge = set[str](), {next(iter(left))}
        while edge:
            part |= edge
            edge = {near for place in edge for near in beside[place]} - part
        left -= part
        parts.append(part)
    return parts


def _everything_hangs_together(layout: Layout) -> Iterator[Problem]:
    if layout.is_partly_known:
        return
    for at, network in enumerate(layout.networks):
        parts = _parts(wire.ends for wire in layout.wires(network))
        if not parts:
            yield Problem(f"networks[{at}].wires", "", f"{network.name} has no wire: {_OR_PARTLY}")
        elif len(parts) > 1:
            first, second = (_names(part) for part in sorted(parts, key=len, reverse=True)[:2])
            expected = f"in {len(parts)} parts, no wire joins {second} to {first}: {_OR_PARTLY}"
            yield Problem(f"networks[{at}].wires", "", expected)


def _each_place_is_reached(layout: Layout) -> Iterator[Problem]:
    if layout.is_partly_known:
        return
    wired = {name for network in layout.networks for name in network.places()}
    wired |= {name for point in layout.power_points() for name in point.through}
    listed: tuple[tuple[str, Sequence[Place]], ...] = (
        ("modules", layout.modules),
        ("plugs", layout.plugs),
        ("splices", layout.splices),
    )
    for key, places in listed:
        for index, place in enumerate(places):
            if place.name not in wired:
                yield Problem(f"{key}[{index}]", f"'{place.name}'", f"no wire reaches it: {_OR_PARTLY}")
    yield from _out_of_the_testers_reach(layout)


def _out_of_the_testers_reach(layout: Layout) -> Iterator[Problem]:
    """Yield what the tester at the DLC cannot speak to: neither wired to the DLC nor behind a gateway."""
    reached = {DLC}
    networks = {network.name: set(network.places()) for network in layout.networks}
    bridges = {DLC, *layout.gateways}
    while near := [name for name, places in networks.items() if places & reached & bridges]:
        for name in near:
            reached |= networks.pop(name)
    for at, network in enumerate(layout.networks):
        if network.name in networks:
            yield Problem(
                f"networks[{at}]",
                f"'{network.name}'",
                "neither at the DLC nor behind a gateway: expected a wire to DLC, or its gateway under gateways",
            )


def _names(places: Iterable[str]) -> str:
    names = sorted(places)
    return f"{', '.join(names[:_SHOWN])}{' ...' if len(names) > _SHOWN else ''}"


_NAME_CHECKS: Final[tuple[Callable[[Layout], Iterator[Problem]], ...]] = (
    _vehicles_are_told,
    _networks_have_one_name,
    _places_have_one_name,
    _places_of_wires_are_listed,
    _terminators_stand_on_their_network,
    _feeds_and_grounds_name_places,
    _gateways_are_modules,
)
_SHAPE_CHECKS: Final[tuple[Callable[[Layout], Iterator[Problem]], ...]] = (
    _wires_are_given_once,
    _no_loose_ends,
    _cycles_are_rings,
    _everything_hangs_together,
    _each_place_is_reached,
)
