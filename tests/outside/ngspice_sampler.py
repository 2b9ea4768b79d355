"""Random buses for ngspice, drawn here and nowhere else: from figures of chip and cable makers, not from casebase.

Where a document gives minimum, typical and maximum, a triangular distribution takes them; where it gives a symmetric
tolerance, a normal one of which the tolerance is three standard deviations. Judged figures are marked.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import exp, log
from random import Random
from typing import Final

from ngspice_bus import SENDERS, Branch, Bridge, Driver, Module, SpiceBus

OPEN_OHMS: Final = 1e9

BIAS_KILOHMS: Final = ((9, 28, 15), (15, 35, 25), (25, 50, 30))
"""Input resistance per line (low, high, typical): TJA1051 table 7; TJA1041A pages 13-14; the last judged from the
30 kohm typical of TJA1051's differential resistance and 50 kohm of TJA1041A's."""

BIAS_MISMATCH: Final = (0.01, 0.03)
"""Matching of the two input resistances: TJA1051 +-1 %, TJA1041A +-3 %."""

SUPPLY_VOLTS: Final = (4.75, 5.25)
"""VCC; the recessive level is half of it, typically 2.5 V (TCAN1042HGV 7.7)."""

DRIVER_OHMS: Final = (17.0, 42.0, 26.0)
HIGH_VOLTS: Final = (4.1, 4.5, 4.3)
"""With 0.7 V at the other end: 3.5 / 1.5 V typical into 60 ohm, differential 1.5 to 3.0 V (TJA1051 table 7)."""

SYMMETRY_VOLTS: Final = 0.12
"""Standard deviation: +-400 mV is the limit of a driver's DC symmetry (TCAN1044V SLLSFG2)."""

LIMIT_AMPERES: Final = (0.040, 0.100, 0.070)
"""Short-circuit current, dominant: 40 / 70 / 100 mA (TJA1051 table 7)."""

TERMINATOR_OHMS: Final = (120.0, 0.7)
"""120 ohm (ISO1050, CAN Termination), resistors of 1 % (common practice, no source): 99 % within 118.2 to 121.8."""

WIRE_OHMS_PER_METRE: Final = (0.025, 0.09, 0.07)
"""70 mohm/m nominal (NI-XNET manual, Cabling Requirements)."""

TRUNK_METRES: Final = (2.0, 40.0, 9.0)
"""40 m is the longest at 1 Mbit/s (ISO1050); most vehicles are shorter (judged)."""

CONTACT_OHMS: Final = (0.015, 0.8)
"""Median and log deviation; 20 to 50 mohm is a good contact's limit (common practice, no source)."""

SHORT_OHMS: Final = (0.6, 1.3, 0.05, 15.0)
RAIL_OHMS: Final = (8.0, 0.9, 1.5, 60.0)
"""Median, log deviation, least, most (judged)."""

TRAFFIC: Final = (0.04, 0.36, 0.15)
"""Share of dominant time: bus loads of 10 to 70 % of which half the bits are dominant (judged)."""

SILENT: Final = {
    "lines_shorted_together": 0.45,
    "high_shorted_to_ground": 0.45,
    "low_shorted_to_ground": 0.15,
    "high_shorted_to_battery": 0.15,
    "low_shorted_to_battery": 0.45,
    "high_open": 0.15,
    "low_open": 0.15,
    "both_open": 0.10,
    "both_terminators_missing": 0.35,
    "driver_stuck_dominant": 0.70,
}
"""How often a disturbed bus is silent while measured; those on which no differential can be made more often, for
their modules go bus-off (judged)."""

CORRODED_SHARE: Final = 0.10
"""Opens that still conduct, through 2 kohm and more (judged)."""

STATES: Final = (
    "healthy",
    "bus_quiet",
    "bus_asleep",
    "lines_shorted_together",
    "high_shorted_to_ground",
    "low_shorted_to_ground",
    "high_shorted_to_battery",
    "low_shorted_to_battery",
    "high_open",
    "low_open",
    "both_open",
    "terminator_missing",
    "both_terminators_missing",
    "extra_terminator",
    "driver_stuck_dominant",
)


@dataclass(frozen=True)
class Draw:
    """A source of chance, and the share of opens that lie in a branch or the DLC's stub instead of the trunk."""

    random: Random
    branch_share: float

    def triangular(self, figures: tuple[float, float, float]) -> float:
        """Return a value from (low, high, typical)."""
        return self.random.triangular(*figures)

    def log_normal(self, figures: tuple[float, ...]) -> float:
        """Return a value from (median, log deviation[, least, most])."""
        value = exp(self.random.gauss(log(figures[0]), figures[1]))
        return min(max(value, figures[2]), figures[3]) if len(figures) == 4 else value

    def near(self, middle: float, tolerance: float) -> float:
        """Return a value of which `tolerance` is three standard deviations, never beyond it."""
        offset = self.random.gauss(0.0, tolerance / 3)
        return middle + min(max(offset, -tolerance), tolerance)

    def chance(self, share: float) -> bool:
        """Return True in `share` of the calls."""
        return self.random.random() < share

    def contact(self) -> float:
        """Return the resistance of one contact, in ohm."""
        return self.log_normal(CONTACT_OHMS)


def drawn_bus(state: str, seed: int | str, branch_share: float = 0.0) -> SpiceBus:
    """Return the bus of one seed in one state."""
    draw = Draw(Random(f"{state} {seed}"), branch_share)
    bus = _FAULTS.get(state, _as_it_is)(replace(_healthy(draw), state=state), draw)
    return replace(bus, shares=_shares(state, len(bus.senders), draw))


def _healthy(draw: Draw) -> SpiceBus:
    count = draw.random.randint(4, 14)
    dlc_place = draw.random.randint(1, count - 1)
    places = [place for place in range(count + 1) if place != dlc_place]
    branches = tuple(_branch(place, place in (0, count), draw) for place in places)
    senders = draw.random.sample(range(count), min(SENDERS, count))
    metres, per_metre = draw.triangular(TRUNK_METRES), draw.triangular(WIRE_OHMS_PER_METRE)
    pieces = [draw.random.random() ** 2 + 0.02 for _ in range(count)]
    ohms = [metres * per_metre * piece / sum(pieces) for piece in pieces]
    return SpiceBus(
        state="healthy",
        branches=branches,
        wires_high=tuple(piece + draw.contact() for piece in ohms),
        wires_low=tuple(piece + draw.contact() for piece in ohms),
        dlc=Branch(dlc_place, _stub(draw), _stub(draw)),
        senders=tuple(senders),
        probed=draw.random.randrange(count),
        battery_volts=draw.near(14.1, 0.6) if draw.chance(0.3) else draw.near(12.3, 0.7),
        rail_ohms=draw.log_normal(RAIL_OHMS),
    )


def _stub(draw: Draw) -> float:
    return draw.random.uniform(0.01, 0.12) + draw.contact() + draw.contact()


def _branch(place: int, at_end: bool, draw: Draw) -> Branch:
    return Branch(place, _stub(draw), _stub(draw), _module(at_end, draw))


def _module(at_end: bool, draw: Draw) -> Module:
    bias = draw.triangular(draw.random.choice(BIAS_KILOHMS)) * 1e3
    mismatch = 1 + draw.near(0.0, draw.random.choice(BIAS_MISMATCH)) / 2
    half_supply = draw.near(sum(SUPPLY_VOLTS) / 2, (SUPPLY_VOLTS[1] - SUPPLY_VOLTS[0]) / 2) / 2
    return Module(
        bias_ohms_high=bias * mismatch,
        bias_ohms_low=bias / mismatch,
        bias_volts_high=half_supply + draw.near(0.0, 0.02),
        bias_volts_low=half_supply + draw.near(0.0, 0.02),
        driver=_driver(half_supply * 2, draw),
        terminator_ohms=draw.random.gauss(*TERMINATOR_OHMS) if at_end else None,
    )


def _driver(supply_volts: float, draw: Draw) -> Driver:
    ohms, high = draw.triangular(DRIVER_OHMS), draw.triangular(HIGH_VOLTS) + supply_volts - 5.0
    low = supply_volts - high + draw.random.gauss(0.0, SYMMETRY_VOLTS / 2)
    return Driver(
        high,
        max(low, 0.3),
        ohms * draw.near(1, 0.1),
        ohms * draw.near(1, 0.1),
        draw.triangular(LIMIT_AMPERES),
    )


def _shares(state: str, senders: int, draw: Draw) -> tuple[float, ...]:
    """Return the time share for which each sender drives; a bus that works does as it did before the fault."""
    if state in ("bus_quiet", "bus_asleep") or draw.chance(SILENT.get(state, 0.0)):
        return (0.0,) * senders
    total = draw.triangular(TRAFFIC) * (draw.log_normal((0.8, 0.5, 0.1, 1.4)) if state in SILENT else 1.0)
    parts = [draw.random.gammavariate(0.7, 1.0) + 1e-6 for _ in range(senders)]
    return tuple(total * part / sum(parts) for part in parts)


# --- faults -------------------------------------------------------------------------------------------------------

Fault = Callable[[SpiceBus, Draw], SpiceBus]


def _as_it_is(bus: SpiceBus, draw: Draw) -> SpiceBus:
    return bus


def _bridged(one: str, other: str) -> Fault:
    def put(bus: SpiceBus, draw: Draw) -> SpiceBus:
        return replace(bus, bridges=(_bridge(one, other, draw.log_normal(SHORT_OHMS), bus, draw),))

    return put


def _bridge(one: str, other: str, ohms: float, bus: SpiceBus, draw: Draw) -> Bridge:
    """Put a bridge anywhere on the trunk, or in one case of five inside a module (judged)."""
    inside = draw.random.randrange(len(bus.branches)) if draw.chance(0.2) else None
    return Bridge(one, other, ohms, draw.random.randrange(len(bus.wires_high) + 1), inside)


def _extra_terminator(bus: SpiceBus, draw: Draw) -> SpiceBus:
    """A third terminator of 120 ohm, or a device with a split one for both ends, 60 ohm."""
    ohms = draw.random.gauss(*TERMINATOR_OHMS) / (2 if draw.chance(0.15) else 1)
    return replace(bus, bridges=(_bridge("high", "low", ohms, bus, draw),))


def _cut(*lines: str) -> Fault:
    def put(bus: SpiceBus, draw: Draw) -> SpiceBus:
        ohms = OPEN_OHMS
        if draw.chance(CORRODED_SHARE):
            ohms = draw.log_normal((20e3, 1.5, 2e3, 500e3))
        if not draw.chance(draw.branch_share):
            return _trunk_cut(bus, draw.random.randrange(len(bus.wires_high)), lines, ohms)
        if draw.chance(0.3):
            return replace(bus, dlc=_branch_cut(bus.dlc, lines, ohms))
        cut = draw.random.randrange(len(bus.branches))
        branches = (_branch_cut(b, lines, ohms) if i == cut else b for i, b in enumerate(bus.branches))
        return replace(bus, branches=tuple(branches))

    return put


def _trunk_cut(bus: SpiceBus, joint: int, lines: tuple[str, ...], ohms: float) -> SpiceBus:
    changed = {f"wires_{line}": _with(getattr(bus, f"wires_{line}"), joint, ohms) for line in lines}
    return replace(bus, **changed)


def _with(values: tuple[float, ...], index: int, value: float) -> tuple[float, ...]:
    return (*values[:index], value, *values[index + 1 :])


def _branch_cut(branch: Branch, lines: tuple[str, ...], ohms: float) -> Branch:
    return replace(branch, **{f"ohms_{line}": ohms for line in lines})


def _terminators_missing(*ends: int) -> Fault:
    def put(bus: SpiceBus, draw: Draw) -> SpiceBus:
        lost = ends if len(ends) > 1 else (draw.random.choice((0, -1)),)
        gone = {end % len(bus.branches) for end in lost}
        return _with_modules(bus, gone, terminator_ohms=None)

    return put


def _stuck(bus: SpiceBus, draw: Draw) -> SpiceBus:
    return _with_modules(bus, {draw.random.randrange(len(bus.branches))}, stuck=True)


def _with_modules(bus: SpiceBus, which: set[int], **changes: object) -> SpiceBus:
    branches = [
        replace(branch, module=replace(branch.module, **changes)) if index in which else branch
        for index, branch in enumerate(bus.branches)
    ]
    return replace(bus, branches=tuple(branches))


_FAULTS: Final[dict[str, Fault]] = {
    "lines_shorted_together": _bridged("high", "low"),
    "high_shorted_to_ground": _bridged("high", "ground"),
    "low_shorted_to_ground": _bridged("low", "ground"),
    "high_shorted_to_battery": _bridged("high", "battery"),
    "low_shorted_to_battery": _bridged("low", "battery"),
    "high_open": _cut("high"),
    "low_open": _cut("low"),
    "both_open": _cut("high", "low"),
    "terminator_missing": _terminators_missing(0),
    "both_terminators_missing": _terminators_missing(0, -1),
    "extra_terminator": _extra_terminator,
    "driver_stuck_dominant": _stuck,
}
