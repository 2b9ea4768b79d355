"""One fault put into a harness of `where_harness.py`, of any kind, anywhere; the truth is the name of the element."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log
from random import Random
from typing import Final

from where_harness import Harness, Link

KINDS: Final = (
    *(("one line open", 24), ("both lines open", 8), ("poor joint", 9)),
    *(("lines together", 9), ("line to ground", 9), ("line to battery", 4), ("leak", 3)),
    *(("module dead", 8), ("own supply", 5), ("own ground", 4), ("feed", 6), ("ground", 6)),
    *(("terminator lost", 3), ("stuck", 2)),
)
"""Kinds of fault and how often, in hundredths (judged)."""


@dataclass(frozen=True)
class Truth:
    """The element at fault, its kind, what is wrong; `feed`: what supply and ground at dead modules' plugs show."""

    element: str
    kind: str
    fault: str
    feed: str = ""
    dead: tuple[str, ...] = ()


def put_fault(random: Random, harness: Harness) -> Truth:
    """Change the harness by one fault and return the truth."""
    fault = random.choices([kind for kind, _ in KINDS], [often for _, often in KINDS])[0]
    element, feed, dead = _PUT[fault](random, harness)
    return Truth(element, harness.elements()[element], fault, feed, dead)


def _log_even(random: Random, low: float, high: float) -> float:
    return exp(random.uniform(log(low), log(high)))


def _series_place(random: Random, harness: Harness) -> tuple[str, Link]:
    """Return an element and a link of it that opens; plugs twice as often. A splice fails in one of its arms."""
    kinds = harness.elements()
    places = [name for name, kind in kinds.items() if kind in ("wire", "plug", "splice", "module", "DLC")]
    weights = [{"plug": 2.0, "DLC": 1.0}.get(kinds[name], 1.0) for name in places]
    element = random.choices(places, weights)[0]
    links = [link for link in harness.links if link.element == element]
    if kinds[element] in ("splice", "DLC"):
        links = [link for link in harness.links if element in (link.one, link.other)]
    return element, random.choice(links)


def _one_open(random: Random, harness: Harness) -> tuple[str, str, tuple[str, ...]]:
    element, link = _series_place(random, harness)
    ohms = 1e9 if random.random() < 0.8 else _log_even(random, 3e3, 5e6)
    if random.random() < 0.5:
        link.ohms_high += ohms
    else:
        link.ohms_low += ohms
    return element, "", ()


def _both_open(random: Random, harness: Harness) -> tuple[str, str, tuple[str, ...]]:
    element, link = _series_place(random, harness)
    link.ohms_high += 1e9
    link.ohms_low += 1e9
    return element, "", ()


def _joint(random: Random, harness: Harness) -> tuple[str, str, tuple[str, ...]]:
    element, link = _series_place(random, harness)
    ohms = _log_even(random, 8.0, 1.5e3)
    if random.random() < 0.5:
        link.ohms_high += ohms
    else:
        link.ohms_low += ohms
    return element, "", ()


def _shunt_place(random: Random, harness: Harness) -> tuple[str, str]:
    """Return an element and the node at which something hangs."""
    kinds = harness.elements()
    often = {"wire": 1.0, "plug": 1.0, "splice": 0.4, "module": 1.0}
    places = [name for name, kind in kinds.items() if kind in often]
    element = random.choices(places, [often[kinds[name]] for name in places])[0]
    if kinds[element] == "module":
        return element, f"inside {element}"
    links = [link for link in harness.links if link.element == element]
    return element, element if kinds[element] == "splice" else random.choice((links[0].one, links[0].other))


def _short_ohms(random: Random) -> float:
    return (
        min(max(random.lognormvariate(0.8, 1.6), 0.05), 60.0)
        if random.random() < 0.8
        else _log_even(random, 60, 1e3)
    )


def _together(random: Random, harness: Harness) -> tuple[str, str, tuple[str, ...]]:
    element, node = _shunt_place(random, harness)
    harness.shunts.append((f"{node}|h", f"{node}|l", _short_ohms(random)))
    return element, "", ()


def _to(target: str):
    def put(random: Random, harness: Harness) -> tuple[str, str, tuple[str, ...]]:
        element, node = _shunt_place(random, harness)
        harness.shunts.append((f"{node}|{random.choice('hl')}", target, _short_ohms(random)))
        return element, "", ()

    return put


def _leak(random: Random, harness: Harness) -> tuple[str, str, tuple[str, ...]]:
    kinds = harness.elements()
    wet = [name for name, kind in kinds.items() if kind in ("plug", "splice")]
    element = random.choice(wet)
    node = (
        element
        if kinds[element] == "splice"
        else next(link.one for link in harness.links if link.element == element)
    )
    for one, other in random.sample([("h", "l"), ("h", ""), ("l", "")], random.choice((1, 2))):
        harness.shunts.append(
            (f"{node}|{one}", f"{node}|{other}" if other else "0", _log_even(random, 300, 4e3))
        )
    return element, "", ()


def _unsupplied(random: Random, harness: Harness, names: list[str], feed: str) -> tuple[str, tuple[str, ...]]:
    for name in names:
        unit = harness.units[name]
        unit.supplied = unit.works = False
        if random.random() < 0.12:
            unit.load_ohms = _log_even(random, 200.0, 1e4)
    return feed, tuple(names)


def _dead(random: Random, harness: Harness) -> tuple[str, str, tuple[str, ...]]:
    name = random.choice(list(harness.units))
    harness.units[name].works = False
    return name, "", ()


def _own_supply(random: Random, harness: Harness) -> tuple[str, str, tuple[str, ...]]:
    name = random.choice(list(harness.units))
    return name, *_unsupplied(
        random, harness, [name], random.choice(("supply missing", "supply missing", "supply weak"))
    )


def _own_ground(random: Random, harness: Harness) -> tuple[str, str, tuple[str, ...]]:
    name = random.choice(list(harness.units))
    return name, *_unsupplied(random, harness, [name], "ground poor")


def _feed(random: Random, harness: Harness) -> tuple[str, str, tuple[str, ...]]:
    name = random.choice(list(harness.feeds))
    feed = random.choice(("supply missing", "supply missing", "supply weak"))
    return name, *_unsupplied(random, harness, harness.feeds[name], feed)


def _ground(random: Random, harness: Harness) -> tuple[str, str, tuple[str, ...]]:
    name = random.choice(list(harness.grounds))
    return name, *_unsupplied(random, harness, harness.grounds[name], "ground poor")


def _terminator(random: Random, harness: Harness) -> tuple[str, str, tuple[str, ...]]:
    name = random.choice([name for name, unit in harness.units.items() if unit.terminator])
    harness.units[name].terminator = None
    return name, "", ()


def _stuck(random: Random, harness: Harness) -> tuple[str, str, tuple[str, ...]]:
    name = random.choice(list(harness.units))
    harness.units[name].stuck = True
    return name, "", ()


_PUT: Final = {
    "one line open": _one_open,
    "both lines open": _both_open,
    "poor joint": _joint,
    "lines together": _together,
    "line to ground": _to("0"),
    "line to battery": _to("battery"),
    "leak": _leak,
    "module dead": _dead,
    "own supply": _own_supply,
    "own ground": _own_ground,
    "feed": _feed,
    "ground": _ground,
    "terminator lost": _terminator,
    "stuck": _stuck,
}
