"""Random harnesses for the bench of where a fault lies: drawn here, in plain links and nodes, apart from casebase.

A link is a conductor pair between two nodes; it belongs to one element of the layout. A node of a plug or connector is
named `X3 toward S2`, as people say it. Figures are those of `ngspice_sampler.py` and its documents; what stands nowhere
is judged.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from random import Random
from typing import Any, Final

NAMES: Final = (
    *("ABS", "BCM", "ECM", "TCM", "HVAC", "IPC", "radio", "park assist", "steering column lock"),
    *(
        "door control front left",
        "door control front right",
        "door control rear left",
        "door control rear right",
    ),
    *("seat control driver", "seat control passenger", "tailgate", "trailer", "sunroof", "rain sensor"),
    *("headlamp left", "headlamp right", "power steering", "suspension", "four-wheel drive", "tire pressure"),
    *("camera front", "camera rear", "radar front", "telematics", "immobilizer", "gateway"),
)
"""Modules by the trade's own names."""

SHAPES: Final = ("trunk", "trunk", "star", "ring")


@dataclass
class Link:
    """A conductor pair of one element; `is_contact`: it comes apart when the element is parted or unplugged."""

    element: str
    one: str
    other: str
    ohms_high: float
    ohms_low: float
    is_contact: bool = False


@dataclass
class Unit:
    """A module: its node inside, bias, output stage; `fitted` and `supplied` may fail."""

    name: str
    node: str
    bias_ohms: tuple[float, float]
    bias_volts: float
    driver: tuple[float, float, float, float]
    threshold: float
    terminator: float | None = None
    fitted: bool = True
    supplied: bool = True
    works: bool = True
    stuck: bool = False
    load_ohms: float | None = None


@dataclass
class Harness:
    """One network; `shunts`: (node and line, node and line or 0 or battery, ohms)."""

    layout: dict[str, Any]
    links: list[Link]
    units: dict[str, Unit]
    feeds: dict[str, list[str]]
    grounds: dict[str, list[str]]
    shape: str
    shunts: list[tuple[str, str, float]] = field(default_factory=list)
    battery_volts: float = 12.4
    rail_ohms: float = 10.0
    dead_share: float = 1.0

    def elements(self) -> dict[str, str]:
        """Return what every element is, by its name."""
        wires = {link.element: "wire" for link in self.links if not link.is_contact}
        plugs = dict.fromkeys(self.layout["plugs"], "plug")
        splices = dict.fromkeys(self.layout["splices"], "splice")
        named = dict.fromkeys(self.units, "module") | {"DLC": "DLC"}
        shared = dict.fromkeys(self.feeds, "feed") | dict.fromkeys(self.grounds, "ground point")
        return wires | plugs | splices | named | shared


def harness_of(random: Random) -> Harness:
    """Return a sound harness of a random shape."""
    count = random.randint(6, 30)
    names = random.sample(NAMES, min(count, len(NAMES)))
    shape = random.choice(SHAPES)
    runs, plugs, splices = _RUNS[shape](random, names)
    metres = {}
    links: list[Link] = []
    wires = []
    for one, other in runs:
        length = random.choice((random.uniform(0.2, 1.5), random.uniform(0.5, 6.0)))
        metres[one, other] = length
        wires.append([one, f"{length:.1f} m", other] if random.random() < 0.6 else [one, other])
        per_metre = random.triangular(0.025, 0.09, 0.07)
        ends = [_node(place, neighbour, names, plugs) for place, neighbour in ((one, other), (other, one))]
        worn = random.choice((0.0, 0.0, 0.0, random.uniform(0.1, 1.5))) if "DLC" in (one, other) else 0.0
        ohms = [length * per_metre + _contact(random) + worn for _ in "hl"]
        links.append(Link(f"{one} to {other}", *ends, *ohms))
    for plug in plugs:
        halves = [
            _node(plug, one if two == plug else two, names, plugs) for one, two in runs if plug in (one, two)
        ]
        links.append(Link(plug, halves[0], halves[1], _contact(random), _contact(random), True))
    units = {}
    for name in names:
        units[name] = _unit(random, name)
        outer = [
            _node(name, one if two == name else two, names, plugs) for one, two in runs if name in (one, two)
        ]
        links += [
            Link(name, node, f"inside {name}", _contact(random), _contact(random), True) for node in outer
        ]
    for name in _ends(runs, names, shape):
        units[name].terminator = (
            random.gauss(120.0, 0.7) if random.random() < 0.85 else random.uniform(108.0, 132.0)
        )
    feeds, grounds = _shared(random, names, "F"), _shared(random, names, "G")
    layout = {
        "kind": "network layout",
        "vehicles": {"make": "Veldra", "models": ["Tern"]},
        "source": "measured",
        "networks": [
            {
                "name": "HS CAN",
                "medium": "high-speed CAN",
                "terminators": [name for name, unit in units.items() if unit.terminator],
                "wires": wires,
            }
            | ({"ring": "yes"} if _closes(runs) else {})
        ],
        "modules": names,
        "plugs": plugs,
        "splices": splices,
        "feeds": [{"name": name, "modules": held} for name, held in feeds.items()],
        "grounds": [{"name": name, "modules": held} for name, held in grounds.items()],
    }
    return Harness(
        layout, links, units, feeds, grounds, shape,
        battery_volts=random.uniform(11.8, 12.8), rail_ohms=min(max(random.lognormvariate(2.1, 0.9), 1.5), 60.0),
        dead_share=random.choice((1.0, random.uniform(0.5, 1.5), random.uniform(0.001, 0.5))),
    )  # fmt: skip


def _contact(random: Random) -> float:
    return float(min(random.lognormvariate(-4.2, 0.8), 0.3))


def _node(place: str, neighbour: str, names: list[str], plugs: list[str]) -> str:
    return f"{place} toward {neighbour}" if place in plugs or place in names else place


def _unit(random: Random, name: str) -> Unit:
    low, high, typical = random.choice(((9, 28, 15), (15, 35, 25), (25, 50, 30)))
    kilohms = random.triangular(low, high, typical)
    unlike = random.gauss(1.0, 0.007)
    ohms = random.triangular(17.0, 42.0, 26.0)
    return Unit(
        name,
        f"inside {name}",
        (1e3 * kilohms * unlike, 1e3 * kilohms / unlike),
        random.triangular(4.75, 5.25, 5.0) / 2,
        (
            random.triangular(4.1, 4.5, 4.3),
            random.triangular(0.5, 0.9, 0.7),
            ohms,
            random.triangular(0.04, 0.1, 0.07),
        ),
        random.uniform(0.55, 0.9),
    )


def _trunk(random: Random, names: list[str]) -> tuple[list[tuple[str, str]], list[str], list[str]]:
    """A trunk from one end module to the other, splices with one or two stubs, plugs here and there."""
    inner = names[1:-1]
    runs, plugs, splices, last = [], [], [], names[0]
    hang: list[str] = ["DLC", *inner]
    random.shuffle(hang)
    while hang:
        here = [hang.pop() for _ in range(min(random.choice((1, 1, 2, 3)), len(hang)))]
        splice = f"S{len(splices) + 1}"
        splices.append(splice)
        last = _joined(random, runs, plugs, last, splice, 0.35)
        for name in here:
            _joined(random, runs, plugs, splice, name, 0.12)
    _joined(random, runs, plugs, last, names[-1], 0.3)
    return runs, plugs, splices


def _star(random: Random, names: list[str]) -> tuple[list[tuple[str, str]], list[str], list[str]]:
    """One or two joint connectors with a stub to each module."""
    hubs = ["S1"] if len(names) < 12 else ["S1", "S2"]
    runs: list[tuple[str, str]] = []
    plugs: list[str] = []
    if len(hubs) == 2:
        _joined(random, runs, plugs, "S1", "S2", 0.7)
    for place, name in enumerate(["DLC", *names]):
        _joined(random, runs, plugs, hubs[place % len(hubs)], name, 0.2)
    return runs, plugs, hubs


def _ring(random: Random, names: list[str]) -> tuple[list[tuple[str, str]], list[str], list[str]]:
    """From module to module, each passed through; the DLC on a splice; now and then the ring closes."""
    runs: list[tuple[str, str]] = []
    plugs: list[str] = []
    at = random.randint(0, len(names) - 2)
    for place, (one, other) in enumerate(itertools.pairwise(names)):
        if place == at:
            _joined(random, runs, plugs, one, "S1", 0.2)
            _joined(random, runs, plugs, "S1", other, 0.2)
        else:
            _joined(random, runs, plugs, one, other, 0.2)
    _joined(random, runs, plugs, "S1", "DLC", 0.1)
    if random.random() < 0.3:
        _joined(random, runs, plugs, names[-1], names[0], 0.2)
    return runs, plugs, ["S1"]


_RUNS: Final = {"trunk": _trunk, "star": _star, "ring": _ring}


def _joined(  # noqa: PLR0913, PLR0917  runs and plugs grow
    random: Random, runs: list[tuple[str, str]], plugs: list[str], one: str, other: str, plugged: float
) -> str:
    if random.random() < plugged:
        plug = f"X{len(plugs) + 1}"
        plugs.append(plug)
        runs += [(one, plug), (plug, other)]
    else:
        runs.append((one, other))
    return other


def _closes(runs: list[tuple[str, str]]) -> bool:
    places = {place for run in runs for place in run}
    return len(runs) >= len(places)


def _ends(runs: list[tuple[str, str]], names: list[str], shape: str) -> tuple[str, str]:
    del runs, shape
    return names[0], names[-1]


def _shared(random: Random, names: list[str], letter: str) -> dict[str, list[str]]:
    """Share the modules out over fuses or ground points: one to six on each."""
    left = random.sample(names, len(names))
    found: dict[str, list[str]] = {}
    while left:
        many = min(random.choice((1, 2, 2, 3, 4, 6)), len(left))
        found[f"{letter}{len(found) + 1}"] = [left.pop() for _ in range(many)]
    return found
