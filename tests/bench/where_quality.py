"""How well a fault is found on a wiring layout, on random harnesses that ngspice solves.

Run by hand: `python tests/bench/where_quality.py [--seed 0] [--layouts 400]`. Seed 0 is for tuning, 1 watched, 2 for
the end. Needs ngspice.

First: the likeliest element is the right one; where several are level, the chance that one picked of them is. Right
group: the right one is the likeliest, or in the likeliest group that nothing given tells apart. Expected: what the
probabilities themselves promise for first; it equals first where they are calibrated, and is the ceiling for anybody
who knows no more.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import log2
from typing import Final

from where_visits import Visit, visits

from casebase.bus.layout.locating import where
from casebase.bus.layout.whereabouts import ElementKind, WhereOnNetwork

LEVEL: Final = 1.001
OF_A_FEED: Final = ("supply", "ground")


@dataclass(frozen=True)
class Score:
    """One visit held against its truth."""

    visit: Visit
    first: float
    three: bool
    group: bool
    held: bool
    size: int
    expected: float
    log_loss: float
    told_as_feed: bool
    cold_seconds: float
    warm_seconds: float
    found: WhereOnNetwork


def scored(visit: Visit) -> Score:
    """Return how one visit comes out."""
    layout, evidence = visit.layout, visit.evidence()
    start = time.process_time()
    where(layout, evidence, 0)
    cold = time.process_time() - start
    start = time.process_time()
    found = where(layout, evidence, 0).networks[0]
    warm = time.process_time() - start
    best = found.elements[0]
    level = [one.name for one in found.elements if one.probability * LEVEL >= best.probability]
    group = next((one.names for one in found.indistinct if best.name in one.names), (best.name,))
    right = visit.truth.element
    state = best.states[0].state if best.states else ""
    return Score(
        visit,
        1 / len(level) if right in level else 0.0,
        right in [one.name for one in found.elements[:3]],
        right in group,
        right in found.credible_90,
        len(found.credible_90),
        best.probability,
        -log2(max(found.probability(right), 1e-6)),
        best.kind in (ElementKind.FEED, ElementKind.GROUND)
        or any(word in state for word in ("supply", "its ground")),
        cold,
        warm,
        found,
    )


def mean(values: Sequence[float]) -> float:
    """Return the mean, 0 of nothing."""
    return sum(values) / len(values) if values else 0.0


COLUMNS: Final = {
    "first": lambda one: one.first,
    "first 3": lambda one: one.three,
    "group": lambda one: one.group,
    "expected": lambda one: one.expected,
    "in 90": lambda one: one.held,
    "size": lambda one: one.size,
    "bits": lambda one: one.log_loss,
}
PARTS: Final = {
    "fault": lambda one: one.visit.truth.fault,
    "kind": lambda one: one.visit.truth.kind,
    "shape": lambda one: one.visit.harness.shape,
}


def told(scores: Sequence[Score], name: str) -> None:
    """Print one line of figures."""
    figures = (mean([float(column(one)) for one in scores]) for column in COLUMNS.values())
    print(f"{name:<22}{len(scores):>5}" + "".join(f"{figure:>10.2f}" for figure in figures))


def report(scores: Sequence[Score]) -> None:
    """Print the figures of all, by kind of fault and of element, and how calibrated the likeliest is."""
    print(f"{'':<22}{'n':>5}" + "".join(f"{name:>10}" for name in COLUMNS))
    told(scores, "all")
    for title, key in PARTS.items():
        parts: dict[str, list[Score]] = defaultdict(list)
        for one in scores:
            parts[key(one)].append(one)
        for name in sorted(parts):
            told(parts[name], f"{title}: {name}")
    for low, high in ((0, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 1.01)):
        inside = [one for one in scores if low <= one.expected < high]
        print(
            f"likeliest at {low:.1f}-{high:.1f}: n {len(inside)}, right {mean([one.first for one in inside]):.2f}"
        )
    feeds = [one for one in scores if one.visit.truth.kind in ("feed", "ground point")]
    print(
        f"feed and ground faults told as such: {mean([float(one.told_as_feed) for one in feeds]):.2f} of {len(feeds)}"
    )
    large = [one for one in scores if len(one.visit.harness.units) >= LARGE] or scores
    cold, warm = (1e3 * mean([getattr(one, f"{name}_seconds") for one in large]) for name in ("cold", "warm"))
    print(f"{LARGE} modules and more ({len(large)}), processor time: cold {cold:.0f} ms, warm {warm:.0f} ms")


LARGE: Final = 28


def main() -> None:
    """Print all figures of a seed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--layouts", type=int, default=400)
    parser.add_argument("--first", type=int, default=0, help="the number of the first layout")
    parser.add_argument("--wrong", type=int, default=0, help="print so many that miss the set")
    asked = parser.parse_args()
    scores = [scored(visit) for visit in visits(asked.seed, asked.layouts, asked.first)]
    report(scores)
    for one in [one for one in scores if not one.held][: asked.wrong]:
        print_miss(one)


def print_miss(one: Score) -> None:
    """Print a visit whose truth is not in the set."""
    truth, units = one.visit.truth, one.visit.harness.units
    print(f"\n{one.visit.harness.shape}, {len(units)} modules: {truth}")
    print("  silent:", ", ".join(one.visit.silent), "| answering:", len(one.visit.answering))
    for reading in one.visit.readings:
        print(f"  {reading['line']}-{reading['against']} at {reading['at']}: {reading['value']}")
    for suspect in one.found.elements[:4]:
        print(f"  {suspect.name} {suspect.probability:.3f} {suspect.states[0].state}")
    print(
        f"  truth {one.found.probability(truth.element):.5f}",
        f"sound {one.found.sound:.3f}",
        one.found.unused,
    )


if __name__ == "__main__":
    main()
