"""What is written down of the readings: ngspice's values through a hand-held meter, as people type them.

Judged: 3 % of the records with two readings or more hold a slip; a third of the values are rounded by hand; what is
not stated of the state follows from the author's care; scopes are named in fixed words seven times in ten. A
module's feed stands in `synthetic_feeds`.
"""

from __future__ import annotations

import re
from dataclasses import replace
from random import Random
from typing import Final

from ngspice_bus import SpiceBus
from ngspice_run import Solved
from synthetic_bench import Bench, Row
from synthetic_feeds import feed_readings
from synthetic_normal import POWERED_OHMS
from synthetic_scope import scope_reading
from synthetic_visits import Visit, is_cured_without
from written_readings import OHMS_ROWS, SLIPS, VOLTS_ROWS, Shown, met_by_leads, slipped, written

SLIP_SHARE: Final = 0.03
ROUNDED_SHARE: Final = 0.33
TYPES_NO_UNIT: Final = 0.15
_VALUE: Final = re.compile(r"([0-9.]+) (ohm|kohm|V)")


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
    if visit.feed_of is not None:
        rows += feed_readings(bench, visit.feed_of, repaired=False)
    if isolated:
        return rows + _in_numbers(bench, visit, isolated)
    return rows + (_compared(bench, visit, visit.suspect, rows) if visit.suspect is not None else [])


def readings_after(bench: Bench, visit: Visit, healthy: tuple[SpiceBus, Solved]) -> list[Row]:
    """Return the readings after the repair: of a vehicle that is healthy again."""
    if bench.spot and bench.spot.way.effect == "one" and visit.feed_of is not None:
        return feed_readings(bench, visit.feed_of, repaired=True)
    texts = written(met_by_leads(*healthy, bench.chance), bench.meter, bench.chance)
    row = bench.chance.choice(("ohms between", "volts high"))
    return [_row(bench, row, texts[row], stage="after repair")]


def _as_found(bench: Bench, visit: Visit, found: tuple[SpiceBus, Solved]) -> list[Row]:
    bus, solved = found
    shown = met_by_leads(bus, solved, bench.chance)
    measured = tuple(row for row in visit.rows if row != "scope")
    if len(measured) > 1 and bench.chance.random() < SLIP_SHARE:
        shown = _with_slip(shown, measured, bench.chance)
    misread = bench.spot.misread if bench.spot else None
    if misread == POWERED_OHMS:
        shown = _with_battery_on(shown, bench.chance)
    texts = written(shown, bench.meter, bench.chance)
    rows = [_row(bench, row, texts[row], **_battery_on(row, misread)) for row in measured]
    if "scope" in visit.rows:
        rows.append(scope_reading(bus, solved, bench.spot, bench.chance) | bench.place() | bench.powered())
    return rows


def _with_battery_on(shown: Shown, chance: Random) -> Shown:
    """Return ohms as a meter shows them on a supplied bus: any number, for the bus drives its own currents (judged)."""
    return replace(shown, ohms={row: ohms * chance.uniform(0.4, 2.5) for row, ohms in shown.ohms.items()})


def _battery_on(row: str, misread: str | None) -> Row:
    """Return the state that gives the mistake away: whoever knows it would not have measured so."""
    return {"ignition": "on", "battery": "connected"} if misread == POWERED_OHMS and row in OHMS_ROWS else {}


def _with_slip(shown: Shown, rows: tuple[str, ...], chance: Random) -> Shown:
    possible = SLIPS if any(row in VOLTS_ROWS for row in rows) else SLIPS[:2]
    return slipped(chance.choice(possible), rows, shown, chance)


def _row(bench: Bench, row: str, text: str, unplugged: object = "nothing", **more: object) -> Row:
    """Return one of the five rows; whoever unplugs a module says so."""
    said = {} if unplugged == "nothing" else {"unplugged": unplugged}
    if row in OHMS_ROWS:
        _, line, against = OHMS_ROWS[row]
        keys: Row = {"quantity": "resistance", "line": line, "against": against} | bench.unpowered()
    else:
        keys = {"quantity": "voltage", "line": VOLTS_ROWS[row][1], "against": "ground"} | bench.powered()
    return keys | bench.place() | {"value": _as_typed(text, bench.chance)} | said | more


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
    misread = bool(bench.spot and bench.spot.misread)
    if misread or (not visit.takes_device_off and bench.chance.random() < 0.7):
        for ends in ("between", "high", "low")[: bench.chance.choice((1, 1, 3))]:
            text = bench.meter.ohms(solved.ohms["plug", ends], bench.chance)
            rows.append(_row(bench, _OHMS_OF[ends], text, **off) | {"at": f"connector of {name}"})
    if misread:
        into = {"at": f"connector of {name}", "into": "module"}
        return [*(row | {"into": "harness"} for row in rows), _row(bench, "ohms between", "OL", **off) | into]
    if not rows or bench.chance.random() < 0.5:
        row = bench.chance.choice([row for row in visit.rows if row != "scope"] or ["ohms between"])
        rows.append(_row(bench, row, texts[row], **off))
    return rows


_OHMS_OF: Final = {ends: row for row, (ends, _, _) in OHMS_ROWS.items()}


def _suspect(bench: Bench, visit: Visit) -> str:
    return bench.network.modules[visit.suspect or 0]
