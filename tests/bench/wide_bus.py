"""High-speed CAN buses of every sort as circuits for ngspice: modules in any condition, joints, leaks, shorts.

Several buses stand in one circuit. Control nodes shared by all put every bus into one state after the other: supplied,
awake, one module sending, an instrument on its leads. Units: volt, ohm, ampere.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

SENDERS: Final = 3
"""Modules of a bus that send, one at a time."""

METER_OHMS: Final = 10e6
"""Input resistance of a hand-held voltmeter (common practice, no source)."""

TEST_AMPERES: Final = 1e-4
"""Of the ohmmeter; small, so that nothing here but a driver could limit it."""

STRAY_OHMS: Final = 3e10
"""From each node to ground, so that none floats."""

ENDS: Final = {"between": ("h", "l"), "high": ("h", "0"), "low": ("l", "0")}
"""An ohmmeter's leads: nodes of the plus and of the minus lead."""

PLACES: Final = ("dlc", "plug")
OHMMETERS: Final = tuple(f"ohms_{place}_{ends}" for place in PLACES for ends in ENDS)
SENDS: Final = tuple(f"send{order}" for order in range(SENDERS))
CONTROLS: Final = ("battery", "awake", "meter", *SENDS, *OHMMETERS)

OPTIONS: Final = ".options reltol=1e-6 vntol=1e-8 abstol=1e-12 itl1=800 gmin=1e-15"


@dataclass(frozen=True)
class Stage:
    """An output stage: two voltages behind ideal diodes and resistances, each with a limit of its current."""

    volts_high: float
    volts_low: float
    ohms_high: float
    ohms_low: float
    limit_amperes: float


@dataclass(frozen=True)
class Load:
    """What an unpowered or half powered module puts on each line: a resistance to `volts`, above it only if `diode`.

    `seen_by_meter`: whether an ohmmeter, with everything off, meets it too.
    """

    ohms_high: float
    ohms_low: float
    volts: float
    diode: bool
    seen_by_meter: bool


@dataclass(frozen=True)
class WideModule:
    """What a module puts on its connector.

    `bias_ohms`, `bias_volts`: (high, low), while awake. `off_ohms`: (high, low) to ground, unsupplied or asleep.
    `terminator`: its two halves in ohm. `split_ohms`: from between the halves to the recessive level, while awake.
    """

    name: str
    place: int
    stub_high: float
    stub_low: float
    bias_ohms: tuple[float, float]
    bias_volts: tuple[float, float]
    off_ohms: tuple[float, float]
    stage: Stage
    terminator: tuple[float, float] | None = None
    split_ohms: float | None = None
    wakes: bool = True
    stuck: bool = False
    load: Load | None = None
    plugged: bool = True


@dataclass(frozen=True)
class Bridge:
    """A resistance that should not be, between two of `high`, `low`, `ground` and `battery`.

    It sits at a place of the trunk, or in a module (`module` is its number), and then goes with it.
    """

    one: str
    other: str
    ohms: float
    place: int
    module: int | None = None


@dataclass(frozen=True)
class WideBus:
    """A trunk of places joined by wires, modules on stubs, the DLC on one of its own, a battery rail.

    `senders`: (number of the module, share of time in which it drives). `probed`: the module at whose plug readings
    may be taken. `picofarads`: of the whole bus.
    """

    modules: tuple[WideModule, ...]
    wires_high: tuple[float, ...]
    wires_low: tuple[float, ...]
    dlc_place: int
    dlc_stub: tuple[float, float]
    senders: tuple[tuple[int, float], ...]
    probed: int
    battery_volts: float
    rail_ohms: float
    picofarads: float
    bridges: tuple[Bridge, ...] = field(default=())


def netlist(buses: Sequence[WideBus]) -> Iterator[str]:
    """Yield the lines of one circuit that holds every bus."""
    yield "* wide buses"
    yield from (f"Vc_{control} {control} 0 DC 0" for control in CONTROLS)
    for number, bus in enumerate(buses):
        yield from _bus(f"w{number}", bus)
    yield from (OPTIONS, ".end")


def _bus(name: str, bus: WideBus) -> Iterator[str]:
    for joint, (high, low) in enumerate(zip(bus.wires_high, bus.wires_low, strict=True)):
        yield f"Rth{name}_{joint} {name}_t{joint}h {name}_t{joint + 1}h {high:.8g}"
        yield f"Rtl{name}_{joint} {name}_t{joint}l {name}_t{joint + 1}l {low:.8g}"
    yield from _stub(name, "d", bus.dlc_place, bus.dlc_stub)
    driving = {module: order for order, (module, _) in enumerate(bus.senders)}
    for index, module in enumerate(bus.modules):
        yield from _stub(name, f"m{index}", module.place, (module.stub_high, module.stub_low))
        if module.plugged:
            yield from _module(f"{name}_m{index}", module)
            if module.stuck:
                yield from _stage(f"{name}_m{index}", module.stage, "awake")
            elif index in driving:
                yield from _stage(f"{name}_m{index}", module.stage, SENDS[driving[index]])
    yield from _meters(f"{name}_d", "dlc")
    yield from _meters(f"{name}_m{bus.probed}", "plug")
    yield f"Rr{name} {name}_rail 0 {bus.rail_ohms:.8g}"
    yield f"Br{name} 0 {name}_rail I=v(battery)*1e4*({bus.battery_volts:.8g}-v({name}_rail))"
    for order, bridge in enumerate(bus.bridges):
        if bridge.module is None or bus.modules[bridge.module].plugged:
            one, other = (_end(name, bridge, end) for end in (bridge.one, bridge.other))
            yield f"Rx{name}_{order} {one} {other} {bridge.ohms:.8g}"


def _stub(name: str, end: str, place: int, ohms: tuple[float, float]) -> Iterator[str]:
    for line, of_line in zip("hl", ohms, strict=True):
        yield f"Rs{name}_{end}{line} {name}_t{place}{line} {name}_{end}{line} {of_line:.8g}"
        yield f"Rk{name}_{end}{line} {name}_{end}{line} 0 {STRAY_OHMS:g}"


def _module(pins: str, module: WideModule) -> Iterator[str]:
    awake = "v(awake)" if module.wakes else "0"
    for line, bias, volts, off in zip(
        "hl", module.bias_ohms, module.bias_volts, module.off_ohms, strict=True
    ):
        at = f"v({pins}{line})"
        yield (
            f"Bb{pins}{line} {pins}{line} 0 "
            f"I={awake}*({at}-{volts:.8g})/{bias:.8g}+(1-{awake})*{at}/{off:.8g}"
        )
    if module.terminator:
        yield f"Ra{pins} {pins}h {pins}s {module.terminator[0]:.8g}"
        yield f"Rb{pins} {pins}s {pins}l {module.terminator[1]:.8g}"
        yield f"Rks{pins} {pins}s 0 {STRAY_OHMS:g}"
        if module.split_ohms:
            middle = sum(module.bias_volts) / 2
            yield f"Bs{pins} {pins}s 0 I={awake}*(v({pins}s)-{middle:.8g})/{module.split_ohms:.8g}"
    if module.load:
        yield from _load(pins, module.load)


def _load(pins: str, load: Load) -> Iterator[str]:
    for line, ohms in (("h", load.ohms_high), ("l", load.ohms_low)):
        at = f"v({pins}{line})"
        supplied = f"({at}-{load.volts:.8g})/{ohms:.8g}"
        supplied = f"max(0,{supplied})" if load.diode else supplied
        off = f"{at}/{ohms:.8g}" if load.seen_by_meter else "0"
        yield f"Bl{pins}{line} {pins}{line} 0 I=v(battery)*{supplied}+(1-v(battery))*{off}"


def _stage(pins: str, stage: Stage, control: str) -> Iterator[str]:
    most = f"{stage.limit_amperes:.8g}"
    out = f"({stage.volts_high:.8g}-v({pins}h))/{stage.ohms_high:.8g}"
    into = f"(v({pins}l)-({stage.volts_low:.8g}))/{stage.ohms_low:.8g}"
    yield f"Bdh{pins} 0 {pins}h I=v({control})*max(0,min({most},{out}))"
    yield f"Bdl{pins} {pins}l 0 I=v({control})*max(0,min({most},{into}))"


def _meters(pins: str, place: str) -> Iterator[str]:
    for line in "hl":
        yield f"Bv{pins}{line} {pins}{line} 0 I=v(meter)*v({pins}{line})/{METER_OHMS:g}"
    for ends, (plus, minus) in ENDS.items():
        back = "0" if minus == "0" else f"{pins}{minus}"
        yield f"Go{pins}{ends} {back} {pins}{plus} ohms_{place}_{ends} 0 {TEST_AMPERES:g}"


def _end(name: str, bridge: Bridge, end: str) -> str:
    if end in ("ground", "battery"):
        return "0" if end == "ground" else f"{name}_rail"
    place = f"t{bridge.place}" if bridge.module is None else f"m{bridge.module}"
    return f"{name}_{place}{end[0]}"
