"""The ways in which each element of a layout may be at fault, over the ranges of the simulated world, and how often.

How often are weights against each other (judged). A way has `ROWS` rows, its size running evenly from the first to the
last; row by row all ways sit on the same healthy networks, so that elements which nothing tells apart come out level.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.bus.chain import Array
from casebase.bus.layout.solving import Index, TwoByTwo, admittance
from casebase.bus.layout.whereabouts import ElementKind

ROWS: Final = 24

DEAD, OWN_SUPPLY, OWN_GROUND = "does not work", "its supply missing", "its ground missing or poor"
FEED_MISSING, FEED_WEAK, GROUND_POOR = "no supply", "supply weak", "missing or poor"
STUCK, LOADS = "driver stuck dominant", "loads the lines"
NO_TERMINATOR, WRONG_TERMINATOR = "terminator missing", "terminator of another value"
EXTRA_TERMINATOR: Final = "a terminator too many"
LOOSE: Final = "parted or loose"


@dataclass(frozen=True)
class HowOften:
    """Weights of an element of one kind: opens and poor joints per line, shorts in the order of `_SHORTS`, leaks."""

    opens: float = 0.0
    joints: float = 0.0
    shorts: tuple[float, ...] = (0.0,) * 5
    leak: float = 0.0


HOW_OFTEN: Final = {
    ElementKind.WIRE: HowOften(0.8, 0.25, (0.35, 0.35, 0.35, 0.2, 0.2), 0.05),
    ElementKind.PLUG: HowOften(1.4, 0.6, (0.3, 0.2, 0.2, 0.1, 0.1), 0.5),
    ElementKind.SPLICE: HowOften(0.7, 0.5, (0.15, 0.1, 0.1, 0.05, 0.05), 0.25),
    ElementKind.MODULE: HowOften(0.5, 0.25, (0.4, 0.3, 0.3, 0.15, 0.15), 0.15),
    ElementKind.DLC: HowOften(0.5, 0.5, (0.1, 0.05, 0.05, 0.03, 0.03), 0.05),
    ElementKind.TERMINATOR: HowOften(0.4, 0.2, (0.1, 0.0, 0.0, 0.0, 0.0), 0.1),
}
"""Plugs corrode and back out more often than wires break (judged)."""

MODULE_WAYS: Final = {
    DEAD: 1.6,
    OWN_SUPPLY: 1.2,
    OWN_GROUND: 0.8,
    STUCK: 0.3,
    LOADS: 0.2,
    EXTRA_TERMINATOR: 0.08,
}
TERMINATOR_WAYS: Final = {NO_TERMINATOR: 1.0, WRONG_TERMINATOR: 0.4}
FEED_WAYS: Final = {FEED_MISSING: 3.0, FEED_WEAK: 1.4}
GROUND_WAYS: Final = {GROUND_POOR: 4.0}
LOOSE_PLUG: Final = 0.6
USUAL_METRES: Final = 2.0
NEARLY: Final = 0.3
"""Share of opens that still conduct a little (judged)."""

WORKS_THOUGH: Final = {
    FEED_MISSING: (0.0, 0.0),
    FEED_WEAK: (0.1, 0.7),
    GROUND_POOR: (0.02, 0.4),
    OWN_SUPPLY: (0.0, 0.15),
    OWN_GROUND: (0.02, 0.5),
}
"""How likely a module answers all the same, on one half of the rows and on the other (judged)."""

LOADS_SHARE: Final = 0.12
"""How many modules without supply load the lines; the others let go of them (judged)."""


@dataclass(frozen=True)
class Way:
    """One way, shape (ROWS,) each: where it sits and what hangs there, with supply and without.

    `dead`: modules that are without supply or dead, as places in `Wiring.modules`, and beyond them in `beside`.
    `works`: how likely a module named there answers all the same. `harm`: chance that traffic is disturbed.
    `silent`: that all fall silent then.
    """

    element: int
    state: str
    weight: float
    port: Index
    live: TwoByTwo
    amperes: tuple[Array, Array]
    unpowered: TwoByTwo
    dead: tuple[int, ...] = ()
    works: Array | None = None
    harm: Array = field(default_factory=lambda: np.zeros(ROWS))
    silent: float = 0.0


def sound_way() -> Way:
    """Return the way in which nothing of the layout is at fault; its element is -1."""
    zero = np.zeros(ROWS)
    empty = admittance(zero, zero, zero)
    return Way(-1, "nothing at fault", 1.0, np.zeros(ROWS, dtype=np.int64), empty, (zero, zero), empty)


def base_of_row(draws: int) -> Index:
    """Return the healthy network of each row: neighbours in size sit on different ones."""
    order: NDArray[np.int64] = np.arange(ROWS) * 11 % draws
    return order
