"""What is written down of the readings: ngspice's values through a hand-held meter, as people type them.

Judged: 3 % of the records with two readings or more hold a slip; a third of the values are rounded by hand; what is
not stated of the state follows from the author's care; scopes are named in fixed words seven times in ten. The
volts of a module's supply are not simulated: they are drawn from what workshops see (common practice, no source).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from random import Random
from typing import Any, Final

from ngspice_bus import SpiceBus
from ngspice_run import Solved
from synthetic_faults import Spot
from synthetic_people import Author
from synthetic_scope import scope_reading
from synthetic_topology import NetworkPlan
from synthetic_visits import Visit, is_cured_without
from written_readings import OHMS_ROWS, SLIPS, VOLTS_ROWS, Meter, Shown, met_by_leads, slipped, written

SLIP_SHARE: Final = 0.03
ROUNDED_SHARE: Final = 0.33
TYPES_NO_UNIT: Final = 0.15
_VALUE: Final = re.compile(r"([0-9.]+) (ohm|kohm|V)")

Row = dict[str, Any]


@dataclass(frozen=True)
class Bench:
    """Where, by whom and with what readings are taken. `named`: what its author calls each module."""

    network: NetworkPlan
    spot: Spot | None
    author: Author
    named: dict[str, str]
    meter: Meter
    chance: Random
    network_key: Row

    @property
    def at(self) -> str:
        """The place of the readings that need nothing unplugged."""
        if not self.network.behind_gateway:
            return "DLC"
        return f"connector of {self.named[self.network.measured_beside]}"

    def stated(self, **state: object) -> Row:
        """Return those parts of the state that this author writes down."""
        return {
            key: value for key, value in state.items() if self.chance.random() < 0.4 + 0.6 * self.author.care
        }


def readings_of(
    bench: Bench,
    visit: Visit,
    found: tuple[SpiceBus, Solved] | None,
    isolated: tuple[SpiceBus, Solved] | None,
) -> list[Row]:
    """Return the readings before the repair."""
    rows = [*_as_found(bench, visit, found)] if found else []
    for index in visit.innocents:
        rows += _compared(bench, visit, index, rows)
    if visit.supply_of is not None:
        rows.append(_supply(bench, visit.supply_of, repaired=False))
    if isolated:
        return rows + _in_numbers(bench, visit, isolated)
    return rows + (_compared(bench, visit, visit.suspect, rows) if visit.suspect is not None else [])


def readings_after(bench: Bench, visit: Visit, healthy: tuple[SpiceBus, Solved]) -> list[Row]:
    """Return the readings after the repair: of a vehicle that is healthy again."""
    if bench.spot and bench.spot.way.effect == "one" and visit.supply_of is not None:
        return [_supply(bench, visit.supply_of, repaired=True)]
    texts = written(met_by_leads(*healthy, bench.chance), bench.meter, bench.chance)
    row = bench.chance.choice(("ohms between", "volts high"))
    return [_row(bench, row, texts[row], stage="after repair")]


def _as_found(bench: Bench, visit: Visit, found: tuple[SpiceBus, Solved]) -> list[Row]:
    bus, solved = found
    shown = met_by_leads(bus, solved, bench.chance)
    measured = tuple(row for row in visit.rows if row != "scope")
    if len(measured) > 1 and bench.chance.random() < SLIP_SHARE:
        shown = _with_slip(shown, measured, bench.chance)
    texts = written(shown, bench.meter, bench.chance)
    rows = [_row(bench, row, texts[row]) for row in measured]
    if "scope" in visit.rows:
        rows.append(scope_reading(bus, solved, bench.spot, bench.chance) | _place(bench) | _powered(bench))
    return rows


def _with_slip(shown: Shown, rows: tuple[str, ...], chance: Random) -> Shown:
    possible = SLIPS if any(row in VOLTS_ROWS for row in rows) else SLIPS[:2]
    return slipped(chance.choice(possible), rows, shown, chance)


def _place(bench: Bench) -> Row:
    return {"at": bench.at, **bench.network_key}


def _powered(bench: Bench, unplugged: object = "nothing") -> Row:
    ignition = "running" if bench.chance.random() < 0.15 else "on"
    # Between DLC and gateway all is quiet until a tester asks, so careful people say whether one did.
    asked = {"tester": "silent"} if len(bench.network.modules) == 1 else {}
    return bench.stated(ignition=ignition, battery="connected", unplugged=unplugged, **asked)


def _unpowered(bench: Bench, unplugged: object = "nothing") -> Row:
    return bench.stated(ignition="off", battery="disconnected", unplugged=unplugged)


def _row(bench: Bench, row: str, text: str, unplugged: object = "nothing", **more: object) -> Row:
    """Return one of the five rows; whoever unplugs a module says so."""
    said = {} if unplugged == "nothing" else {"unplugged": unplugged}
    if row in OHMS_ROWS:
        _, line, against = OHMS_ROWS[row]
        keys: Row = {"quantity": "resistance", "line": line, "against": against} | _unpowered(bench)
    else:
        keys = {"quantity": "voltage", "line": VOLTS_ROWS[row][1], "against": "ground"} | _powered(bench)
    return keys | _place(bench) | {"value": _as_typed(text, bench.chance)} | said | more


def _as_typed(text: str, chance: Random) -> str:
    """Return a value as people type it: rounded by hand, or without its unit."""
    match = _VALUE.fullmatch(text)
    if match is None:
        return text
    number, unit = match[1], match[2]
    if chance.random() < ROUNDED_SHARE:
        number = f"{float(number):.{0 if unit == 'ohm' and float(number) > 10 else 1}f}"
    return number if unit != "kohm" and chance.random() < TYPES_NO_UNIT else f"{number} {unit}"


def _compared(bench: Bench, visit: Visit, index: int, before: list[Row]) -> list[Row]:
    """Return `unchanged` or `back to normal` of a reading taken before, with one module unplugged."""
    module = bench.network.modules[index]
    holds_terminator = module in bench.network.host_names
    possible = [
        row
        for row in before
        if row.get("stage") is None and not (holds_terminator and row["quantity"] == "resistance")
    ]
    if not possible or bench.spot is None:
        return []
    cured = is_cured_without(bench.spot, index)
    row = {
        key: value for key, value in bench.chance.choice(possible).items() if key not in ("waveform", "value")
    }
    said = "back to normal" if cured else "unchanged"
    return [row | {"unplugged": [bench.named[module]], "stage": "isolation", "value": said}]


def _in_numbers(bench: Bench, visit: Visit, isolated: tuple[SpiceBus, Solved]) -> list[Row]:
    """Return what is read with the suspect unplugged: at its connector, and where the lines were read before."""
    bus, solved = isolated
    shown = met_by_leads(bus, solved, bench.chance)
    texts = written(shown, bench.meter, bench.chance)
    name = bench.spot.device if visit.takes_device_off and bench.spot else bench.named[_suspect(bench, visit)]
    off: Row = {"unplugged": [name], "stage": "isolation"}
    rows = []
    if not visit.takes_device_off and bench.chance.random() < 0.7:
        for ends in ("between", "high", "low")[: bench.chance.choice((1, 1, 3))]:
            text = bench.meter.ohms(solved.ohms["plug", ends], bench.chance)
            rows.append(_row(bench, _OHMS_OF[ends], text, **off) | {"at": f"connector of {name}"})
    if not rows or bench.chance.random() < 0.5:
        row = bench.chance.choice([row for row in visit.rows if row != "scope"] or ["ohms between"])
        rows.append(_row(bench, row, texts[row], **off))
    return rows


_OHMS_OF: Final = {ends: row for row, (ends, _, _) in OHMS_ROWS.items()}


def _suspect(bench: Bench, visit: Visit) -> str:
    return bench.network.modules[visit.suspect or 0]


def _supply(bench: Bench, index: int, repaired: bool) -> Row:
    """Return the voltage of one module's supply, with the stage and a note where there is one."""
    spot, chance = bench.spot, bench.chance
    guilty = spot is not None and spot.index == index
    volts, note = chance.uniform(11.7, 12.7), chance.choice((None, None, "21 W bulb on it, bright"))
    if spot and not repaired and spot.fault == "low_system_voltage":
        volts, note = chance.uniform(5.8, 9.2), "lowest value while cranking"
    elif spot and not repaired and guilty and spot.way.state == "healthy" and spot.fault in _STARVED:
        volts, note = _starved_volts(spot, chance), chance.choice((None, "bulb across it glows dull"))
    batteries = 2 if bench.network.medium == "J1939" else 1
    row = {
        "quantity": "voltage",
        "line": "supply",
        "against": "ground",
        "at": f"connector of {bench.named[bench.network.modules[index]]}",
        "value": f"{volts * batteries:.{chance.choice((1, 1, 2))}f} V",
        "stage": "after repair" if repaired else "isolation",
    }
    return row | _powered(bench) | bench.network_key | ({"note": note} if note else {})


_STARVED: Final = ("module_supply_or_ground", "connector_corrosion")


def _starved_volts(spot: Spot, chance: Random) -> float:
    return chance.uniform(0.0, 0.2) if spot.place == "fuse" else chance.uniform(1.5, 9.5)
