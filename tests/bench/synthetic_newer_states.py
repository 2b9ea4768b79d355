"""Buses with a fault that has an amount: a joint's ohms, a leak's, a lifted ground's volts; and wider shorts.

Each is put into a healthy bus of `tests/outside/ngspice_sampler.py`. Ranges are judged: what workshops call by these
words. Amounts are drawn by size, each decade as likely.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import exp, log
from random import Random
from typing import Final

from ngspice_bus import SENDERS, Branch, Bridge, Driver, Module, SpiceBus
from synthetic_faults import Spot

JOINT_OHMS: Final = (5.0, 2000.0)
WRONG_OHMS: Final = ((40.0, 95.0), (150.0, 400.0))
LEAK_OHMS: Final = (300.0, 5000.0)
LOAD_OHMS: Final = (120.0, 5000.0)
OFFSET_VOLTS: Final = (0.5, 2.0)
SHORT_OHMS: Final = (0.05, 5000.0)
CONDUCTING_OHMS: Final = (2e3, 5e6)
"""An open that still lets something through."""

WIDE_SHARE: Final = 1 / 3
"""How many of the shorts and opens lie anywhere in the wide range, not where the sampler has most."""

STOPS_BELOW_OHMS: Final = 100.0
"""From here on a short leaves the bus running."""

OFF_OHMS: Final = 1e6
"""A module without supply, asleep: each line to ground."""

LEAKS: Final = (
    ("high", "low"),
    ("high", "ground"),
    ("low", "ground"),
    ("high", "battery"),
    ("low", "battery"),
)
ALONE_TRAFFIC: Final = (0.2, 0.45)
"""A lone sender repeats without end, for nobody acknowledges (ISO 11898-1); half of them send."""

Put = Callable[[SpiceBus, Spot, Random], SpiceBus]


def by_size(ends: tuple[float, float], chance: Random) -> float:
    """Return a value between the ends, each size as likely."""
    return exp(chance.uniform(log(ends[0]), log(ends[1])))


def _poor_joint(bus: SpiceBus, spot: Spot, chance: Random) -> SpiceBus:
    line, ohms = chance.choice(("high", "low")), by_size(JOINT_OHMS, chance)
    if spot.way.reach == "stub":
        return replace(bus, dlc=_stub_with(bus.dlc, line, ohms))
    if spot.way.reach == "branch":
        branches = list(bus.branches)
        branches[spot.index] = _stub_with(branches[spot.index], line, ohms)
        return replace(bus, branches=tuple(branches))
    wires = list(getattr(bus, f"wires_{line}"))
    wires[spot.index] += ohms
    return replace(bus, **{f"wires_{line}": tuple(wires)})


def _stub_with(branch: Branch, line: str, ohms: float) -> Branch:
    return replace(branch, **{f"ohms_{line}": getattr(branch, f"ohms_{line}") + ohms})


def _terminator_wrong_value(bus: SpiceBus, spot: Spot, chance: Random) -> SpiceBus:
    return _with_module(bus, spot.index, terminator_ohms=by_size(chance.choice(WRONG_OHMS), chance))


def _leak(bus: SpiceBus, spot: Spot, chance: Random) -> SpiceBus:
    one, other = Random(f"leak {spot.where}").choice(LEAKS)
    inside = spot.index if spot.way.reach == "inside" else None
    bridge = Bridge(one, other, by_size(LEAK_OHMS, chance), spot.index, inside)
    return replace(bus, bridges=(bridge,))


def _module_loads_lines(bus: SpiceBus, spot: Spot, chance: Random) -> SpiceBus:
    ohms = by_size(LOAD_OHMS, chance)
    apart = chance.uniform(0.7, 1.4) if chance.random() < 0.4 else 1.0
    loads = tuple(
        Bridge(line, "ground", load, spot.index, spot.index)
        for line, load in (("high", ohms * apart), ("low", ohms / apart))
    )
    return replace(_with_module(bus, spot.index, **_OFF), bridges=loads)


def _ground_offset(bus: SpiceBus, spot: Spot, chance: Random) -> SpiceBus:
    volts = chance.uniform(*OFFSET_VOLTS)
    bus = _sending(bus, spot.index)
    module = bus.branches[spot.index].module
    if module is None:
        raise RuntimeError(f"no module at {spot.index}")
    return _with_module(
        bus,
        spot.index,
        driver=_lifted(module.driver, volts),
        bias_volts_high=module.bias_volts_high + volts,
        bias_volts_low=module.bias_volts_low + volts,
    )


def _lifted(driver: Driver, volts: float) -> Driver:
    return replace(driver, volts_high=driver.volts_high + volts, volts_low=driver.volts_low + volts)


def _one_awake_alone(bus: SpiceBus, spot: Spot, chance: Random) -> SpiceBus:
    bus = _sending(bus, spot.index)
    for index in range(len(bus.branches)):
        bus = bus if index == spot.index else _with_module(bus, index, **_OFF)
    share = chance.uniform(*ALONE_TRAFFIC) if chance.random() < 0.5 else 0.0
    return replace(bus, shares=(share, *(0.0 for _ in bus.senders[1:])))


_OFF: Final = {
    "bias_ohms_high": OFF_OHMS,
    "bias_ohms_low": OFF_OHMS,
    "bias_volts_high": 0.0,
    "bias_volts_low": 0.0,
}


def _sending(bus: SpiceBus, index: int) -> SpiceBus:
    """Return the bus with the module among those that send, first of them."""
    others = [sender for sender in bus.senders if sender != index]
    return replace(bus, senders=(index, *others)[: min(SENDERS, len(bus.senders))])


def _with_module(bus: SpiceBus, index: int, **changes: object) -> SpiceBus:
    branches = list(bus.branches)
    module: Module | None = branches[index].module
    if module is not None:
        branches[index] = replace(branches[index], module=replace(module, **changes))
    return replace(bus, branches=tuple(branches))


_PUT: Final[dict[str, Put]] = {
    "poor_joint": _poor_joint,
    "terminator_wrong_value": _terminator_wrong_value,
    "leak": _leak,
    "module_loads_lines": _module_loads_lines,
    "ground_offset": _ground_offset,
    "one_awake_alone": _one_awake_alone,
}
NEWER_STATES: Final = frozenset(_PUT)


def with_newer_state(healthy: SpiceBus, spot: Spot, chance: Random) -> SpiceBus:
    """Return a healthy bus with the fault of `spot` put into it; its state is one of `NEWER_STATES`."""
    return replace(_PUT[spot.way.state](healthy, spot, chance), state=spot.way.state)


def widened(bus: SpiceBus, chance: Random) -> SpiceBus:
    """Return a bus whose short, or open, has any amount of the wide range; a small short stops it no longer."""
    if not bus.bridges or bus.state == "extra_terminator":
        return _conducting(bus, chance)
    ohms = by_size(SHORT_OHMS, chance)
    return replace(bus, bridges=tuple(replace(bridge, ohms=ohms) for bridge in bus.bridges))


def is_stopped_by_nothing(bus: SpiceBus) -> bool:
    """Return whether a bus stands still though its short is too small to stop one."""
    shorts = [bridge.ohms for bridge in bus.bridges]
    return bool(shorts) and min(shorts) > STOPS_BELOW_OHMS and not any(bus.shares)


def _conducting(bus: SpiceBus, chance: Random) -> SpiceBus:
    """Return a bus whose parted wires still let a little through."""
    if not bus.state.endswith("_open"):
        return bus
    ohms = by_size(CONDUCTING_OHMS, chance)

    def left(value: float) -> float:
        return ohms if value > CONDUCTING_OHMS[0] / 2 else value

    def parted(branch: Branch) -> Branch:
        return replace(branch, ohms_high=left(branch.ohms_high), ohms_low=left(branch.ohms_low))

    return replace(
        bus,
        wires_high=tuple(map(left, bus.wires_high)),
        wires_low=tuple(map(left, bus.wires_low)),
        branches=tuple(map(parted, bus.branches)),
        dlc=parted(bus.dlc),
    )
