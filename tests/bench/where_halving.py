"""How many tests and minutes lead to one element: the tests that casebase names, unplugging in order, and random ones.

Run by hand: `python tests/bench/where_halving.py [--seed 0] [--layouts 24]`. All three are weighed by the same
computation and stop alike: one element, or elements that nothing tells apart, hold nine tenths; no test tells more, and
the set that holds nine tenths is what is left; or a dozen tests are done, which is not settled. Needs ngspice.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import log2
from random import Random
from typing import Any, Final

from where_quality import mean
from where_solve import Asked, solved
from where_visits import OFF, ON, Visit, feed_reading, ohms_readings, shown_ohms, visits, volts_readings

from casebase.bus.layout.belief import Belief, Candidate
from casebase.bus.layout.halving import not_done
from casebase.bus.layout.locating import Computed, believed, computed, where
from casebase.bus.layout.whereabouts import CREDIBLE, WhereOnNetwork
from casebase.bus.layout.wiring import Wiring

MOST_TESTS: Final = 12
Choose = Callable[[Belief, Random], Candidate | None]


def best(belief: Belief, random: Random) -> Candidate | None:
    """Return the test that tells most per minute, as casebase names it."""
    del random
    rated = [(belief.bits(one.shows(belief.some)) / one.minutes, one) for one in not_done(belief)]
    found = max(rated, key=lambda pair: pair[0], default=(0.0, None))
    return found[1] if found[0] > 0.001 else None


def in_order(belief: Belief, random: Random) -> Candidate | None:
    """Return the next module to unplug, in the order of the layout, read from the DLC; then whatever is left."""
    del random
    left = list(not_done(belief))
    unplugging = [
        one for one in left if one.what.startswith("unplug") and one.what.endswith("to ground at DLC")
    ]
    return (unplugging or left or [None])[0]


def any_test(belief: Belief, random: Random) -> Candidate | None:
    """Return any test at all."""
    left = list(not_done(belief))
    return random.choice(left) if left else None


WAYS: Final[dict[str, Choose]] = {"casebase": best, "in order": in_order, "random": any_test}


@dataclass(frozen=True)
class Walk:
    """One search: tests and minutes, whether it came to an end, whether the end holds the truth, its size."""

    tests: int
    minutes: float
    settled: bool
    right: bool
    size: int
    elements: int


def walk(visit: Visit, choose: Choose, random: Random) -> Walk:
    """Test until one element or a group is left."""
    layout = visit.layout
    one = computed(layout, layout.networks[0])
    more: list[dict[str, Any]] = []
    minutes, tests = 0.0, 0
    while True:
        evidence = visit.evidence(more)
        found = where(layout, evidence, 0).networks[0]
        names = ends_in(found)
        if names or tests == MOST_TESTS:
            break
        _, _, _, belief = believed(one, evidence, list(enumerate(evidence.readings)))
        test = choose(belief, random)
        if test is None:
            break
        tests, minutes = tests + 1, minutes + test.minutes
        more += done(visit, one, test, random)
    settled = bool(names) or tests < MOST_TESTS
    names = names or found.credible_90
    return Walk(tests, minutes, settled, visit.truth.element in names, len(names), len(found.elements))


def ends_in(found: WhereOnNetwork) -> tuple[str, ...]:
    """Return the element or the group that holds nine tenths, none where nothing does."""
    if found.elements[0].probability >= CREDIBLE:
        return (found.elements[0].name,)
    return next((group.names for group in found.indistinct if group.probability >= CREDIBLE), ())


def done(visit: Visit, one: Computed, test: Candidate, random: Random) -> list[dict[str, Any]]:
    """Return the readings of a test, as ngspice and a meter give them."""
    wiring = one.rows.wiring
    if test.told[0][1] == "feed":
        if test.place in visit.harness.feeds or test.place in visit.harness.grounds:
            return [at_its_feed(visit, test.place, random)]
        return [feed_reading(random, visit.truth, test.place, visit.harness)]
    views = list(dict.fromkeys(view for view, _ in test.told))
    parted = tuple(wiring.places_in(views[0].unplugged))
    nodes = tuple(node_of(wiring, int(view.place)) for view in views)
    far = next((quantity.split(" to ")[1] for _, quantity in test.told if " to " in quantity), None)
    if far is not None:
        return _along(visit, (nodes[0], node_of(wiring, int(far))), parted, random)
    if test.told[0][1].startswith("volts"):
        alive = [name for name in visit.answering if name not in parted][:4]
        found = solved([Asked(visit.harness, parted, senders=tuple(alive))])[0]
        return volts_readings(random, found, nodes[0], dict.fromkeys(alive, 0.05), visit.meter)
    found = solved([Asked(visit.harness, parted, nodes, levels=False)])[0]
    return [reading for node in nodes for reading in ohms_readings(random, found, node, parted, visit.meter)]


def _along(
    visit: Visit, ends: tuple[str, str], parted: Sequence[str], random: Random
) -> list[dict[str, Any]]:
    found = solved([Asked(visit.harness, tuple(parted), ends=(ends,), levels=False)])[0]
    return [
        {"quantity": "resistance", "line": line, "at": ends[0], "to": ends[1], "unplugged": list(parted)}
        | {"value": shown_ohms(random, ohms, visit.meter[0])}
        | OFF
        for line, ohms in zip(("CAN high", "CAN low"), found.along[ends], strict=True)
    ]


def at_its_feed(visit: Visit, place: str, random: Random) -> dict[str, Any]:
    """Return volts behind a fuse, or the drop from a ground point, under what hangs there: 2 to 8 ohm together."""
    battery, load = visit.harness.battery_volts, random.uniform(2.0, 8.0)
    added = 0.0
    if place == visit.truth.element:
        weak = random.uniform(2.0, 60.0)
        added = 1e9 if visit.truth.feed == "supply missing" else weak
    is_ground = place in visit.harness.grounds
    sound = random.uniform(0.01, 0.04) if is_ground else random.uniform(0.01, 0.08)
    dropped = battery * (added + sound) / (added + sound + load)
    line, volts = ("ground", dropped) if is_ground else ("supply", battery - dropped)
    return {
        "quantity": "voltage", "line": line, "against": "battery -", "at": place, "value": f"{volts:.2f} V",
        "loaded": "yes", "unplugged": "nothing",
    } | ON  # fmt: skip


def node_of(wiring: Wiring, point: int) -> str:
    """Return the node of a harness that a point is."""
    return wiring.points[point]


def main() -> None:
    """Print tests and minutes of each way to choose."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--layouts", type=int, default=24)
    asked = parser.parse_args()
    them = visits(asked.seed, asked.layouts)
    print(f"{'':<12}{'n':>4}{'tests':>8}{'minutes':>9}{'settled':>9}{'right':>8}{'size':>7}")
    for name, choose in WAYS.items():
        walks = [walk(visit, choose, Random(f"{name} {number}")) for number, visit in enumerate(them)]
        print(
            f"{name:<12}{len(walks):>4}{mean([one.tests for one in walks]):>8.1f}"
            f"{mean([one.minutes for one in walks]):>9.0f}{mean([float(one.settled) for one in walks]):>9.2f}"
            f"{mean([float(one.right) for one in walks]):>8.2f}{mean([one.size for one in walks]):>7.1f}",
            flush=True,
        )
    print(f"log2 of the number of elements: {mean([log2(one.elements) for one in walks]):.1f}")


if __name__ == "__main__":
    main()
