"""A draft of a layout from past cases of a platform: what they name, all of it guessed; wires are left to fill in."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final

from casebase.errors import LibraryError
from casebase.library.derived import StoredRecord
from casebase.record.case import Case, Network
from casebase.record.layout import Layout, Source
from casebase.record.loading import layout_from_data
from casebase.record.modules import module_identity
from casebase.record.vocabulary import NETWORK_LAYOUT, Place, YesNo
from casebase.record.word_list import plain_form

_NAMES: Final = {
    "splices": re.compile(r"\b(S[0-9]{1,4}[A-Z]?)\b"),
    "plugs": re.compile(r"\b([XC][0-9]{1,4}[A-Z]?)\b"),
    "feeds": re.compile(r"\b(F[0-9]{1,3}[A-Z]?)\b"),
    "grounds": re.compile(r"\b(G[0-9]{1,4}[A-Z]?)\b"),
}
"""Names of places as diagrams print them: a letter for the kind, then a number (common practice, no source)."""

_HEAD: Final = """\
# A draft from {count} of the library's cases of platform {platform}. All of it is guessed: hold it against the maker's
# diagram or the vehicle. Under wires, put the runs from place to place, with lengths where they are known:
#   wires: [[ECM, 0.4 m, X12, S417, BCM], [S417, 0.6 m, ABS], [DLC, S417]]
{modules}# Take partly_known out when nothing is missing any more. Then: casebase log FILE
"""


def drafted_layout(records: Iterable[StoredRecord], platform: str) -> tuple[str, Layout]:
    """Return the first lines of a draft file, and the layout that past cases of a platform (or model) name.

    Raises `LibraryError` where no case of it names a network and a module.
    """
    named = plain_form(platform)
    cases = [
        one.case
        for one in records
        if named in {plain_form(one.case.vehicle.platform or ""), plain_form(one.case.vehicle.model)}
    ]
    cases = [case for case in cases if case.networks and case.modules]
    if not cases:
        raise LibraryError(
            f"no case of a platform or model '{platform}' names networks and modules: casebase list --platform shows"
            " those there are"
        )
    modules = _modules(cases)
    told = "".join(f"#   {line}\n" for line in _modules_by_network(cases, modules))
    by_network = f"# Which modules are on which network, as far as the cases say:\n{told}" if told else ""
    head = _HEAD.format(count=len(cases), platform=platform, modules=by_network)
    return head, layout_from_data(_data(cases, modules), "the draft")


def _modules_by_network(cases: Sequence[Case], modules: dict[str, str]) -> Iterator[str]:
    """Yield for each network a line that names its modules."""
    found: dict[str, dict[str, None]] = {}
    for case in cases:
        for module in case.modules:
            network = case.network_of(module.network)
            if network is not None:
                found.setdefault(network.name, {})[modules[module_identity(module.name)]] = None
    yield from (f"{network}: {', '.join(names)}" for network, names in found.items())


def _data(cases: Sequence[Case], modules: dict[str, str]) -> dict[str, Any]:
    networks = _networks(cases, modules)
    gateways = {
        modules[key]
        for case in cases
        for network in case.networks
        if network.gateway and (key := module_identity(network.gateway)) in modules
    }
    return {
        "kind": NETWORK_LAYOUT,
        "vehicles": _vehicles(cases),
        "source": str(Source.GUESSED),
        "partly_known": str(YesNo.YES),
        "missing": "The wires, and whatever no case has named.",
        "networks": networks,
        "modules": list(modules.values()),
        "gateways": sorted(gateways),
        **_places(cases, set(modules.values())),
    }


def _vehicles(cases: Sequence[Case]) -> dict[str, Any]:
    make = Counter(case.vehicle.make for case in cases).most_common(1)[0][0]
    of_make = [case.vehicle for case in cases if case.vehicle.make == make]
    years = [vehicle.model_year for vehicle in of_make if vehicle.model_year]
    platforms = Counter(vehicle.platform for vehicle in of_make if vehicle.platform)
    told = {
        "make": make,
        "models": sorted({vehicle.model for vehicle in of_make}),
        "platform": platforms.most_common(1)[0][0] if platforms else None,
        "first_year": min(years, default=None),
        "last_year": max(years, default=None),
    }
    return {key: value for key, value in told.items() if value is not None}


def _modules(cases: Sequence[Case]) -> dict[str, str]:
    """Return each module once, by what its name means, under the name that most cases give it."""
    names: dict[str, Counter[str]] = {}
    for case in cases:
        said = [*(module.name for module in case.modules), *(network.gateway for network in case.networks)]
        for name in filter(None, said):
            names.setdefault(module_identity(name), Counter())[name] += 1
    return {key: counted.most_common(1)[0][0] for key, counted in names.items()}


def _networks(cases: Sequence[Case], modules: dict[str, str]) -> list[dict[str, Any]]:
    """Return each network once by its name and medium, with the terminators most cases name."""
    told: dict[str, list[Network]] = {}
    for case in cases:
        for network in case.networks:
            told.setdefault(network.name, []).append(network)
    found = []
    for name, same in told.items():
        rates = Counter(str(one.bit_rate) for one in same if one.bit_rate)
        ends = Counter(tuple(one.terminators_in) for one in same if one.terminators_in)
        held = [modules.get(module_identity(it)) for it in (ends.most_common(1)[0][0] if ends else ())]
        data: dict[str, Any] = {"name": name, "medium": str(same[0].medium)}
        if rates:
            data["bit_rate"] = rates.most_common(1)[0][0]
        if terminators := [it for it in held if it]:
            data["terminators"] = terminators
        found.append(data)
    return found


def _places(cases: Sequence[Case], modules: set[str]) -> dict[str, list[dict[str, Any]]]:
    """Return the splices, plugs, fuses and ground points that causes and readings name, by the key of a layout."""
    texts: list[tuple[str, Place | None, str | None]] = [
        (reading.at, None, None) for case in cases for reading in case.readings if reading.at
    ]
    texts += [
        (cause.where.text, cause.where.place, cause.module)
        for case in cases
        for cause in (case.cause, *case.more_causes)
        if cause is not None and cause.where is not None and cause.where.text
    ]
    found: dict[str, dict[str, dict[str, Any]]] = {}
    taken = {plain_form(name) for name in modules}
    for text, place, module in texts:
        for key, name in _named_in(text, place):
            if plain_form(name) in taken or (key in _POWERED and module not in modules):
                continue
            entry = found.setdefault(key, {}).setdefault(name, {"name": name, "at": text})
            if key in _POWERED:
                entry["modules"] = sorted({*entry.get("modules", ()), module})
    return {key: list(entries.values()) for key, entries in found.items()}


_POWERED: Final = ("feeds", "grounds")


def _named_in(text: str, place: Place | None) -> Iterator[tuple[str, str]]:
    """Yield the places that a text names, each with the key of a layout under which it stands."""
    coded = [(key, name) for key, pattern in _NAMES.items() for name in pattern.findall(text)]
    if not coded and place in _BY_PLACE and len(text) <= _LONGEST_NAME:
        coded = [(_BY_PLACE[place], text)]
    yield from coded


_BY_PLACE: Final[dict[Place | None, str]] = {
    Place.SPLICE: "splices",
    Place.FUSE: "feeds",
    Place.GROUND_POINT: "grounds",
}
_LONGEST_NAME: Final = 60
