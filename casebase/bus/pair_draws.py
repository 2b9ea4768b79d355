"""Random high-speed buses: the unknowns of a healthy pair drawn from their tolerances.

Sources stand beside the figures (documents of the makers of transceivers, by table); what has none is marked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from casebase.bus.chain import Array
from casebase.bus.network import Drivers, PairBuses, Shunt, Slots

PLACES: Final = 16
"""Places along the trunk: up to 14 modules and the DLC."""

ROLES: Final = ("terminator A", "terminator B", "module 1", "module 2", "module 3")
"""Modules told apart in readings: the two that hold the terminators, and three others."""


@dataclass(frozen=True)
class Spread:
    """The tolerances a medium's buses are drawn from: (low, high) in volt, ohm, ampere, metre."""

    bias_ohms: tuple[float, float] = (9e3, 50e3)
    """Per line, 9/15/28 kohm (TJA1051 table 7), 15/25/35 (TJA1041A pages 13-14), up to 50 elsewhere (from memory)."""

    bias_mismatch: float = 0.03
    """Matching of the two input resistances +-3 % (TJA1041A pages 13-14)."""

    bias_volts: tuple[float, float] = (2.40, 2.58)
    """0.5 VCC of each module with VCC 4.75 to 5.25 V (TCAN1042HGV 7.7); the bus shows the mean of its modules."""

    high_volts: tuple[float, float] = (4.2, 4.45)
    low_volts: tuple[float, float] = (0.55, 0.8)
    """Behind the diodes of the output stages; with 20 to 40 ohm they give the dominant levels of TJA1051 table 7."""

    driver_ohms: tuple[float, float] = (20.0, 40.0)
    limit_amperes: tuple[float, float] = (0.040, 0.115)
    """Short-circuit current, dominant (TJA1051 table 7; TCAN1044V)."""

    terminator_ohms: tuple[float, float] = (118.0, 122.0)
    """120 ohm with 1 % resistors (ISO1050, CAN Termination); 118 is the least in the length table of CiA 303-1."""

    wire_ohms_per_metre: tuple[float, float] = (0.03, 0.09)
    """70 mohm/m nominal (NI-XNET manual, Cabling Requirements)."""

    trunk_metres: tuple[float, float] = (3.0, 40.0)
    contact_ohms: tuple[float, float] = (0.005, 0.10)
    """Per connector on the way (common practice, no source)."""

    battery_volts: tuple[float, float] = (11.6, 14.6)
    modules: tuple[int, int] = (4, 14)


@dataclass(frozen=True)
class Drawn:
    """Drawn buses with what is known of each: its roles, the modules' share of the traffic, where the fault sits.

    `roles`: (roles, buses), places of the modules of `ROLES`. `senders`: (3, buses). `shares`: (3, buses), time that
    each drives. `host`: (buses,), the place of the module the fault lies in or behind, -1 on the trunk. `ends`:
    (2, buses).
    """

    buses: PairBuses
    roles: Slots
    senders: Slots
    shares: Array
    host: Slots
    ends: Slots


def uniform(random: Generator, bounds: tuple[float, float], shape: Any) -> Array:
    """Return numbers even over `bounds`."""
    return np.asarray(random.uniform(*bounds, shape))


def log_uniform(random: Generator, bounds: tuple[float, float], shape: Any) -> Array:
    """Return numbers whose logarithm is even over `bounds`."""
    return np.asarray(np.exp(random.uniform(np.log(bounds[0]), np.log(bounds[1]), shape)))


def healthy_pairs(count: int, random: Generator, spread: Spread) -> Drawn:
    """Return `count` random healthy buses with traffic."""
    modules = random.integers(spread.modules[0], spread.modules[1] + 1, count)
    places = np.arange(PLACES)[:, None]
    # The DLC hangs anywhere but beyond the ends.
    dlc = random.integers(1, modules)
    last = modules
    present = (places <= last) & (places != dlc)
    shape = (PLACES, count)
    bias = 1 / log_uniform(random, spread.bias_ohms, shape)
    mismatch = 1 + random.uniform(-spread.bias_mismatch, spread.bias_mismatch, shape)
    ends = np.stack([np.zeros(count, dtype=np.int64), last])
    terminator = 1 / uniform(random, spread.terminator_ohms, shape)
    buses = PairBuses(
        present=present,
        bias_high=bias * mismatch,
        bias_low=bias / mismatch,
        bias_volts_high=(volts := uniform(random, spread.bias_volts, shape)) + random.normal(0, 0.005, shape),
        bias_volts_low=volts + random.normal(0, 0.005, shape),
        termination=np.where((places == 0) | (places == last), terminator, 0.0),
        stub_ohms_high=_stubs(random, spread, shape),
        stub_ohms_low=_stubs(random, spread, shape),
        **_wires(random, spread, modules),
        powered_trunk=Shunt.none(shape),
        powered_module=Shunt.none(shape),
        unpowered_trunk=Shunt.none(shape),
        unpowered_module=Shunt.none(shape),
        drivers=_drivers(random, spread, shape),
        stuck=np.zeros(shape, dtype=bool),
        dlc=dlc,
        dlc_ohms_high=_stubs(random, spread, count),
        dlc_ohms_low=_stubs(random, spread, count),
    )
    roles = _roles(random, present, ends)
    senders = pick_modules(random, present, 3)
    return Drawn(buses, roles, senders, traffic_shares(random, count, (0.03, 0.36)), np.full(count, -1), ends)


def _stubs(random: Generator, spread: Spread, shape: Any) -> Array:
    return uniform(random, (0.02, 0.15), shape) + uniform(random, spread.contact_ohms, shape)


def _wires(random: Generator, spread: Spread, modules: NDArray[np.int64]) -> dict[str, Array]:
    shape = (PLACES - 1, len(modules))
    pieces = random.exponential(1.0, shape) * (np.arange(PLACES - 1)[:, None] < modules)
    metres = pieces / pieces.sum(axis=0) * uniform(random, spread.trunk_metres, len(modules))
    ohms = metres * uniform(random, spread.wire_ohms_per_metre, len(modules)) + 1e-4
    return {
        f"wire_ohms_{line}": ohms + uniform(random, spread.contact_ohms, shape) / 2
        for line in ("high", "low")
    }


def _drivers(random: Generator, spread: Spread, shape: Any) -> Drivers:
    ohms = uniform(random, spread.driver_ohms, shape)
    # The two halves of one output stage are alike (driver symmetry 0.9 to 1.1, TCAN1044V).
    return Drivers(
        volts_high=uniform(random, spread.high_volts, shape),
        volts_low=uniform(random, spread.low_volts, shape),
        ohms_high=ohms * random.uniform(0.92, 1.08, shape),
        ohms_low=ohms * random.uniform(0.92, 1.08, shape),
        limit_amperes=uniform(random, spread.limit_amperes, shape),
    )


def pick_modules(random: Generator, present: NDArray[np.bool_], many: int) -> Slots:
    """Return `many` different modules per bus (a bus has four at least)."""
    order = np.where(present, random.random(present.shape), 2.0)
    return np.argsort(order, axis=0)[:many]


def _roles(random: Generator, present: NDArray[np.bool_], ends: Slots) -> Slots:
    places = np.arange(PLACES)[:, None]
    inner = present & (places != ends[0]) & (places != ends[1])
    others = pick_modules(random, inner, 3)
    # Of four modules only two are inner ones: the third then is the first again.
    enough = np.take_along_axis(inner, others, axis=0)
    return np.concatenate([ends, np.where(enough, others, others[:1])])


def traffic_shares(random: Generator, count: int, total: tuple[float, float]) -> Array:
    """Return the time share for which each of three senders drives."""
    parts = random.exponential(1.0, (3, count))
    return np.asarray(parts / parts.sum(axis=0) * uniform(random, total, count))
