"""Two-wire buses for the circuit simulator ngspice: a description and its netlist.

The outside solver shares nothing with casebase but Kirchhoff's laws. Several buses stand in one circuit, each with
nodes of its own; control nodes shared by all put every bus into one state after the other. Units: volt, ohm, ampere.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

SENDERS: Final = 6
"""Modules of a bus that can be made to send, one at a time."""

METER_OHMS: Final = 10e6
"""Input resistance of a hand-held voltmeter (common practice, no source)."""

SUPPLY_SIEMENS: Final = 1e5
LEAK_OHMS: Final = 1e10
"""From every node to ground, so that none floats; ten times what an open line is."""

PROBE_AMPERES: Final = 1e-3

LEADS: Final = {"between": ("h", "l"), "high": ("h", "0"), "low": ("l", "0")}
"""An ohmmeter's leads: nodes of the plus and the minus lead."""

MEASURED_AT: Final = ("dlc", "plug")
"""The DLC, and the connector of the bus's probed branch."""

SENDS: Final = tuple(f"send{order}" for order in range(1, SENDERS + 1))
OHMMETERS: Final = tuple(f"ohms_{where}_{ends}" for where in MEASURED_AT for ends in LEADS)
VOLTMETERS: Final = tuple(f"volts_{where}_{line}" for where in MEASURED_AT for line in "hl")
CONTROLS: Final = ("on", "battery", *SENDS, *OHMMETERS, *VOLTMETERS)
"""Nodes at 0 or 1 V that put every bus into a state: biased, supplied, a sender, an instrument on its leads."""

_OPTIONS: Final = ".options reltol=1e-7 vntol=1e-9 abstol=1e-13 itl1=500"


@dataclass(frozen=True)
class Driver:
    """An output stage: two voltages behind ideal diodes and resistors, each with its current limit."""

    volts_high: float
    volts_low: float
    ohms_high: float
    ohms_low: float
    limit_amperes: float


@dataclass(frozen=True)
class Module:
    """What a module hangs on its connector; `stuck`: its driver never lets go."""

    bias_ohms_high: float
    bias_ohms_low: float
    bias_volts_high: float
    bias_volts_low: float
    driver: Driver
    terminator_ohms: float | None = None
    stuck: bool = False


@dataclass(frozen=True)
class Branch:
    """The stub from a place of the trunk to a connector, and the module plugged there, if any."""

    place: int
    ohms_high: float
    ohms_low: float
    module: Module | None = None


@dataclass(frozen=True)
class Bridge:
    """A resistance that should not be: from `one` to `other`, each of `high`, `low`, `ground`, `battery`.

    It sits on the trunk at `place`, or inside the module of branch `branch`.
    """

    one: str
    other: str
    ohms: float
    place: int
    branch: int | None = None


@dataclass(frozen=True)
class SpiceBus:
    """One bus: a trunk of places joined by wires, branches, the DLC on its own stub, bridges, a battery rail.

    `senders`, `probed`: numbers of branches. `rail_ohms`: the loads that stay on the rail with the battery off.
    """

    state: str
    branches: tuple[Branch, ...]
    wires_high: tuple[float, ...]
    wires_low: tuple[float, ...]
    dlc: Branch
    senders: tuple[int, ...]
    probed: int
    bridges: tuple[Bridge, ...] = ()
    battery_volts: float = 12.5
    rail_ohms: float = 10.0
    shares: tuple[float, ...] = field(default=())

    def without(self, branch: int) -> SpiceBus:
        """Return the bus with one module unplugged; its connector stays, a bridge inside the module goes with it."""
        branches = list(self.branches)
        branches[branch] = replace(branches[branch], module=None)
        kept = tuple(bridge for bridge in self.bridges if bridge.branch != branch)
        return replace(self, branches=tuple(branches), bridges=kept)


# --- netlist ------------------------------------------------------------------------------------------------------


def netlist(buses: Sequence[SpiceBus]) -> Iterator[str]:
    """Yield the lines of one circuit that holds every bus."""
    yield "* two-wire buses"
    yield from (f"Vctl_{control} {control} 0 DC 0" for control in CONTROLS)
    for number, bus in enumerate(buses):
        yield from _bus_lines(f"b{number}", bus)
    yield from (_OPTIONS, ".end")


def _bus_lines(name: str, bus: SpiceBus) -> Iterator[str]:
    for joint, (high, low) in enumerate(zip(bus.wires_high, bus.wires_low, strict=True)):
        yield f"Rwh{name}_{joint} {name}_t{joint}h {name}_t{joint + 1}h {high:.9g}"
        yield f"Rwl{name}_{joint} {name}_t{joint}l {name}_t{joint + 1}l {low:.9g}"
    yield from _stub_lines(name, "d", bus.dlc)
    for index, branch in enumerate(bus.branches):
        yield from _stub_lines(name, f"c{index}", branch)
        if branch.module:
            yield from _module_lines(f"{name}_c{index}", branch.module)
    for order, index in enumerate(bus.senders[:SENDERS], 1):
        sender = bus.branches[index].module
        if sender and not sender.stuck:
            yield from _driver_lines(f"{name}_c{index}", sender.driver, f"send{order}")
    yield from _meter_lines(f"{name}_d", "dlc")
    yield from _meter_lines(f"{name}_c{bus.probed}", "plug")
    yield f"Rrail{name} {name}_rail 0 {bus.rail_ohms:.9g}"
    yield f"Brail{name} 0 {name}_rail I=v(battery)*{SUPPLY_SIEMENS:g}*({bus.battery_volts:.9g}-v({name}_rail))"
    for order, bridge in enumerate(bus.bridges):
        one, other = (_bridge_node(name, bridge, end) for end in (bridge.one, bridge.other))
        yield f"Rx{name}_{order} {one} {other} {bridge.ohms:.9g}"


def _stub_lines(name: str, end: str, branch: Branch) -> Iterator[str]:
    for line, ohms in (("h", branch.ohms_high), ("l", branch.ohms_low)):
        yield f"Rs{name}_{end}{line} {name}_t{branch.place}{line} {name}_{end}{line} {ohms:.9g}"
        yield f"Rk{name}_{end}{line} {name}_{end}{line} 0 {LEAK_OHMS:g}"


def _module_lines(pins: str, module: Module) -> Iterator[str]:
    for line, ohms, volts in (
        ("h", module.bias_ohms_high, module.bias_volts_high),
        ("l", module.bias_ohms_low, module.bias_volts_low),
    ):
        yield f"Eb{pins}{line} {pins}b{line} 0 on 0 {volts:.9g}"
        yield f"Rb{pins}{line} {pins}{line} {pins}b{line} {ohms:.9g}"
    if module.terminator_ohms is not None:
        yield f"Rt{pins} {pins}h {pins}l {module.terminator_ohms:.9g}"
    if module.stuck:
        yield from _driver_lines(pins, module.driver, "on")


def _driver_lines(pins: str, driver: Driver, control: str) -> Iterator[str]:
    limit = f"{driver.limit_amperes:.9g}"
    forward_high = f"({driver.volts_high:.9g}-v({pins}h))/{driver.ohms_high:.9g}"
    forward_low = f"(v({pins}l)-{driver.volts_low:.9g})/{driver.ohms_low:.9g}"
    yield f"Bh{pins}_{control} 0 {pins}h I=v({control})*max(0,min({limit},{forward_high}))"
    yield f"Bl{pins}_{control} {pins}l 0 I=v({control})*max(0,min({limit},{forward_low}))"


def _meter_lines(pins: str, where: str) -> Iterator[str]:
    for line in "hl":
        yield f"Bm{pins}{line} {pins}{line} 0 I=v(volts_{where}_{line})*v({pins}{line})/{METER_OHMS:g}"
    for ends, (plus, minus) in LEADS.items():
        leads = [f"{pins}{end}" if end != "0" else "0" for end in (minus, plus)]
        yield f"Gp{pins}{ends} {leads[0]} {leads[1]} ohms_{where}_{ends} 0 {PROBE_AMPERES:g}"


def _bridge_node(name: str, bridge: Bridge, end: str) -> str:
    if end in ("ground", "battery"):
        return "0" if end == "ground" else f"{name}_rail"
    place = f"t{bridge.place}" if bridge.branch is None else f"c{bridge.branch}"
    return f"{name}_{place}{end[0]}"
