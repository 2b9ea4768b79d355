"""A job held against a layout: what is evidence there, what past cases proved there, and where the fault lies."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from types import MappingProxyType
from typing import Final

from casebase.bus.layout.locating import where
from casebase.bus.layout.whereabouts import Evidence, Whereabouts
from casebase.record.case import Case, Cause
from casebase.record.inference import with_networks
from casebase.record.layout import Layout, LayoutNetwork, PlaceKind
from casebase.record.modules import module_identity
from casebase.record.reading import Reading
from casebase.record.stored_codes import who_blames_whom
from casebase.record.vocabulary import Answers, Fault, Medium, Place, Stage
from casebase.record.word_list import plain_form

MOST_PAST: Final = 300
"""Past cases of a platform that are looked through for places of proven causes, the newest."""

MOST_COMPUTED: Final = 120
"""Places of one network: three seconds of processor time and 520 MB (measured); a car has twenty to sixty (judged)."""

NOTHING_PROVEN: Final[Mapping[str, int]] = MappingProxyType({})

_SAME_LEVELS: Final = {Medium.CAN_FD: Medium.HIGH_SPEED_CAN, Medium.J1939: Medium.HIGH_SPEED_CAN}


def where_of(job: Case, layout: Layout, proven: Mapping[str, int] = NOTHING_PROVEN) -> Whereabouts:
    """Return where on a layout the fault of a job lies; networks of which the job says nothing are left out.

    So are those of more than `MOST_COMPUTED` places (`too_large`).

    `proven`: how many proven causes of the same platform lay at each place (`proven_at`), which raises it.
    """
    evidence = evidence_of(job, layout, proven)
    told = [
        network
        for network in layout.networks
        if len(network.places()) <= MOST_COMPUTED and _is_spoken_of(network, evidence, layout)
    ]
    if not told:
        return Whereabouts(layout.name(), layout.is_partly_known, ())
    return where(layout.model_copy(update={"networks": told}), evidence)


def too_large(layout: Layout) -> list[str]:
    """Return a sentence for each network that has too many places for where to be computed."""
    return [
        f"{network.name} has {len(network.places())} places: computed are up to {MOST_COMPUTED}; give a part of it."
        for network in layout.networks
        if len(network.places()) > MOST_COMPUTED
    ]


def evidence_of(job: Case, layout: Layout, proven: Mapping[str, int] = NOTHING_PROVEN) -> Evidence:
    """Return what a job says that can be held against a layout: readings as found, who is silent, who lost whom."""
    names = _network_names(job, layout)
    blames = who_blames_whom((entry.module, entry.code) for entry in job.codes)
    return Evidence(
        readings=tuple(_readings(job, names)),
        silent=tuple(job.silent_modules()),
        answering=tuple(module.name for module in job.modules if module.answers is Answers.YES),
        lost=tuple(
            (reporter, blame.module)
            for blame in blames
            if blame.kind == "lost"
            for reporter in blame.reporters
        ),
        proven=proven,
    )


def _network_names(job: Case, layout: Layout) -> dict[str, str]:
    """Return, by the job's name of a network, that of the layout: the same, else the only one of its medium."""
    known = {plain_form(network.name): network.name for network in layout.networks}
    found = {}
    for network in job.networks:
        medium = _SAME_LEVELS.get(network.medium, network.medium)
        alike = [it.name for it in layout.networks if _SAME_LEVELS.get(it.medium, it.medium) is medium]
        same = known.get(plain_form(network.name)) or (alike[0] if len(alike) == 1 else None)
        if same is not None:
            found[network.name] = same
    return found


def _readings(job: Case, names: dict[str, str]) -> Iterator[Reading]:
    """Yield the readings taken before the repair, under the layout's name of their network."""
    whole = with_networks(job)
    only = whole.networks[0].name if len(whole.networks) == 1 else None
    for reading in whole.readings:
        network = names.get(reading.network or only or "")
        if network is not None and reading.stage is not Stage.AFTER_REPAIR:
            yield reading.model_copy(update={"network": network})


def _is_spoken_of(network: LayoutNetwork, evidence: Evidence, layout: Layout) -> bool:
    """Return whether a job says anything that tells where on this network a fault lies."""
    if not network.wires:
        return False
    if any(reading.network == network.name for reading in evidence.readings):
        return True
    here = {module_identity(name) for name in network.places()} - _gateways(layout)
    told = {*evidence.silent, *(lost for _, lost in evidence.lost)}
    return not here.isdisjoint(map(module_identity, told))


def _gateways(layout: Layout) -> set[str]:
    return {module_identity(name) for name in layout.gateways}


_NO_FAULT_OF_THE_PLACE: Final = frozenset(
    (Fault.NONE, Fault.GATEWAY_ISOLATION_NORMAL, Fault.LOW_SYSTEM_VOLTAGE, Fault.CONFIGURATION)
)
"""Causes that say nothing of the wiring at the place they name."""


def _found_where(layout: Layout, cause: Cause, text: str) -> Iterator[str]:
    """Yield the places of the kind that a cause names which are found where its words say."""
    place = cause.where.place if cause.where is not None else None
    wanted = PlaceKind.GROUND if str(PlaceKind.GROUND) in text else _KIND_OF_PLACE.get(place)
    for kind, places in layout.listed_places():
        for one in places if kind is wanted else ():
            if one.at is not None and len(one.at) >= _TELLING and one.at.casefold() in text:
                yield one.name


_KIND_OF_PLACE: Final[dict[Place | None, PlaceKind]] = {
    Place.CONNECTOR: PlaceKind.PLUG,
    Place.SPLICE: PlaceKind.SPLICE,
    Place.FUSE: PlaceKind.FEED,
    Place.GROUND_POINT: PlaceKind.GROUND,
}

_TELLING: Final = 12
"""Letters from which where a place is found tells it from others: `behind the left headlamp` (judged)."""


def proven_at(layout: Layout, past: Iterable[Case]) -> dict[str, int]:
    """Return how many proven causes of past cases lay at each element of a layout, by its name."""
    counted = Counter[str]()
    for case in past:
        for cause in (case.cause, *case.more_causes):
            if cause is None or cause.proof is None or cause.fault in _NO_FAULT_OF_THE_PLACE:
                continue
            if name := _element_of(layout, cause):
                counted[name] += 1
    return dict(counted)


def _element_of(layout: Layout, cause: Cause) -> str | None:
    """Return the place of a layout that a cause names: by its name or where it is found, else the module at fault."""
    text = cause.where.text if cause.where is not None and cause.where.text else ""
    modules = {module_identity(module.name): module.name for module in layout.modules}
    named = [
        name
        for name in layout.kinds
        if name not in modules.values() and re.search(rf"\b{re.escape(name)}\b", text, re.IGNORECASE)
    ]
    named = named or list(_found_where(layout, cause, text.casefold()))
    if named:
        return max(named, key=len)
    if cause.where is not None and cause.where.place is Place.MODULE and cause.module:
        return modules.get(module_identity(cause.module))
    return None
