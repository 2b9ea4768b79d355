"""A single line as a circuit: it works against the battery rail, and the two are solved as a pair of conductors.

The line is one conductor, the rail the other. A pull-up or a short to battery then joins the two, powered or not, and
with the battery disconnected the rail lies on ground through whatever loads hang on it. A line that is driven down
(LIN, K-line) takes the conductor whose drivers pull down, one that is driven up (single-wire CAN) the other.

Shapes as in `casebase.bus.pair`: (places, buses) where not said otherwise. Units: volt, ohm, siemens, ampere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.bus.chain import Array
from casebase.bus.network import Drivers, PairBuses, Shunt, Slots

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
