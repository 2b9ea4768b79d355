"""Where a fault lies on a layout, as it is told: elements with probabilities, what nothing tells apart, what next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Final

from casebase.record.reading import Reading


class ElementKind(StrEnum):
    """What an element of a layout is."""

    DLC = "DLC"
    WIRE = "wire"
    PLUG = "plug"
    SPLICE = "splice"
    MODULE = "module"
    TERMINATOR = "terminator"
    FEED = "feed"
    GROUND = "ground point"


@dataclass(frozen=True)
class Evidence:
    """What is known of a job, for one or all networks of a layout.

    `lost`: (module that reports, module that it has lost). `proven`: how often a proven cause of the platform lay at an
    element, by its name. Readings at a parted plug stand `at` it, with the side under `toward` of the name:
    `plug X12 toward splice S417`, and the plug under `unplugged`.
    """

    readings: tuple[Reading, ...] = ()
    silent: tuple[str, ...] = ()
    answering: tuple[str, ...] = ()
    lost: tuple[tuple[str, str], ...] = ()
    proven: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class StateThere:
    """One way in which an element may be at fault, in words, with its probability among all of the network."""

    state: str
    probability: float


@dataclass(frozen=True)
class Suspect:
    """An element with the probability that the fault lies there, its ways the likeliest first.

    `proven`: how many proven causes of the platform lay here.
    """

    name: str
    kind: ElementKind
    probability: float
    states: tuple[StateThere, ...]
    proven: int = 0


@dataclass(frozen=True)
class Indistinct:
    """Elements that nothing given tells apart, with their probability together; `words`: `between A and B`."""

    names: tuple[str, ...]
    words: str
    probability: float


@dataclass(frozen=True)
class Outcome:
    """What a test may show, how likely, and where the fault then lies."""

    shows: str
    probability: float
    means: str


@dataclass(frozen=True)
class PlaceToOpen:
    """A test that tells where: at which element of the layout, what to do, what it is expected to tell.

    `bits`: expected about which element; `minutes`: with getting there.
    """

    place: str
    what: str
    minutes: float
    bits: float
    precondition: str
    outcomes: tuple[Outcome, ...]
    cautions: tuple[str, ...]

    @property
    def bits_per_minute(self) -> float:
        """What tests are ranked by."""
        return self.bits / self.minutes


CREDIBLE: Final = 0.90


@dataclass(frozen=True)
class WhereOnNetwork:
    """Where the fault of one network lies.

    `elements`: every element, the likeliest first; their probabilities sum, with `sound` (nothing of the layout is at
    fault) and `outside` (a fault like none computed), to 1. `unused`: readings by index not used, and why.
    `settled`: one element, or a group nothing tells apart, holds nine tenths.
    """

    network: str
    elements: tuple[Suspect, ...]
    sound: float
    outside: float
    credible_90: tuple[str, ...]
    indistinct: tuple[Indistinct, ...]
    next_tests: tuple[PlaceToOpen, ...]
    silent: tuple[str, ...] = ()
    answering: tuple[str, ...] = ()
    unused: tuple[tuple[int, str], ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def settled(self) -> bool:
        """Whether one element, or elements that nothing given tells apart, hold the credible share."""
        most = max((group.probability for group in self.indistinct), default=0.0)
        return max(most, self.elements[0].probability if self.elements else 0.0) >= CREDIBLE

    def probability(self, name: str) -> float:
        """Return the probability of an element by its name; 0 where there is none."""
        return next((one.probability for one in self.elements if one.name == name), 0.0)


@dataclass(frozen=True)
class Whereabouts:
    """Where the fault lies, network by network of one layout."""

    layout: str
    partly_known: bool
    networks: tuple[WhereOnNetwork, ...]


def whereabouts_data(found: Whereabouts) -> dict[str, Any]:
    """Return it as plain data."""
    return {
        "layout": found.layout,
        "partly_known": found.partly_known,
        "networks": [_network_data(network) for network in found.networks],
    }


def _network_data(network: WhereOnNetwork) -> dict[str, Any]:
    return {
        "network": network.network,
        "elements": [
            {
                "name": one.name,
                "kind": str(one.kind),
                "probability": round(one.probability, 4),
                "states": [
                    {"state": each.state, "probability": round(each.probability, 4)} for each in one.states
                ],
                "proven": one.proven,
            }
            for one in network.elements
        ],
        "sound": round(network.sound, 4),
        "outside": round(network.outside, 4),
        "credible_90": list(network.credible_90),
        "indistinct": [
            {"names": list(one.names), "words": one.words, "probability": round(one.probability, 4)}
            for one in network.indistinct
        ],
        "settled": network.settled,
        "next_tests": [_test_data(test) for test in network.next_tests],
        "silent": list(network.silent),
        "answering": list(network.answering),
        "unused": [{"reading": index + 1, "why": why} for index, why in network.unused],
        "remarks": list(network.remarks),
    }


def _test_data(test: PlaceToOpen) -> dict[str, Any]:
    return {
        "place": test.place,
        "what": test.what,
        "minutes": test.minutes,
        "bits": round(test.bits, 2),
        "precondition": test.precondition,
        "outcomes": [
            {"shows": one.shows, "probability": round(one.probability, 2), "means": one.means}
            for one in test.outcomes
        ],
        "cautions": list(test.cautions),
    }
