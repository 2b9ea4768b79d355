"""A single line as a circuit against the battery rail, and healthy buses of it: what wires and modules measure.

The line is one conductor, the rail the other. A pull-up or a short to battery then joins the two, powered or not, and
with the battery disconnected the rail lies on ground through the loads connected to it. A line that is driven down
(LIN, K-line) takes the conductor whose drivers pull down, one that is driven up (single-wire CAN) the other.

Shapes as in `casebase.bus.pair`: (places, buses) where not said otherwise. Units: volt, ohm, siemens, ampere. The
figures of the standards stand in `casebase.bus.media`; what is judged is marked.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any, Final

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from casebase.bus.chain import Array
from casebase.bus.media import (
    DOMINANT_SHARE,
    K_LINE,
    K_LINE_24_VOLT_OHMS,
    LIN,
    LIN_RESPONDER_OHMS,
    SINGLE_WIRE,
    SUPPLY_12_VOLTS,
    SUPPLY_24_VOLTS,
    Figure,
)
from casebase.bus.network import Drivers, PairBuses, Shunt, Slots
from casebase.bus.pair_draws import Drawn

RAIL_SIEMENS: Final = 50.0
"""Battery and feed, 20 milliohm (common practice, no source): stiff against anything a signal line can do."""

RAIL_WIRE_OHMS: Final = 1e-3
NEVER_OHMS: Final = 1e12
NEVER_VOLTS: Final = 1e3


class Drive(Enum):
    """Which way modules drive the line; the value names its conductor of the pair."""

    DOWN = "low"
    UP = "high"


def pull_to_ground(drive: Drive, siemens: Array, volts: Any = 0.0) -> Shunt:
    """Return a resistor from the line to ground, or to `volts` above it."""
    nothing = np.zeros_like(siemens)
    if drive is Drive.UP:
        return Shunt(siemens, nothing, nothing, siemens * volts, nothing)
    return Shunt(nothing, siemens, nothing, nothing, siemens * volts)


def pull_to_rail(drive: Drive, siemens: Array, drop_volts: Any = 0.0) -> Shunt:
    """Return a resistor from the line to the rail, with a diode's drop in series."""
    nothing = np.zeros_like(siemens)
    amperes = siemens * drop_volts
    if drive is Drive.UP:
        return Shunt(nothing, nothing, siemens, -amperes, amperes)
    return Shunt(nothing, nothing, siemens, amperes, -amperes)


def rail_at(drive: Drive, siemens: Array, volts: Any) -> Shunt:
    """Return what holds the rail: the battery, or with it disconnected the loads to ground (`volts` 0)."""
    return pull_to_ground(Drive.UP if drive is Drive.DOWN else Drive.DOWN, siemens, volts)


def line_drivers(drive: Drive, volts: Array, ohms: Array, limit_amperes: Array) -> Drivers:
    """Return drivers that pull the line to `volts` through `ohms`, and leave the rail alone."""
    never = np.full_like(ohms, NEVER_OHMS)
    if drive is Drive.UP:
        return Drivers(volts, np.full_like(volts, NEVER_VOLTS), ohms, never, limit_amperes)
    return Drivers(np.full_like(volts, -NEVER_VOLTS), volts, never, ohms, limit_amperes)


@dataclass(frozen=True)
class Line:
    """The wire: where modules hang, their branches, the trunk between, the place where the leads reach it.

    `wire_ohms`: shape (places - 1, buses). `dlc`, `dlc_ohms`: shape (buses,).
    """

    present: NDArray[np.bool_]
    stub_ohms: Array
    wire_ohms: Array
    dlc: Slots
    dlc_ohms: Array


def single_buses(drive: Drive, line: Line, drivers: Drivers) -> PairBuses:
    """Return buses of a bare line and a rail; pulls, supply and faults are added as shunts."""
    nothing = np.zeros(line.present.shape)
    none, rail = Shunt.none(line.present.shape), Drive.UP if drive is Drive.DOWN else Drive.DOWN
    conductors = {
        f"stub_ohms_{drive.value}": line.stub_ohms,
        f"wire_ohms_{drive.value}": line.wire_ohms,
        f"dlc_ohms_{drive.value}": line.dlc_ohms,
        f"stub_ohms_{rail.value}": np.full(line.stub_ohms.shape, RAIL_WIRE_OHMS),
        f"wire_ohms_{rail.value}": np.full(line.wire_ohms.shape, RAIL_WIRE_OHMS),
        f"dlc_ohms_{rail.value}": np.full(line.dlc_ohms.shape, RAIL_WIRE_OHMS),
    }
    return PairBuses(
        present=line.present,
        bias_high=nothing,
        bias_low=nothing,
        bias_volts_high=nothing,
        bias_volts_low=nothing,
        termination=nothing,
        powered_trunk=none,
        powered_module=none,
        unpowered_trunk=none,
        unpowered_module=none,
        drivers=drivers,
        stuck=np.zeros(line.present.shape, dtype=bool),
        dlc=line.dlc,
        **conductors,
    )


def with_shunts(buses: PairBuses, **shunts: Shunt) -> PairBuses:
    """Return the buses with something more hung on them; keys as the fields of `PairBuses` that hold shunts."""
    return replace(buses, **{name: getattr(buses, name) + shunt for name, shunt in shunts.items()})


def line_columns(columns: Mapping[str, Array], drive: Drive) -> dict[str, Array]:
    """Return the columns of the pair under the names of a single line, those of the rail left out."""
    names = {
        f"volts_{drive.value}": "volts_line",
        f"recessive_{drive.value}": "recessive_line",
        f"dominant_{drive.value}": "dominant_line",
        f"ohms_{drive.value}_ground": "ohms_line_ground",
        "ohms_between": "ohms_line_battery",
        "traffic": "traffic",
        "dominant_share": "dominant_share",
    }
    found: dict[str, Array] = {}
    for column, values in columns.items():
        view, _, quantity = column.rpartition("|")
        if quantity in names:
            found[f"{view}|{names[quantity]}"] = values
    return found


PLACES: Final = 12
"""Places along the line: modules and the point where the leads reach it."""

SINGLE_ROLES: Final = ("commander", "module 1", "module 2", "module 3")
"""Modules told apart: the one that leads (LIN), and three others. On K-line the tester stands in the first row."""

Bounds = tuple[float, float]


def _ends(figure: Figure) -> Bounds:
    return figure.low, figure.high


@dataclass(frozen=True)
class SingleSpread:
    """What one medium's buses are drawn from: (low, high) in volt, ohm, ampere.

    `module_ohms`: of each module, to the rail (driven down) or to ground (driven up). `leader_ohms`, `leader_24_ohms`:
    the pull-up of the commander or the tester, on 12 and on 24 V. `unpowered_*`: what the same parts show to an
    ohmmeter. `unlisted`: how many modules may share one place.
    """

    drive: Drive
    modules: tuple[int, int]
    module_ohms: Bounds
    unpowered_ohms: Bounds
    driver_volts: Bounds
    driver_ohms: Bounds
    limit_amperes: Bounds
    leader_ohms: Bounds | None = None
    leader_24_ohms: Bounds | None = None
    unpowered_leader_ohms: Bounds | None = None
    leader_is_tester: bool = False
    on_24_volts: float = 0.0
    unlisted: int = 1
    traffic: Bounds = (DOMINANT_SHARE.low, DOMINANT_SHARE.high)
    leak_ohms: Bounds = (3e5, 1e7)
    drop_volts: Bounds = (0.15, 0.7)
    """The pull-up's diode, at some 10 microampere to some milliampere (common practice, no source)."""


LIN_SPREAD: Final = SingleSpread(
    drive=Drive.DOWN,
    modules=(2, 10),  # up to 16 (TI TLIN1029A-Q1, overview); most have few
    module_ohms=_ends(LIN_RESPONDER_OHMS),
    # Behind a diode: what an ohmmeter shows hangs on its test voltage and on which lead is where (judged).
    unpowered_ohms=(2e4, 1e6),
    driver_volts=(0.35, 0.85),
    driver_ohms=(15.0, 40.0),  # with 1 kohm at 12 V: 0.5 to 1.3 V, below 0.2 VSUP (TI TLIN1021-Q1 SLLSEU9D)
    limit_amperes=(0.040, 0.200),  # from memory (ISO 17987-4)
    leader_ohms=_ends(LIN.termination),
    leader_24_ohms=_ends(LIN.termination),
    unpowered_leader_ohms=(1e3, 1e5),
    on_24_volts=0.10,
)
K_LINE_SPREAD: Final = SingleSpread(
    drive=Drive.DOWN,
    modules=(2, 6),
    module_ohms=(3e4, 1e6),  # high-ohmic; common practice, no source
    unpowered_ohms=(6e4, 6e5),
    driver_volts=(0.05, 0.5),
    driver_ohms=(10.0, 30.0),  # ST L9613, table 5
    limit_amperes=(0.040, 0.150),  # ST L9613, table 5
    leader_ohms=_ends(K_LINE.termination),
    leader_24_ohms=_ends(K_LINE_24_VOLT_OHMS),
    leader_is_tester=True,
    on_24_volts=0.10,
    leak_ohms=(6e4, 1e6),
    drop_volts=(0.0, 0.1),
)
SINGLE_WIRE_SPREAD: Final = SingleSpread(
    drive=Drive.UP,
    modules=(2, 10),
    module_ohms=_ends(SINGLE_WIRE.termination),
    unpowered_ohms=_ends(SINGLE_WIRE.termination),
    driver_volts=(3.75, 4.5),  # with its load 3.5 to 4.55 V (TH8055 page 7)
    driver_ohms=(3.0, 12.0),
    limit_amperes=(0.040, 0.150),  # TH8055 page 7
    traffic=(
        0.03,
        0.30,
    ),  # frames for half of the time at most, half of each dominant (common practice, no source)
    unlisted=3,  # 2 to 32 modules (TH8055 page 7)
)

GROUND_OFFSET_VOLTS: Final = (-0.02, 0.10)
"""Between a module's ground and the meter's; the standard allows 0.8 V (TH8055 page 7), vehicles show less (judged)."""

RAIL_OHMS: Final = (2.0, 60.0)


@dataclass(frozen=True)
class Parts:
    """What the faults need to know: who leads, through what its pull-up lifts the line; all as (buses,), in siemens."""

    leader: Slots
    leader_siemens: Array
    dead_leader_siemens: Array
    drop_volts: Array


def uniform(random: Generator, bounds: Bounds, shape: Any) -> Array:
    """Return numbers as likely anywhere within `bounds`."""
    return np.asarray(random.uniform(*bounds, shape))


def log_uniform(random: Generator, bounds: Bounds, shape: Any) -> Array:
    """Return numbers whose logarithm is as likely anywhere within `bounds`."""
    return np.asarray(np.exp(random.uniform(np.log(bounds[0]), np.log(bounds[1]), shape)))


def bare_buses(count: int, random: Generator, spread: SingleSpread) -> tuple[Drawn, Parts]:
    """Return healthy buses with traffic, without the leader's pull-up, and what is known of them."""
    modules = _few(random, spread.modules, count)
    places = np.arange(PLACES)[:, None]
    # A tester sits where the leads do, at one end; else the leads reach the line at a place of their own.
    dlc = np.zeros(count, dtype=np.int64) if spread.leader_is_tester else random.integers(0, modules + 1)
    present = (places <= modules) & ((places != dlc) | spread.leader_is_tester)
    leader = dlc if spread.leader_is_tester else pick(random, present, 1)[0]
    shape = (PLACES, count)
    line = Line(
        present=present,
        stub_ohms=uniform(random, (0.02, 0.3), shape),
        wire_ohms=uniform(random, (0.02, 0.4), (PLACES - 1, count)),
        dlc=dlc,
        dlc_ohms=uniform(random, (0.02, 0.3), count),
    )
    drivers = line_drivers(
        spread.drive,
        uniform(random, spread.driver_volts, shape),
        uniform(random, spread.driver_ohms, shape),
        uniform(random, spread.limit_amperes, shape),
    )
    buses = single_buses(spread.drive, line, drivers)
    inner = present & (places != leader)
    others = enough(inner, pick(random, inner, 3))
    everybody = pick(random, present, 3)
    senders = enough(present, everybody) if spread.leader_ohms is None else np.stack([leader, *others[:2]])
    bare = Drawn(
        buses=buses,
        roles=np.stack([leader, *others]),
        senders=senders,
        shares=shares_of_time(random, count, spread.traffic),
        host=np.full(count, -1),
        ends=np.stack([np.zeros(count, dtype=np.int64), modules]),
    )
    return _supplied(bare, leader, random, spread)


def _few(random: Generator, bounds: tuple[int, int], count: int) -> NDArray[np.int64]:
    """Return numbers of modules, few more often than many."""
    return np.floor(log_uniform(random, (bounds[0], bounds[1] + 1), count)).astype(np.int64)


def pick(random: Generator, present: NDArray[np.bool_], many: int) -> Slots:
    """Return `many` places of each bus, those where `present` holds first; shape (many, buses)."""
    return np.argsort(np.where(present, random.random(present.shape), 2.0), axis=0)[:many]


def enough(present: NDArray[np.bool_], picked: Slots) -> Slots:
    """Return the places picked, the first again where a bus has no other module."""
    return np.where(np.take_along_axis(present, picked, axis=0), picked, picked[:1])


def shares_of_time(random: Generator, count: int, total: Bounds) -> Array:
    """Return the share of the time for which each of three senders drives."""
    parts = random.exponential(1.0, (3, count))
    return np.asarray(parts / parts.sum(axis=0) * uniform(random, total, count))


def _supplied(bare: Drawn, leader: Slots, random: Generator, spread: SingleSpread) -> tuple[Drawn, Parts]:
    """Return the buses with their supply and every module's own pull."""
    count = bare.buses.count
    on_24 = random.random(count) < spread.on_24_volts
    drop = uniform(random, spread.drop_volts, count)
    buses = _with_rail(_with_pulls(bare.buses, leader, drop, random, spread), on_24, random, spread)
    live_leader, dead_leader = _leader_siemens(random, spread, on_24)
    return replace(bare, buses=buses), Parts(leader, live_leader, dead_leader, drop)


def _with_rail(
    buses: PairBuses, on_24: NDArray[np.bool_], random: Generator, spread: SingleSpread
) -> PairBuses:
    volts_12, volts_24 = (
        uniform(random, _ends(volts), buses.count) for volts in (SUPPLY_12_VOLTS, SUPPLY_24_VOLTS)
    )
    first = np.arange(PLACES)[:, None] == 0
    tied = np.where(first, RAIL_SIEMENS, np.zeros(buses.count))
    loads = np.where(first, 1 / log_uniform(random, RAIL_OHMS, buses.count), 0.0)
    return with_shunts(
        buses,
        powered_trunk=rail_at(spread.drive, tied, np.where(on_24, volts_24, volts_12)),
        unpowered_trunk=rail_at(spread.drive, loads, 0.0),
    )


def _with_pulls(
    buses: PairBuses, leader: Slots, drop: Array, random: Generator, spread: SingleSpread
) -> PairBuses:
    shape = buses.present.shape
    pulls = buses.present & ~((np.arange(PLACES)[:, None] == leader) & spread.leader_is_tester)
    together = np.where(pulls, random.integers(1, spread.unlisted + 1, shape), 0)
    ohms = log_uniform(random, spread.module_ohms, shape)
    leak = pull_to_ground(spread.drive, together / log_uniform(random, spread.leak_ohms, shape))
    if spread.drive is Drive.UP:
        offset = uniform(random, GROUND_OFFSET_VOLTS, buses.count)
        live, dead = (pull_to_ground(spread.drive, together / ohms, volts) for volts in (offset, 0.0))
    else:
        dead_ohms = log_uniform(random, spread.unpowered_ohms, shape)
        live = pull_to_rail(spread.drive, together / ohms, drop)
        dead = pull_to_rail(spread.drive, together / dead_ohms)
    return with_shunts(buses, powered_module=live + leak, unpowered_module=dead + leak)


def _leader_siemens(random: Generator, spread: SingleSpread, on_24: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Return the leader's pull-up, powered and as an ohmmeter sees it; none where the medium has no leader."""
    count, none = len(on_24), np.zeros(len(on_24))
    if spread.leader_ohms is None or spread.leader_24_ohms is None:
        return none, none
    ohms = np.where(
        on_24, uniform(random, spread.leader_24_ohms, count), uniform(random, spread.leader_ohms, count)
    )
    # A tester is fed through the DLC: with the battery disconnected it is off the line.
    seen = spread.unpowered_leader_ohms
    return 1 / ohms, none if seen is None else 1 / log_uniform(random, seen, count)
