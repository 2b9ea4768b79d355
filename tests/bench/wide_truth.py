"""What is true of a simulated wide bus, and which bus states name it rightly: one table.

Some faults of different names are the same circuit (a leak of 1 kohm from a line to ground is a short of 1 kohm):
either name is right there. Bounds are those of the words' definitions, judged where the trade has none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

LEAK_FROM_OHMS: Final = 300.0
"""From here a resistance between a line and something else may be called a leak (wet connector) as well as a short."""

JOINT_TO_OHMS: Final = 2_000.0
"""A line that still conducts through more counts as open."""

EITHER_JOINT_OR_OPEN: Final = (1_000.0, 10_000.0)
"""Here both words are right."""

WRONG_TO_OHMS: Final = 2_000.0
"""A terminator of more than this counts as missing."""


@dataclass(frozen=True)
class Truth:
    """What was done to a bus: the family of faults, the line or lines, the parameter (ohm, V for an offset), where.

    `module`: the module it lies in or at, if any. `seen`: whether it moves any reading by more than the meter's error;
    where it does not, the bus looks as it did before, and `before` (healthy, quiet) is right as well.
    """

    family: str
    line: str = ""
    amount: float | None = None
    place: str = ""
    module: str | None = None
    seen: bool = True
    before: str = "healthy"

    @property
    def states(self) -> tuple[str, ...]:
        """The bus states that name it rightly, the strictest first."""
        named = _named(self)
        return named if self.seen else (*named, *(s for s in (self.before,) if s not in named))


FIXED: Final[dict[str, tuple[str, ...]]] = {
    "healthy, usual": ("healthy",),
    "healthy, wide": ("healthy",),
    "quiet": ("bus_quiet",),
    "asleep": ("bus_asleep",),
    "terminator missing": ("terminator_missing",),
    "both terminators missing": ("both_terminators_missing",),
    "extra terminator": ("extra_terminator",),
    "terminator of the wrong value": ("terminator_wrong_value",),
    "wet connector": ("leak",),
    "module loads the lines": ("module_loads_lines",),
    "ground offset": ("ground_offset",),
    "one awake alone": ("one_awake_alone",),
    "driver stuck": ("driver_stuck_dominant",),
    "bare module, sound": ("healthy", "bus_quiet", "bus_asleep"),
    "bare module, shorted": ("module_internal",),
}
"""Families whose state follows from the name. `module_internal` is a cause, no state of the bus."""

SHORTS: Final = {
    "lines together": "lines_shorted_together",
    "high to ground": "high_shorted_to_ground",
    "low to ground": "low_shorted_to_ground",
    "high to battery": "high_shorted_to_battery",
    "low to battery": "low_shorted_to_battery",
}
LIKE_A_TERMINATOR_OHMS: Final = (50.0, 300.0)
"""Lines together through this are the circuit of a terminator too many."""


def _named(truth: Truth) -> tuple[str, ...]:
    if truth.family in FIXED:
        return FIXED[truth.family]
    amount = truth.amount or 0.0
    if truth.family in ("short", "leak"):
        return _bridged(truth, amount)
    opened = "both_open" if truth.line == "both" else f"{truth.line}_open"
    if truth.family == "poor joint":
        either = amount >= EITHER_JOINT_OR_OPEN[0]
        return ("poor_joint", opened) if either else ("poor_joint",)
    return (opened, "poor_joint") if amount <= EITHER_JOINT_OR_OPEN[1] else (opened,)


def _bridged(truth: Truth, amount: float) -> tuple[str, ...]:
    short = SHORTS[truth.line]
    if truth.family == "leak":
        return ("leak", short)
    if truth.line == "lines together" and LIKE_A_TERMINATOR_OHMS[0] <= amount <= LIKE_A_TERMINATOR_OHMS[1]:
        return (short, "extra_terminator")
    return (short, "leak") if amount >= LEAK_FROM_OHMS else (short,)
