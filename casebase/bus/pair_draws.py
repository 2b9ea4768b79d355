"""Random high-speed buses: the unknowns of a healthy pair drawn from their tolerances, and a fault put into each.

Sources stand beside the figures (documents of the makers of transceivers, by table); what has none is marked.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from casebase.bus.chain import Array
from casebase.bus.pair import OPEN_OHMS, Drivers, PairBuses, Shunt, Slots
from casebase.record.vocabulary import BusState

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


def draw_pairs(state: BusState, count: int, random: Generator, spread: Spread = Spread()) -> Drawn:
    """Return `count` random buses in `state`."""
    healthy = _healthy(count, random, spread)
    return _FAULTS[state](healthy, random, spread)


def _uniform(random: Generator, bounds: tuple[float, float], shape: Any) -> Array:
    return np.asarray(random.uniform(*bounds, shape))


def _log_uniform(random: Generator, bounds: tuple[float, float], shape: Any) -> Array:
    return np.asarray(np.exp(random.uniform(np.log(bounds[0]), np.log(bounds[1]), shape)))


def _healthy(count: int, random: Generator, spread: Spread) -> Drawn:
    modules = random.integers(spread.modules[0], spread.modules[1] + 1, count)
    places = np.arange(PLACES)[:, None]
    # The DLC hangs anywhere but beyond the ends.
    dlc = random.integers(1, modules)
    last = modules
    present = (places <= last) & (places != dlc)
    shape = (PLACES, count)
    bias = 1 / _log_uniform(random, spread.bias_ohms, shape)
    mismatch = 1 + random.uniform(-spread.bias_mismatch, spread.bias_mismatch, shape)
    ends = np.stack([np.zeros(count, dtype=np.int64), last])
    terminator = 1 / _uniform(random, spread.terminator_ohms, shape)
    buses = PairBuses(
        present=present,
        bias_high=bias * mismatch,
        bias_low=bias / mismatch,
        bias_volts_high=(volts := _uniform(random, spread.bias_volts, shape))
        + random.normal(0, 0.005, shape),
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
    senders = _pick_modules(random, present, 3)
    return Drawn(buses, roles, senders, _shares(random, count, (0.03, 0.36)), np.full(count, -1), ends)


def _stubs(random: Generator, spread: Spread, shape: Any) -> Array:
    return _uniform(random, (0.02, 0.15), shape) + _uniform(random, spread.contact_ohms, shape)


def _wires(random: Generator, spread: Spread, modules: NDArray[np.int64]) -> dict[str, Array]:
    shape = (PLACES - 1, len(modules))
    pieces = random.exponential(1.0, shape) * (np.arange(PLACES - 1)[:, None] < modules)
    metres = pieces / pieces.sum(axis=0) * _uniform(random, spread.trunk_metres, len(modules))
    ohms = metres * _uniform(random, spread.wire_ohms_per_metre, len(modules)) + 1e-4
    return {
        f"wire_ohms_{line}": ohms + _uniform(random, spread.contact_ohms, shape) / 2
        for line in ("high", "low")
    }


def _drivers(random: Generator, spread: Spread, shape: Any) -> Drivers:
    ohms = _uniform(random, spread.driver_ohms, shape)
    # The two halves of one output stage are alike (driver symmetry 0.9 to 1.1, TCAN1044V).
    return Drivers(
        volts_high=_uniform(random, spread.high_volts, shape),
        volts_low=_uniform(random, spread.low_volts, shape),
        ohms_high=ohms * random.uniform(0.92, 1.08, shape),
        ohms_low=ohms * random.uniform(0.92, 1.08, shape),
        limit_amperes=_uniform(random, spread.limit_amperes, shape),
    )


def _pick_modules(random: Generator, present: NDArray[np.bool_], many: int) -> Slots:
    """Return `many` different modules per bus (a bus has four at least)."""
    order = np.where(present, random.random(present.shape), 2.0)
    return np.argsort(order, axis=0)[:many]


def _roles(random: Generator, present: NDArray[np.bool_], ends: Slots) -> Slots:
    places = np.arange(PLACES)[:, None]
    inner = present & (places != ends[0]) & (places != ends[1])
    others = _pick_modules(random, inner, 3)
    # Of four modules only two are inner ones: the third then is the first again.
    enough = np.take_along_axis(inner, others, axis=0)
    return np.concatenate([ends, np.where(enough, others, others[:1])])


def _shares(random: Generator, count: int, total: tuple[float, float]) -> Array:
    """Return the time share for which each of three senders drives."""
    parts = random.exponential(1.0, (3, count))
    return np.asarray(parts / parts.sum(axis=0) * _uniform(random, total, count))


# --- faults -------------------------------------------------------------------------------------------------------

Fault = Callable[[Drawn, Generator, Spread], Drawn]

SHORT_OHMS: Final = (0.05, 20.0)
RAIL_OHMS: Final = (2.0, 60.0)
"""What the loads on a dead battery rail amount to (common practice, no source)."""

ON_TRUNK, IN_MODULE = 0.75, 0.25
"""Where a short sits: on the trunk, or inside a module (judged)."""

TRUNK_CUT, BRANCH_CUT, DLC_CUT = 0.84, 0.10, 0.06
"""Where a line is open: in the trunk, in the branch to one module, in the branch to the DLC (judged)."""


def _still_talking(drawn: Drawn, random: Generator, silent_share: float) -> Drawn:
    """Traffic of a disturbed bus: often none at all, else anything from a few retries to constant error flags."""
    shares = _shares(random, drawn.buses.count, (0.005, 0.45))
    silent = random.random(drawn.buses.count) < silent_share
    return replace(drawn, shares=np.where(silent, 0.0, shares))


def _short(line: str, to: str) -> Fault:
    def put(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
        count = drawn.buses.count
        siemens = 1 / _log_uniform(random, SHORT_OHMS, count)
        rail = 1 / (1 / siemens + _log_uniform(random, RAIL_OHMS, count))
        volts = _uniform(random, spread.battery_volts, count) if to == "battery" else np.zeros(count)
        in_module = random.random(count) < IN_MODULE
        place = _pick_modules(random, drawn.buses.present, 1)[0]
        live = _at(place, _shunt(line, to, siemens, siemens * volts))
        dead = _at(place, _shunt(line, to, rail if to == "battery" else siemens, np.zeros(count)))
        buses = replace(
            drawn.buses,
            powered_trunk=live.where(~in_module),
            powered_module=live.where(in_module),
            unpowered_trunk=dead.where(~in_module),
            unpowered_module=dead.where(in_module),
        )
        silent = 0.1 if (line, to) in {("low", "ground"), ("high", "battery")} else 0.35
        return _still_talking(
            replace(drawn, buses=buses, host=np.where(in_module, place, -1)), random, silent
        )

    return put


def _shunt(line: str, to: str, siemens: Array, amperes: Array) -> Shunt:
    nothing = np.zeros_like(siemens)
    if to == "line":
        return Shunt(nothing, nothing, siemens, nothing, nothing)
    if line == "high":
        return Shunt(siemens, nothing, nothing, amperes, nothing)
    return Shunt(nothing, siemens, nothing, nothing, amperes)


def _at(place: Slots, shunt: Shunt) -> Shunt:
    """Put one shunt per bus at its place."""
    here = np.arange(PLACES)[:, None] == place[None, :]
    parts = (shunt.high, shunt.low, shunt.across, shunt.amperes_high, shunt.amperes_low)
    return Shunt(*(np.where(here, part[None, :], 0.0) for part in parts))


def _open(high: bool, low: bool) -> Fault:
    def put(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
        buses, count = drawn.buses, drawn.buses.count
        where = random.random(count)
        trunk, branch = where < TRUNK_CUT, (where >= TRUNK_CUT) & (where < TRUNK_CUT + BRANCH_CUT)
        at_dlc = ~trunk & ~branch
        cut = random.integers(0, np.maximum(drawn.ends[1], 1))
        module = _pick_modules(random, buses.present, 1)[0]
        ohms = np.where(random.random(count) < 0.85, OPEN_OHMS, _log_uniform(random, (2e3, 2e5), count))
        on_trunk = (np.arange(PLACES - 1)[:, None] == cut) & trunk
        on_branch = (np.arange(PLACES)[:, None] == module) & branch
        changed: dict[str, Any] = {
            key: np.where(mask & opened, ohms, getattr(buses, key))
            for opened, line in ((high, "high"), (low, "low"))
            for key, mask in (
                (f"wire_ohms_{line}", on_trunk),
                (f"stub_ohms_{line}", on_branch),
                (f"dlc_ohms_{line}", at_dlc),
            )
        }
        result = replace(drawn, buses=replace(buses, **changed), host=np.where(branch, module, -1))
        return replace(result, shares=_still_talking(result, random, 0.15).shares)

    return put


def _terminators(missing: int) -> Fault:
    def put(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
        end = random.integers(0, 2, drawn.buses.count)
        places = np.arange(PLACES)[:, None]
        lost = (places == np.where(end == 0, drawn.ends[0], drawn.ends[1])) | (missing == 2)
        buses = replace(drawn.buses, termination=np.where(lost, 0.0, drawn.buses.termination))
        changed = replace(drawn, buses=buses)
        return _still_talking(changed, random, 0.3) if missing == 2 else changed

    return put


def _extra_terminator(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    place = _pick_modules(random, drawn.buses.present, 1)[0]
    in_module = random.random(drawn.buses.count) < 0.6
    ohms = np.where(random.random(drawn.buses.count) < 0.8, 120.0, 60.0) * random.uniform(
        0.98, 1.02, drawn.buses.count
    )
    extra = _at(place, _shunt("", "line", 1 / ohms, np.zeros(drawn.buses.count)))
    buses = replace(
        drawn.buses,
        powered_trunk=extra.where(~in_module),
        powered_module=extra.where(in_module),
        unpowered_trunk=extra.where(~in_module),
        unpowered_module=extra.where(in_module),
    )
    return replace(drawn, buses=buses, host=np.where(in_module, place, -1))


def _stuck(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    module = _pick_modules(random, drawn.buses.present, 1)[0]
    stuck = np.arange(PLACES)[:, None] == module
    changed = replace(drawn, buses=replace(drawn.buses, stuck=stuck), host=module)
    return _still_talking(changed, random, 0.6)


def _healthy_traffic(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    return drawn


def _quiet(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    return replace(drawn, shares=np.zeros_like(drawn.shares))


def _asleep(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    """Standby: each line within 0.1 V of ground (TCAN1042HGV 7.7)."""
    shape = drawn.buses.present.shape
    volts = np.broadcast_to(random.uniform(-0.10, 0.10, (2, 1, drawn.buses.count)), (2, *shape))
    buses = replace(drawn.buses, bias_volts_high=volts[0], bias_volts_low=volts[1])
    return replace(drawn, buses=buses, shares=np.zeros_like(drawn.shares))


_FAULTS: Final[dict[BusState, Fault]] = {
    BusState.HEALTHY: _healthy_traffic,
    BusState.BUS_QUIET: _quiet,
    BusState.BUS_ASLEEP: _asleep,
    BusState.LINES_SHORTED_TOGETHER: _short("", "line"),
    BusState.HIGH_SHORTED_TO_GROUND: _short("high", "ground"),
    BusState.LOW_SHORTED_TO_GROUND: _short("low", "ground"),
    BusState.HIGH_SHORTED_TO_BATTERY: _short("high", "battery"),
    BusState.LOW_SHORTED_TO_BATTERY: _short("low", "battery"),
    BusState.HIGH_OPEN: _open(high=True, low=False),
    BusState.LOW_OPEN: _open(high=False, low=True),
    BusState.BOTH_OPEN: _open(high=True, low=True),
    BusState.TERMINATOR_MISSING: _terminators(1),
    BusState.BOTH_TERMINATORS_MISSING: _terminators(2),
    BusState.EXTRA_TERMINATOR: _extra_terminator,
    BusState.DRIVER_STUCK_DOMINANT: _stuck,
}

PAIR_STATES: Final = tuple(_FAULTS)
