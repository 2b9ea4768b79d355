"""Random high-speed buses: the unknowns of a healthy pair drawn from their tolerances.

Sources stand beside the figures (documents of the makers of transceivers, by table); what has none is marked.
"""

from __future__ import annotations

from collections.abc import Sequence
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


NAMED_BRANCH: Final = 0.7
"""How often a branch at fault is that of a module with a role: people name and measure the silent one (judged)."""

SUSPECTS: Final = (*([NAMED_BRANCH / len(ROLES)] * len(ROLES)), 1 - NAMED_BRANCH)
"""How a fault at a module is shared out: among those that play a role, and any other."""

LEAST_GROUND_OHMS: Final = 450.0
"""Sound buses read 0.5 kohm to ground at least (published readings)."""

Range = tuple[float, float]
Mixture = tuple[tuple[float, Range], ...]
"""Parts of a population: (share, (low, high)); the shares sum to 1."""


@dataclass(frozen=True)
class Spread:
    """The tolerances of a medium's buses: (low, high), or parts of a population, in volt, ohm, ampere, metre."""

    bias_ohms: tuple[float, float] = (9e3, 50e3)
    """Per line, 9/15/28 kohm (TJA1051 table 7), 15/25/35 (TJA1041A pages 13-14), up to 50 elsewhere (from memory)."""

    bias_mismatch: float = 0.03
    """Matching of the two input resistances +-3 % (TJA1041A pages 13-14)."""

    bias_volts: Mixture = ((0.85, (2.40, 2.58)), (0.15, (2.25, 2.62)))
    """0.5 VCC of each module with VCC 4.75 to 5.25 V (TCAN1042HGV 7.7); the bus shows the mean of its modules.
    Some transceivers run on 3.3 V and rest lower, within 2 to 3 V all the same (typically 2.3 V, from memory)."""

    dead_share: Mixture = ((0.7, (0.5, 1.6)), (0.15, (1e-6, 0.5)), (0.15, (1.6, 8.0)))
    """How much of the bias an ohmmeter sees without supply: guides call OL and 14.7 kohm to ground in order, other
    vehicles read 0.5 kohm (published readings; the shares are judged)."""

    high_volts: tuple[float, float] = (4.2, 4.45)
    low_volts: tuple[float, float] = (0.55, 0.8)
    """Behind the diodes of the output stages; with 20 to 40 ohm they give the dominant levels of TJA1051 table 7."""

    driver_ohms: tuple[float, float] = (20.0, 40.0)
    limit_amperes: tuple[float, float] = (0.040, 0.115)
    """Short-circuit current, dominant (TJA1051 table 7; TCAN1044V)."""

    terminator_ohms: Mixture = ((0.6, (118.0, 122.0)), (0.25, (108.0, 132.0)), (0.15, (100.0, 144.0)))
    """120 ohm with 1 % resistors (ISO1050, CAN Termination); 118 is the least in the length table of CiA 303-1. 108 to
    132 is quoted, and 50 to 70 ohm for the pair called in order (esd electronics, CAN Troubleshooting Guide)."""

    wire_ohms_per_metre: tuple[float, float] = (0.03, 0.09)
    """70 mohm/m nominal (NI-XNET manual, Cabling Requirements)."""

    trunk_metres: tuple[float, float] = (3.0, 40.0)
    contact_ohms: tuple[float, float] = (0.005, 0.10)
    """Per connector on the way (common practice, no source)."""

    worn_ohms: Mixture = ((0.8, (0.0, 0.05)), (0.2, (0.2, 3.0)))
    """In each line at the DLC, from pins used for years: the high sixties still pass (common practice, no source)."""

    battery_volts: tuple[float, float] = (11.6, 14.6)
    modules: tuple[int, int] = (4, 14)
    modules_seldom: tuple[int, int] = (2, 30)
    """A quarter of the buses; 30 is the most of ISO 11898 and J1939-11 (check values 1.31, 1.32)."""

    traffic: Mixture = ((0.8, (0.03, 0.36)), (0.2, (0.02, 0.50)))
    """Share of time the lines are driven: half of a frame at most is dominant on average (judged)."""

    short_ohms: tuple[float, float] = (0.05, 5e3)
    """From bare wires pressed together to a damp chafed spot (published cases: 26 to 152 ohm; the ends are judged)."""


@dataclass(frozen=True)
class Drawn:
    """Drawn buses with what is known of each: its roles, the modules' share of the traffic, where the fault sits.

    `roles`: (roles, buses), places of the modules of `ROLES`. `senders`: (3, buses). `shares`: (3, buses), time that
    each drives. `host`: (buses,), the place of the module the fault lies in or behind, -1 on the trunk. `ends`:
    (2, buses). `size`: (buses,), how much of the fault there is, in ohm or volt, NaN where that has no meaning. `line`:
    (buses,), 0 where it lies in CAN high, 1 in CAN low, -1 for neither or both.
    """

    buses: PairBuses
    roles: Slots
    senders: Slots
    shares: Array
    host: Slots
    ends: Slots
    size: Array | None = None
    line: Slots | None = None


def uniform(random: Generator, bounds: tuple[float, float], shape: Any) -> Array:
    """Return numbers even over `bounds`."""
    return np.asarray(random.uniform(*bounds, shape))


def log_uniform(random: Generator, bounds: tuple[float, float], shape: Any) -> Array:
    """Return numbers whose logarithm is even over `bounds`."""
    return np.asarray(np.exp(random.uniform(np.log(bounds[0]), np.log(bounds[1]), shape)))


def in_cells(count: int, shares: Sequence[float]) -> tuple[Slots, Array]:
    """Return which cell of a population each of `count` buses falls in, in order, and how far on in it (0..1).

    Every other cell runs backwards: neighbours on both sides of a boundary are alike too.
    """
    edges = np.concatenate([[0.0], np.cumsum(shares)]) / sum(shares) * count
    cell = np.minimum(np.searchsorted(edges, np.arange(count), side="right") - 1, len(shares) - 1)
    along = np.clip((np.arange(count) - edges[cell]) / (edges[cell + 1] - edges[cell]), 0.0, 1.0)
    return cell, np.where(cell % 2 == 0, along, 1.0 - along)


def stepped(random: Generator, bounds: Range, along: Array) -> Array:
    """Return numbers whose logarithm runs over `bounds` as `along` runs from 0 to 1: neighbours are alike."""
    low, high = np.log(bounds)
    step = 1.0 / max(len(along), 1)
    return np.asarray(np.exp(low + (high - low) * np.clip(along + step * random.random(len(along)), 0, 1)))


def mixed(random: Generator, parts: Mixture, shape: Any, *, log: bool = False) -> Array:
    """Return numbers from the parts of a population, each even over its bounds (with `log`, their logarithm)."""
    drawn = (log_uniform if log else uniform)(random, parts[0][1], shape)
    pick, before = random.random(shape), parts[0][0]
    for share, bounds in parts[1:]:
        other = (log_uniform if log else uniform)(random, bounds, shape)
        drawn = np.where((pick >= before) & (pick < before + share), other, drawn)
        before += share
    return drawn


def healthy_pairs(count: int, random: Generator, spread: Spread) -> Drawn:
    """Return `count` random healthy buses with traffic."""
    many = _many_modules(random, spread, count)
    # More modules than there are places share them: their bias counts, their stubs do not.
    modules = np.minimum(many, PLACES - 2)
    places = np.arange(PLACES)[:, None]
    # The DLC hangs anywhere but beyond the ends.
    dlc = random.integers(1, modules)
    last = modules
    present = (places <= last) & (places != dlc)
    shape = (PLACES, count)
    bias = _sharing(random, many - modules, present) / log_uniform(random, spread.bias_ohms, shape)
    mismatch = 1 + random.uniform(-spread.bias_mismatch, spread.bias_mismatch, shape)
    ends = np.stack([np.zeros(count, dtype=np.int64), last])
    terminator = 1 / mixed(random, spread.terminator_ohms, shape)
    buses = PairBuses(
        present=present,
        bias_high=bias * mismatch,
        bias_low=bias / mismatch,
        bias_volts_high=(volts := mixed(random, spread.bias_volts, shape)) + random.normal(0, 0.005, shape),
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
        dlc_ohms_high=_stubs(random, spread, count) + mixed(random, spread.worn_ohms, count),
        dlc_ohms_low=_stubs(random, spread, count) + mixed(random, spread.worn_ohms, count),
        dead_share=np.minimum(
            mixed(random, spread.dead_share, count, log=True),
            1 / (LEAST_GROUND_OHMS * 2 * np.where(present, bias, 0.0).sum(axis=0)),
        ),
    )
    roles = _roles(random, present, ends)
    senders = pick_modules(random, present, 3)
    shares = traffic_shares(random, count, spread.traffic)
    return Drawn(buses, roles, senders, shares, np.full(count, -1), ends)


def _many_modules(random: Generator, spread: Spread, count: int) -> Slots:
    usual = random.integers(spread.modules[0], spread.modules[1] + 1, count)
    seldom = random.integers(spread.modules_seldom[0], spread.modules_seldom[1] + 1, count)
    return np.where(random.random(count) < 0.25, seldom, usual)


def _sharing(random: Generator, more: Slots, present: NDArray[np.bool_]) -> Array:
    """Return how many modules stand at each place, where `more` than there are places share them."""
    weights = np.where(present, random.random(present.shape), 0.0)
    return np.asarray(1.0 + np.round(weights / weights.sum(axis=0) * more))


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
    """Return `many` different modules per bus, as far as it has so many."""
    order = np.where(present, random.random(present.shape), 2.0)
    return np.argsort(order, axis=0)[:many]


def suspect(drawn: Drawn, random: Generator, role: Slots) -> Slots:
    """Return the place of the module with that role on each bus; of any module where `role` is none of them."""
    count = drawn.buses.count
    anyone = pick_modules(random, drawn.buses.present, 1)[0]
    known = (role >= 0) & (role < len(drawn.roles))
    return np.where(known, drawn.roles[np.where(known, role, 0), np.arange(count)], anyone)


def _roles(random: Generator, present: NDArray[np.bool_], ends: Slots) -> Slots:
    places = np.arange(PLACES)[:, None]
    inner = present & (places != ends[0]) & (places != ends[1])
    others = pick_modules(random, inner, 3)
    # Of few modules fewer than three are inner ones: the others then are the first again, or an end.
    enough = np.take_along_axis(inner, others, axis=0)
    first = np.where(enough[:1], others[:1], ends[1:])
    return np.concatenate([ends, np.where(enough, others, first)])


def traffic_shares(random: Generator, count: int, total: Mixture) -> Array:
    """Return the time share for which each of three senders drives."""
    parts = random.exponential(1.0, (3, count))
    return np.asarray(parts / parts.sum(axis=0) * mixed(random, total, count))


def facts_of(drawn: Drawn, roles: Sequence[str] = ROLES) -> dict[str, Array]:
    """Return what is known of each bus, shape (buses,).

    `host`: the role (index in `roles`) of the module that the fault lies in, -1 for none. `size` and `line` as in
    `Drawn`. `share0` ...: the time that each sender drives.
    """
    count = drawn.buses.count
    host = np.full(count, -1.0)
    for index in reversed(range(len(roles))):
        slots = drawn.roles[index]
        host = np.where((drawn.host >= 0) & (slots == drawn.host), index, host)
    nothing = np.full(count, np.nan)
    return {
        "host": host,
        "size": nothing if drawn.size is None else drawn.size,
        "line": np.full(count, -1.0) if drawn.line is None else drawn.line.astype(np.float64),
        **{f"share{place}": share for place, share in enumerate(drawn.shares)},
    }
