"""Faults of the wires put into each of many healthy buses: shorts, opens, poor joints, terminators, leaks.

Each runs over its whole range in even steps of its logarithm. A width without a document is marked judged.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.random import Generator

from casebase.bus.chain import Array
from casebase.bus.network import OPEN_OHMS, Shunt, Slots
from casebase.bus.pair_draws import (
    PLACES,
    SUSPECTS,
    Drawn,
    Spread,
    in_cells,
    log_uniform,
    pick_modules,
    stepped,
    suspect,
    traffic_shares,
    uniform,
)
from casebase.record.vocabulary import BusState

Fault = Callable[[Drawn, Generator, Spread], Drawn]

RAIL_OHMS: Final = (2.0, 60.0)
"""What the loads on a dead battery rail amount to (common practice, no source)."""

SHORT_IN_MODULE: Final = 0.25
"""The share of shorts that sit inside a module and not on the trunk (judged)."""

TRUNK_CUT, BRANCH_CUT = 0.58, 0.28
"""Where a line is open: in the trunk, in the branch to one module, else in that to the DLC (judged)."""

NEARLY_OPEN_OHMS: Final = (2e3, 2e7)
"""Three in ten opens still conduct a little: corrosion, moisture (judged)."""

JOINT_OHMS: Final = (5.0, 2e3)
"""A poor joint: from what a meter notices to what stops the bus; beyond that the line is as good as open (judged)."""

WRONG_OHMS: Final = (40.0, 2e3)
RIGHT_OHMS: Final = (104.0, 138.0)
"""Terminators of another value than 120 ohm, and what still passes for it (judged; 108 to 132 is quoted)."""

LEAK_OHMS: Final = (300.0, 5e3)
"""A wet connector (judged)."""

HARD, HARD_TO_OHMS = 0.65, 60.0
"""Share of shorts that are hard, and up to what (judged): a damp or chafed spot of more is met less often."""

DISTURBED_BELOW_OHMS: Final = 80.0
"""About where a short to the other level begins to stop traffic: drivers of 20 to 45 ohm work against it (judged)."""

RETRIES: Final = ((1.0, (0.005, 0.45)),)
"""Traffic of a disturbed bus: anything from a few retries to constant error flags (judged)."""


def still_talking(drawn: Drawn, random: Generator, silent_share: float | Array) -> Drawn:
    """Return the buses with the traffic of disturbed ones: often none at all."""
    shares = traffic_shares(random, drawn.buses.count, RETRIES)
    silent = random.random(drawn.buses.count) < silent_share
    return replace(drawn, shares=np.where(silent, 0.0, shares))


def _disturbed_by(drawn: Drawn, random: Generator, harm: Array, silent_share: float) -> Drawn:
    """Return the buses with their traffic disturbed with the chance `harm`, shape (buses,), else as it was."""
    disturbed = random.random(drawn.buses.count) < harm
    shares = np.where(disturbed, still_talking(drawn, random, silent_share).shares, drawn.shares)
    return replace(drawn, shares=shares)


def short(line: str, to: str) -> Fault:
    """Return what shorts `line` (or both lines together) `to` ground, battery or the other line."""

    def put(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
        count = drawn.buses.count
        shares = (1 - SHORT_IN_MODULE, *(SHORT_IN_MODULE * share for share in SUSPECTS))
        cell, along = in_cells(count, shares)
        place, in_module = suspect(drawn, random, cell - 1), cell > 0
        ohms = _short_ohms(random, spread, along)
        rail = 1 / (ohms + log_uniform(random, RAIL_OHMS, count))
        volts = uniform(random, spread.battery_volts, count) if to == "battery" else np.zeros(count)
        live = at(place, shunt(line, to, 1 / ohms, volts / ohms))
        dead = at(place, shunt(line, to, rail if to == "battery" else 1 / ohms, np.zeros(count)))
        silent = 0.1 if (line, to) in {("low", "ground"), ("high", "battery")} else 0.35
        shorted = replace(
            drawn,
            buses=with_shunts(drawn, live, dead, in_module),
            host=np.where(in_module, place, -1),
            size=ohms,
        )
        return _disturbed_by(shorted, random, 1 / (1 + (ohms / DISTURBED_BELOW_OHMS) ** 2), silent)

    return put


def _short_ohms(random: Generator, spread: Spread, along: Array) -> Array:
    """Return the ohms of shorts, in order: most are hard."""
    least, most = spread.short_ohms
    hard = stepped(random, (least, min(most, HARD_TO_OHMS)), np.minimum(along / HARD, 1.0))
    if most <= HARD_TO_OHMS:
        return stepped(random, spread.short_ohms, along)
    soft = stepped(random, (HARD_TO_OHMS, most), np.maximum(along - HARD, 0.0) / (1 - HARD))
    return np.where(along < HARD, hard, soft)


def with_shunts(drawn: Drawn, live: Shunt, dead: Shunt, in_module: Any) -> Any:
    """Return the buses with a shunt added, inside modules where `in_module` (buses,) holds, else on the trunk."""
    return replace(
        drawn.buses,
        powered_trunk=live.where(~in_module),
        powered_module=live.where(in_module),
        unpowered_trunk=dead.where(~in_module),
        unpowered_module=dead.where(in_module),
    )


def shunt(line: str, to: str, siemens: Array, amperes: Array) -> Shunt:
    """Return a conductance from `line` to a fixed voltage, or (`to` is "line") between the lines."""
    nothing = np.zeros_like(siemens)
    if to == "line":
        return Shunt(nothing, nothing, siemens, nothing, nothing)
    if line == "high":
        return Shunt(siemens, nothing, nothing, amperes, nothing)
    return Shunt(nothing, siemens, nothing, nothing, amperes)


def at(place: Slots, one: Shunt) -> Shunt:
    """Return one shunt per bus at its place."""
    here = np.arange(PLACES)[:, None] == place[None, :]
    parts = (one.high, one.low, one.across, one.amperes_high, one.amperes_low)
    return Shunt(*(np.where(here, part[None, :], 0.0) for part in parts))


@dataclass(frozen=True)
class _Series:
    """Where something lies in series: `place` 0 trunk, 1 a branch, 2 that to the DLC; how far `along` in its cell."""

    place: Slots
    role: Slots
    along: Array

    @classmethod
    def of(cls, count: int, parts: Sequence[float] = (1.0,)) -> tuple[_Series, Slots]:
        """Return where for each of `count` buses, every place in the parts given, and which part each falls in."""
        places = [(TRUNK_CUT, 0, -1), (1 - TRUNK_CUT - BRANCH_CUT, 2, -1)]
        places += [(BRANCH_CUT * share, 1, role) for role, share in enumerate(SUSPECTS)]
        cells = [
            (share * part, place, role, number)
            for share, place, role in places
            for number, part in enumerate(parts)
        ]
        cell, along = in_cells(count, [share for share, *_ in cells])
        place, role, part = (np.array(column)[cell] for column in list(zip(*cells, strict=True))[1:])
        return cls(place, role, along), part


def _in_series(  # noqa: PLR0913, PLR0917  where, in which lines, how much
    drawn: Drawn, random: Generator, where: _Series, high: Any, low: Any, ohms: Array
) -> Drawn:
    """Return the buses with `ohms` in the lines marked."""
    buses = drawn.buses
    cut = random.integers(0, np.maximum(drawn.ends[1], 1))
    module = suspect(drawn, random, where.role)
    places = {
        "wire_ohms": (np.arange(PLACES - 1)[:, None] == cut) & (where.place == 0),
        "stub_ohms": (np.arange(PLACES)[:, None] == module) & (where.place == 1),
        "dlc_ohms": where.place == 2,
    }
    changed: dict[str, Any] = {
        f"{part}_{line}": getattr(buses, f"{part}_{line}") + np.where(mask & marked, ohms, 0.0)
        for line, marked in (("high", high), ("low", low))
        for part, mask in places.items()
    }
    return replace(drawn, buses=replace(buses, **changed), host=np.where(where.place == 1, module, -1))


def opened(*, high: bool, low: bool) -> Fault:
    """Return what opens one line or both, quite or nearly."""

    def put(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
        where, part = _Series.of(drawn.buses.count, (0.7, 0.3))
        nearly = stepped(random, NEARLY_OPEN_OHMS, where.along)
        cut = _in_series(drawn, random, where, high, low, np.where(part == 0, OPEN_OHMS, nearly))
        return still_talking(cut, random, 0.15)

    return put


def poor_joint(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    """A joint of some ohms to some kilohms in one line."""
    where, line = _Series.of(drawn.buses.count, (0.5, 0.5))
    ohms = stepped(random, JOINT_OHMS, where.along)
    joint = _in_series(drawn, random, where, line == 0, line == 1, ohms)
    return _disturbed_by(replace(joint, size=ohms, line=line), random, 1 / (1 + (200.0 / ohms) ** 2), 0.2)


def terminators_lost(missing: int) -> Fault:
    """Return what takes one terminator or both: gone, or so drifted that hardly anything is left."""

    def put(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
        count = drawn.buses.count
        end, _ = in_cells(count, (1.0, 1.0))
        lost = (np.arange(PLACES)[:, None] == drawn.ends[end, np.arange(count)]) | (missing == 2)
        left = np.where(
            random.random(count) < 0.85, 0.0, 1 / log_uniform(random, (WRONG_OHMS[1], 2e4), count)
        )
        termination = drawn.buses.termination
        buses = replace(drawn.buses, termination=np.where(lost & (termination > 0), left, termination))
        changed = replace(drawn, buses=buses)
        return still_talking(changed, random, 0.3) if missing == 2 else changed

    return put


def extra_terminator(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    """A third terminator, sometimes a fourth, mostly of 120 ohm or of a split pair across."""
    count = drawn.buses.count
    ohms = np.where(random.random(count) < 0.8, 120.0, 60.0) * random.uniform(0.96, 1.04, count)
    cell, _ = in_cells(count, (0.4, *(0.6 * share for share in SUSPECTS)))
    in_module = cell > 0
    extra = at(place := suspect(drawn, random, cell - 1), shunt("", "line", 1 / ohms, np.zeros(count)))
    more = np.where(random.random(count) < 0.2, 1 / 120.0, 0.0)
    fourth = at(pick_modules(random, drawn.buses.present, 1)[0], shunt("", "line", more, np.zeros(count)))
    buses = with_shunts(drawn, extra, extra, in_module)
    buses = replace(
        buses,
        powered_trunk=buses.powered_trunk + fourth,
        unpowered_trunk=buses.unpowered_trunk + fourth,
    )
    together = 1 / (drawn.buses.termination.sum(axis=0) + 1 / ohms + more)
    return replace(drawn, buses=buses, host=np.where(in_module, place, -1), size=together)


def wrong_terminator(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    """One terminator, sometimes both, of another value: fitted wrong, or drifted."""
    count = drawn.buses.count
    cell, along = in_cells(count, (0.375, 0.375, 0.25))
    ohms = stepped(random, (WRONG_OHMS[0], WRONG_OHMS[1] * RIGHT_OHMS[0] / RIGHT_OHMS[1]), along)
    ohms = np.where(ohms > RIGHT_OHMS[0], ohms * RIGHT_OHMS[1] / RIGHT_OHMS[0], ohms)
    end = np.minimum(cell, 1)
    place = drawn.ends[end, np.arange(count)]
    termination = drawn.buses.termination
    wrong = ((np.arange(PLACES)[:, None] == place) | (cell == 2)) & (termination > 0)
    changed = np.where(wrong, 1 / ohms, termination)
    return replace(
        drawn,
        buses=replace(drawn.buses, termination=changed),
        host=np.where(cell == 2, -1, place),
        size=1 / changed.sum(axis=0),
    )


def leak(drawn: Drawn, random: Generator, spread: Spread) -> Drawn:
    """Water in a connector: one path of kilohms or several, between the lines, to ground, to battery."""
    count = drawn.buses.count
    first, along = in_cells(count, (0.25, 0.25, 0.25, 0.125, 0.125))
    least = stepped(random, LEAK_OHMS, along)
    several = random.random(count) < 0.5
    paths = (random.random((5, count)) < np.array([0.5, 0.5, 0.5, 0.3, 0.3])[:, None]) & several
    siemens = np.where(paths, 1 / (least * np.exp(random.uniform(0.0, 1.5, (5, count)))), 0.0)
    siemens[first, np.arange(count)] = 1 / least
    across, high, low, battery_high, battery_low = siemens
    volts = uniform(random, spread.battery_volts, count)
    place = suspect(drawn, random, np.full(count, -1))
    rail = log_uniform(random, RAIL_OHMS, count)
    dead_high, dead_low = (part / (1 + part * rail) for part in (battery_high, battery_low))
    live = Shunt(high + battery_high, low + battery_low, across, battery_high * volts, battery_low * volts)
    dead = Shunt(high + dead_high, low + dead_low, across, np.zeros(count), np.zeros(count))
    buses = with_shunts(drawn, at(place, live), at(place, dead), np.zeros(count, dtype=bool))
    return replace(drawn, buses=buses, size=least)


TWO_WIRE_STATES: Final = (
    BusState.HEALTHY,
    BusState.BUS_QUIET,
    BusState.BUS_ASLEEP,
    BusState.LINES_SHORTED_TOGETHER,
    BusState.HIGH_SHORTED_TO_GROUND,
    BusState.LOW_SHORTED_TO_GROUND,
    BusState.HIGH_SHORTED_TO_BATTERY,
    BusState.LOW_SHORTED_TO_BATTERY,
    BusState.HIGH_OPEN,
    BusState.LOW_OPEN,
    BusState.BOTH_OPEN,
    BusState.TERMINATOR_MISSING,
    BusState.BOTH_TERMINATORS_MISSING,
    BusState.EXTRA_TERMINATOR,
    BusState.DRIVER_STUCK_DOMINANT,
)
"""The states that any two-wire medium with terminators may be in."""
