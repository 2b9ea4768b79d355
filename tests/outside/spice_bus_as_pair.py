"""A bus described for ngspice as casebase's solver takes it, and the same quantities of it by both solvers."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from ngspice_bus import Branch, Bridge, Module, SpiceBus
from ngspice_run import solved

from casebase.bus.instruments import observed
from casebase.bus.network import Drivers, PairBuses, Shunt, asleep, dominant, recessive
from casebase.bus.pair_draws import ROLES, Drawn

PLACES: Final = 15
PROBED_ROLE: Final = "module 1"


def _grid(buses: Sequence[SpiceBus], value: Callable[[Branch], float], empty: float) -> Any:
    """Return an array (places, buses) of one value per branch; `empty` where no branch hangs."""
    grid = np.full((PLACES, len(buses)), empty)
    for column, bus in enumerate(buses):
        for branch in bus.branches:
            grid[branch.place, column] = value(branch)
    return grid


def _of_module(
    buses: Sequence[SpiceBus], value: Callable[[Module], float], unplugged: float, empty: float | None = None
) -> Any:
    def of_branch(branch: Branch) -> float:
        return value(branch.module) if branch.module else unplugged

    return _grid(buses, of_branch, unplugged if empty is None else empty)


def _wires(buses: Sequence[SpiceBus], line: str) -> Any:
    grid = np.full((PLACES - 1, len(buses)), 0.01)
    for column, bus in enumerate(buses):
        ohms = getattr(bus, f"wires_{line}")
        grid[: len(ohms), column] = ohms
    return grid


def _shunt(buses: Sequence[SpiceBus], *, inside: bool, live: bool) -> Shunt:
    """Return the bridges on the trunk or inside modules, with the battery connected or not."""
    shunt = Shunt.none((PLACES, len(buses)))
    for column, bus in enumerate(buses):
        for bridge in bus.bridges:
            if (bridge.branch is not None) is inside:
                place = bridge.place if bridge.branch is None else bus.branches[bridge.branch].place
                _add(shunt, (place, column), bridge, bus, live)
    return shunt


def _add(shunt: Shunt, where: tuple[int, int], bridge: Bridge, bus: SpiceBus, live: bool) -> None:
    if {bridge.one, bridge.other} == {"high", "low"}:
        shunt.across[where] += 1 / bridge.ohms
        return
    to_battery = bridge.other == "battery"
    siemens = 1 / (bridge.ohms + (bus.rail_ohms if to_battery and not live else 0.0))
    getattr(shunt, bridge.one)[where] += siemens
    getattr(shunt, f"amperes_{bridge.one}")[where] += siemens * (
        bus.battery_volts if to_battery and live else 0.0
    )


def _drivers(buses: Sequence[SpiceBus]) -> Drivers:
    names = ("volts_high", "volts_low", "ohms_high", "ohms_low", "limit_amperes")
    return Drivers(*(_of_module(buses, lambda m, n=name: getattr(m.driver, n), 1.0) for name in names))


def _bias_volts(buses: Sequence[SpiceBus], line: str) -> Any:
    return np.array([getattr(_one_module(bus), f"bias_volts_{line}") for bus in buses])


def _one_module(bus: SpiceBus) -> Module:
    return next(branch.module for branch in bus.branches if branch.module)


def pair_buses(buses: Sequence[SpiceBus]) -> PairBuses:
    """Return the same buses for casebase's solver, its numbers put in by hand."""
    return PairBuses(
        present=_of_module(buses, lambda _: 1.0, 0.0) > 0,
        bias_high=_of_module(buses, lambda m: 1 / m.bias_ohms_high, 0.0),
        bias_low=_of_module(buses, lambda m: 1 / m.bias_ohms_low, 0.0),
        bias_volts_high=_bias_volts(buses, "high"),
        bias_volts_low=_bias_volts(buses, "low"),
        termination=_of_module(buses, lambda m: 1 / m.terminator_ohms if m.terminator_ohms else 0.0, 0.0),
        stub_ohms_high=_grid(buses, lambda b: b.ohms_high, 0.1),
        stub_ohms_low=_grid(buses, lambda b: b.ohms_low, 0.1),
        wire_ohms_high=_wires(buses, "high"),
        wire_ohms_low=_wires(buses, "low"),
        powered_trunk=_shunt(buses, inside=False, live=True),
        powered_module=_shunt(buses, inside=True, live=True),
        unpowered_trunk=_shunt(buses, inside=False, live=False),
        unpowered_module=_shunt(buses, inside=True, live=False),
        drivers=_drivers(buses),
        stuck=_of_module(buses, lambda m: float(m.stuck), 0.0) > 0,
        dlc=np.array([bus.dlc.place for bus in buses]),
        dlc_ohms_high=np.array([bus.dlc.ohms_high for bus in buses]),
        dlc_ohms_low=np.array([bus.dlc.ohms_low for bus in buses]),
    )


def with_one_bias(bus: SpiceBus) -> SpiceBus:
    """Return the bus with the bias volts of its first module in all of them, as casebase's description has it."""
    first = _one_module(bus)
    volts = {"bias_volts_high": first.bias_volts_high, "bias_volts_low": first.bias_volts_low}
    branches = (replace(b, module=replace(b.module, **volts)) if b.module else b for b in bus.branches)
    return replace(bus, branches=tuple(branches))


# --- both solvers on the same buses -------------------------------------------------------------------------------

Values = dict[str, list[float]]


def by_ngspice(buses: Sequence[SpiceBus]) -> Values:
    """Return what ngspice finds; `dominant` is with the first sender."""
    found = solved(buses)
    return {
        **{f"ohms {where} {ends}": [one.ohms[where, ends] for one in found] for where, ends in found[0].ohms},
        **_lines("rest", [one.rest for one in found]),
        **_lines("dominant", [one.sent[0] for one in found]),
        **_lines("asleep", [one.asleep for one in found]),
        **_lines("plug at rest", [one.plug_rest for one in found]),
    }


def _lines(name: str, volts: Iterable[tuple[float, float]]) -> Values:
    high, low = zip(*volts, strict=True)
    return {f"{name} high": list(high), f"{name} low": list(low)}


def _places(buses: Sequence[SpiceBus], branch_of: Callable[[SpiceBus], int]) -> Any:
    return np.array([bus.branches[branch_of(bus)].place for bus in buses])


def by_casebase(buses: Sequence[SpiceBus], *, unplugged: bool) -> Values:
    """Return what casebase's solver finds, with the probed module unplugged by `without`."""
    pairs, probed = pair_buses(buses), _places(buses, lambda bus: bus.probed)
    sender = _places(buses, lambda bus: bus.senders[0])
    seen = _observed(pairs, probed, sender, unplugged=unplugged)
    after = pairs.without(probed) if unplugged else pairs
    volts = {"rest": recessive(after), "dominant": dominant(after, sender), "asleep": asleep(after)}
    return {
        **seen,
        **{
            f"{state} {line}": list(values)
            for state, result in volts.items()
            for line, values in zip(("high", "low"), result.at_dlc(), strict=True)
        },
    }


def _observed(pairs: PairBuses, probed: Any, sender: Any, *, unplugged: bool) -> Values:
    """Return what an ohmmeter and a voltmeter read at the DLC and at the probed module's connector."""
    count = pairs.count
    drawn = Drawn(
        buses=pairs,
        roles=np.stack([probed] * len(ROLES)),
        senders=np.stack([sender] * 3),
        shares=np.zeros((3, count)),
        host=np.full(count, -1),
        ends=np.stack([probed, probed]),
    )
    taken_off = PROBED_ROLE if unplugged else "nothing"
    columns = observed(drawn, taken_off)
    names = {"between": "ohms_between", "high": "ohms_high_ground", "low": "ohms_low_ground"}
    places = {"dlc": "DLC", "plug": PROBED_ROLE}
    ohms = {
        f"ohms {where} {ends}": list(columns[f"{place}|{taken_off}|{column}"])
        for where, place in places.items()
        for ends, column in names.items()
    }
    volts = {
        f"plug at rest {line}": list(columns[f"{PROBED_ROLE}|{taken_off}|recessive_{line}"])
        for line in ("high", "low")
    }
    return ohms | volts
