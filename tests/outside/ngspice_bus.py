"""Two-wire buses for the circuit simulator ngspice: a description, its netlist, and one run for many of them.

ngspice (`ngspice -b`) is the outside solver: it shares nothing with casebase but Kirchhoff's laws. All buses of a run
stand in one circuit, each with nodes of its own; control nodes shared by all (`on`, `battery`, `send1`, ...) put
every bus into one state after the other. Units: volt, ohm, ampere.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

NGSPICE: Final = shutil.which("ngspice")
SENDERS: Final = 6
"""Modules of a bus that can be made to send, one at a time."""

METER_OHMS: Final = 10e6
"""Input resistance of a hand-held voltmeter (common practice, no source)."""

SUPPLY_SIEMENS: Final = 1e5
LEAK_OHMS: Final = 1e10
"""From every node to ground, so that none floats; ten times what an open line is."""

PROBE_AMPERES: Final = 1e-3


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
        yield f"Bm{pins}{line} {pins}{line} 0 I=v(volts_{where})*v({pins}{line})/{METER_OHMS:g}"
    for ends, (plus, minus) in _LEADS.items():
        leads = [f"{pins}{end}" if end != "0" else "0" for end in (minus, plus)]
        yield f"Gp{pins}{ends} {leads[0]} {leads[1]} ohms_{where}_{ends} 0 {PROBE_AMPERES:g}"


def _bridge_node(name: str, bridge: Bridge, end: str) -> str:
    if end in ("ground", "battery"):
        return "0" if end == "ground" else f"{name}_rail"
    place = f"t{bridge.place}" if bridge.branch is None else f"c{bridge.branch}"
    return f"{name}_{place}{end[0]}"


# --- states -------------------------------------------------------------------------------------------------------

_LEADS: Final = {"between": ("h", "l"), "high": ("h", "0"), "low": ("l", "0")}
_OHMS: Final = tuple(f"ohms_{where}_{ends}" for where in ("dlc", "plug") for ends in _LEADS)
_SENDS: Final = tuple(f"send{order}" for order in range(1, SENDERS + 1))
_VOLTS: Final = ("volts_dlc", "volts_plug")
CONTROLS: Final = ("on", "battery", *_VOLTS, *_SENDS, *_OHMS)
_AWAKE: Final = ("on", "battery", "volts_dlc")


@dataclass(frozen=True)
class Solved:
    """What ngspice found on one bus. Ohms by (`dlc` or `plug`, `between`, `high` or `low`); volts as (high, low).

    `plug` is the connector of the bus's probed branch.
    """

    ohms: dict[tuple[str, str], float]
    rest: tuple[float, float]
    sent: tuple[tuple[float, float], ...]
    asleep: tuple[float, float]
    plug_rest: tuple[float, float]


def solved(buses: Sequence[SpiceBus], at_once: int = 5) -> list[Solved]:
    """Return what ngspice finds on every bus, `at_once` of them in one circuit, all in one process."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        groups = [buses[start : start + at_once] for start in range(0, len(buses), at_once)]
        script = ["* many circuits", ".control", "set filetype=binary"]
        for number, group in enumerate(groups):
            (home / f"{number}.cir").write_text("\n".join(netlist(group)), encoding="ascii")
            script += [f"source {number}.cir", *_state_lines(number, _runs(group)), "remcirc", "destroy all"]
        (home / "all.cir").write_text("\n".join([*script, ".endc", ".end"]) + "\n", encoding="ascii")
        _run(home)
        return [one for number, group in enumerate(groups) for one in _read(home, number, group)]


_OPTIONS: Final = ".options reltol=1e-7 vntol=1e-9 abstol=1e-13 itl1=500"


def _runs(buses: Sequence[SpiceBus]) -> dict[str, tuple[str, ...]]:
    """Return the controls that are on in each state to solve; no more senders than some bus has."""
    sends = _SENDS[: max(len(bus.senders) for bus in buses)]
    return {
        "rest": _AWAKE,
        "plug_rest": ("on", "battery", "volts_plug"),
        "asleep": ("battery", "volts_dlc"),
        **{send: (*_AWAKE, send) for send in sends},
        **{ohms: (ohms,) for ohms in _OHMS},
    }


def _state_lines(number: int, runs: dict[str, tuple[str, ...]]) -> Iterator[str]:
    """Yield the commands that solve every state; only the controls that change are altered."""
    before: tuple[str, ...] = ()
    for run, now in runs.items():
        for control in CONTROLS:
            if (control in now) != (control in before):
                yield f"alter vctl_{control} dc = {int(control in now)}"
        yield from ("op", f"write {number}-{run}.raw", "destroy all")
        before = now


def _run(home: Path) -> None:
    if NGSPICE is None:
        raise FileNotFoundError("ngspice is not installed: apt-get install ngspice")
    done = subprocess.run(
        [NGSPICE, "-b", "all.cir"], cwd=home, capture_output=True, text=True, check=False, timeout=600
    )
    trouble = [line for line in (done.stdout + done.stderr).splitlines() if _is_trouble(line)]
    if trouble:
        raise RuntimeError("ngspice: " + "; ".join(trouble[:5]))


def _is_trouble(line: str) -> bool:
    """Tell a run given up from one that got there after a retry (stepping gmin or the sources)."""
    return any(word in line.lower() for word in ("error", "aborted", "could not"))


def _read(home: Path, number: int, buses: Sequence[SpiceBus]) -> Iterator[Solved]:
    runs = {run: _volts_by_node(home / f"{number}-{run}.raw") for run in _runs(buses)}
    for order, bus in enumerate(buses):
        pins = {"dlc": f"b{order}_d", "plug": f"b{order}_c{bus.probed}"}
        yield Solved(
            ohms={
                (where, ends): _ohms(runs[f"ohms_{where}_{ends}"], pins[where], ends)
                for where in pins
                for ends in _LEADS
            },
            rest=_pair(runs["rest"], pins["dlc"]),
            sent=tuple(_pair(runs[send], pins["dlc"]) for send in _SENDS[: len(bus.senders)]),
            asleep=_pair(runs["asleep"], pins["dlc"]),
            plug_rest=_pair(runs["plug_rest"], pins["plug"]),
        )


def _pair(volts: dict[str, float], pins: str) -> tuple[float, float]:
    return volts[pins + "h"], volts[pins + "l"]


def _ohms(volts: dict[str, float], pins: str, ends: str) -> float:
    plus, minus = _LEADS[ends]
    return (volts[pins + plus] - (0.0 if minus == "0" else volts[pins + minus])) / PROBE_AMPERES


def _volts_by_node(path: Path) -> dict[str, float]:
    """Return the voltages of a binary raw file with one point."""
    head, _, body = path.read_bytes().partition(b"Binary:\n")
    rows = [line.split() for line in head.decode("ascii").partition("Variables:\n")[2].splitlines()]
    values: NDArray[np.float64] = np.frombuffer(body, dtype=np.float64, count=len(rows))
    return {
        row[1].removeprefix("v(").removesuffix(")"): float(value)
        for row, value in zip(rows, values, strict=True)
    }
