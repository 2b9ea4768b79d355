"""Casebase's solver of the CAN pair against ngspice, the circuit simulator, on random buses with every fault.

Both are given the same ohms, volts and ampere limits; the buses come from a sampler of their own. Beside them stand
a worked netlist and a table of fault signatures, solved once with ngspice and written down here, so that both
solvers are held to the same printed figures.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from ngspice_bus import Branch, Bridge, Driver, Module, SpiceBus
from ngspice_run import NGSPICE
from ngspice_sampler import OPEN_OHMS, STATES, drawn_bus
from spice_bus_as_pair import Values, by_casebase, by_ngspice, with_one_bias

pytestmark = pytest.mark.slow

BUSES_PER_STATE: Final = 14
BRANCH_SHARE: Final = 0.4


def _need_ngspice() -> None:
    """Skip where ngspice is missing; a run on a server (CI=true) must have it."""
    if NGSPICE is None:
        (pytest.fail if os.environ.get("CI") == "true" else pytest.skip)(
            "ngspice is not installed: apt-get install ngspice"
        )


# --- random buses -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Both:
    """The same quantities of the same buses, by both solvers."""

    buses: list[SpiceBus]
    spice: Values
    casebase: Values


def _compared(bus: SpiceBus) -> SpiceBus:
    """Return the bus with one sender, not the probed module, so that it still sends when that is unplugged."""
    sender = next(branch for branch in bus.senders if branch != bus.probed)
    return replace(with_one_bias(bus), senders=(sender,))


@pytest.fixture(scope="module")
def plugged() -> Both:
    """Every module in its place."""
    _need_ngspice()
    buses = [
        _compared(drawn_bus(s, f"test {n}", BRANCH_SHARE)) for s in STATES for n in range(BUSES_PER_STATE)
    ]
    return Both(buses, by_ngspice(buses), by_casebase(buses, unplugged=False))


@pytest.fixture(scope="module")
def unplugged(plugged: Both) -> Both:
    """One module of each bus unplugged."""
    bare = [bus.without(bus.probed) for bus in plugged.buses]
    return Both(plugged.buses, by_ngspice(bare), by_casebase(plugged.buses, unplugged=True))


OHMS: Final = tuple(
    f"ohms {where} {ends}" for where in ("dlc", "plug") for ends in ("between", "high", "low")
)
VOLTS: Final = tuple(
    f"{at} {line}" for at in ("rest", "dominant", "asleep", "plug at rest") for line in ("high", "low")
)


def _differ(quantity: str, spice: float, own: float) -> bool:
    """Tell values that differ by more than 1 %, and more than 0.05 ohm or 10 mV; over 1 Mohm is all one."""
    if quantity in OHMS and min(spice, own) > 1e6:
        return False
    return abs(own - spice) > max(0.01 * abs(spice), 0.05 if quantity in OHMS else 0.010)


def _differences(both: Both, quantity: str) -> list[str]:
    rows = zip(both.buses, both.spice[quantity], both.casebase[quantity], strict=True)
    return [f"{bus.state}: {s:.4g}, casebase {o:.4g}" for bus, s, o in rows if _differ(quantity, s, o)]


@pytest.mark.parametrize("quantity", [*OHMS, *VOLTS])
def test_readings_agree_with_ngspice(plugged: Both, quantity: str) -> None:
    """What instruments show at the DLC and at a module's connector is what ngspice finds, on every bus."""
    assert _differences(plugged, quantity) == []


@pytest.mark.parametrize("quantity", [*OHMS, *VOLTS])
def test_readings_with_a_module_unplugged_agree_with_ngspice(unplugged: Both, quantity: str) -> None:
    """The same with one module unplugged, and the leads in its open connector."""
    assert _differences(unplugged, quantity) == []


def test_the_buses_are_of_every_state_and_kind(plugged: Both) -> None:
    """Two hundred buses, every state among them, opens in the trunk, in branches and in the DLC's stub."""
    assert len(plugged.buses) >= 200
    assert {bus.state for bus in plugged.buses} == set(STATES)
    assert any(OPEN_OHMS in bus.wires_high for bus in plugged.buses)
    assert any(branch.ohms_high == OPEN_OHMS for bus in plugged.buses for branch in bus.branches)
    assert any(bus.dlc.ohms_low == OPEN_OHMS for bus in plugged.buses)
    assert any(bridge.branch is not None for bus in plugged.buses for bridge in bus.bridges)


def test_unplugging_changes_what_is_read(plugged: Both, unplugged: Both) -> None:
    """The comparison after unplugging is one of its own: the end modules take their terminators with them."""
    before, after = plugged.spice["ohms dlc between"], unplugged.spice["ohms dlc between"]
    assert sum(now > 1.5 * then for then, now in zip(before, after, strict=True)) >= 10


# --- a worked netlist, and the table of fault signatures ----------------------------------------------------------

IDEAL: Final = Driver(volts_high=4.3, volts_low=0.7, ohms_high=24.0, ohms_low=24.0, limit_amperes=10.0)
"""24 ohm behind blocking diodes from 4.3 V and to 0.7 V, no current limit: 3.5 / 1.5 V typical into 60 ohm, the
typical levels of NXP TJA1051 table 7."""

JOINT: Final = 1e-6
"""Ohms of a joint that is none: the two nodes, the terminators and the DLC are one place."""


def two_nodes(*bridges: Bridge, cut: str = "", missing: int = 0) -> SpiceBus:
    """Return two nodes of 30 kohm per line to 2.5 V, 120 ohm in each, the DLC between them."""
    module = Module(30e3, 30e3, 2.5, 2.5, IDEAL, terminator_ohms=120.0)
    bare = replace(module, terminator_ohms=None)
    ends = [bare if missing == 2 else module, module if missing == 0 else bare]
    open_joint = {line: OPEN_OHMS if line == cut else JOINT for line in ("high", "low")}
    return SpiceBus(
        state="worked example",
        branches=(Branch(0, JOINT, JOINT, ends[0]), Branch(2, JOINT, JOINT, ends[1])),
        wires_high=(JOINT, open_joint["high"]),
        wires_low=(JOINT, open_joint["low"]),
        dlc=Branch(1, JOINT, JOINT),
        senders=(0,),
        probed=1,
        bridges=bridges,
        battery_volts=12.0,
    )


def _bridge(one: str, other: str, ohms: float = 1.0) -> Bridge:
    return Bridge(one, other, ohms, place=1)


def _volts_supply(line: str) -> SpiceBus:
    """Return a line tied to a 5 V supply through 1 ohm: as one to a battery of 5 V."""
    return replace(two_nodes(_bridge(line, "battery")), battery_volts=5.0)


def _by_ngspice(buses: Sequence[SpiceBus]) -> Values:
    _need_ngspice()
    return by_ngspice(buses)


SOLVERS: Final = {"ngspice": _by_ngspice, "casebase": lambda buses: by_casebase(buses, unplugged=False)}


@pytest.mark.parametrize("solver", SOLVERS)
def test_low_shorted_to_ground_through_one_ohm_leaves_millivolts(solver: str) -> None:
    """Two nodes at rest: 10.29146 mV and 0.33263 mV, by nodal analysis in rational arithmetic (derived)."""
    found = SOLVERS[solver]([two_nodes(_bridge("low", "ground"))])
    assert found["rest high"] == pytest.approx([0.01029146], abs=2e-7)
    assert found["rest low"] == pytest.approx([0.00033263], abs=2e-7)


# Idle high, idle low, dominant high, dominant low, ohms between with the power off, as printed; "-": not in the table.
SIGNATURES: Final[dict[str, tuple[SpiceBus, str]]] = {
    "none": (two_nodes(), "2.50 2.50 3.50 1.50 59.9"),
    "high to ground": (two_nodes(_bridge("high", "ground")), "0.000 0.010 0.17 0.18 60"),
    "low to ground": (two_nodes(_bridge("low", "ground")), "0.010 0.000 3.08 0.05 60"),
    "high to battery": (two_nodes(_bridge("high", "battery")), "12.0 11.96 11.9 3.9 60"),
    "low to battery": (two_nodes(_bridge("low", "battery")), "11.96 12.0 11.5 11.5 60"),
    "high to 5 V": (_volts_supply("high"), "5.00 4.99 4.95 1.92 60"),
    "low to 5 V": (_volts_supply("low"), "4.99 5.00 4.82 4.83 60"),
    "lines together": (two_nodes(_bridge("high", "low")), "2.50 2.50 2.54 2.46 1.0"),
    "one terminator missing": (two_nodes(missing=1), "2.50 2.50 3.78 1.22 119.5"),
    "both terminators missing": (two_nodes(missing=2), "2.50 2.50 4.30 0.70 30e3"),
    "third 120 ohm": (two_nodes(_bridge("high", "low", 120.0)), "2.50 2.50 3.32 1.68 39.9"),
    "extra 60 ohm": (two_nodes(_bridge("high", "low", 60.0)), "2.50 2.50 3.19 1.81 30"),
    "high open in the trunk": (two_nodes(cut="high"), "2.50 2.50 - - 120"),
    "low open in the trunk": (two_nodes(cut="low"), "2.50 2.50 - - 120"),
}
"""Derived with ngspice from figures of NXP TJA1051 table 7 (two nodes, 30 kohm per line, 1 ohm for a short, 12 V)."""

TABLE_ROWS: Final = ("rest high", "rest low", "dominant high", "dominant low", "ohms dlc between")


@pytest.mark.parametrize("fault", SIGNATURES)
@pytest.mark.parametrize("solver", SOLVERS)
def test_fault_shows_its_known_signature(solver: str, fault: str) -> None:
    """Idle and dominant volts and the ohms between the lines are those of the table, to its last digit."""
    bus, printed = SIGNATURES[fault]
    found = SOLVERS[solver]([bus])
    for row, digits in zip(TABLE_ROWS, printed.split(), strict=True):
        if digits != "-":
            last_digit = 10.0 ** -len(digits.partition(".")[2])
            assert found[row][0] == pytest.approx(float(digits), rel=1e-4, abs=0.6 * last_digit), row
