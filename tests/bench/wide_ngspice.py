"""Wide high-speed CAN buses met by technicians: drawn, solved by ngspice, read with meter and scope, the truth kept.

Run by hand: `python tests/bench/wide_ngspice.py [--seed 0] [--per-group 18]` prints what a seed holds.
Seed 0 is for tuning, 1 for watching, 2 for the end. What ngspice found is kept in the folder for temporary files, by
the content of the `wide_*.py` that made it. Needs ngspice.
"""

from __future__ import annotations

import argparse
import hashlib
import pickle
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Final

import wide_bare
from wide_bus import WideBus, WideModule
from wide_draws import Chance
from wide_faults import AT_PLUG, FAMILIES, Case, dead_wire
from wide_meter import FIVE, OHMS_ROWS, SLIPS, VOLTS_ROWS, HandMeter, reading_keys, slipped
from wide_scope import scope_of
from wide_solve import Found, solved
from wide_visit import Visit

PER_GROUP: Final = 18
TRAFFIC_MOVES: Final = 0.1
"""Standard deviation of the traffic from one reading to the next, as a share of it (judged)."""

STANDBY_VOLTS: Final = 0.03
"""Standard deviation of a sleeping line: within 0.1 V of ground (TCAN1042HGV 7.7)."""

DEAD_WIRE: Final = "small: dead wire at the plug"
GOOD: Final = ("healthy, usual", "healthy, wide")
"""Groups on which slips are tried."""


def visits(seed: int, per_group: int = PER_GROUP) -> list[Visit]:
    """Return the visits of a seed, the small groups among them."""
    code = b"".join(
        path.read_bytes() for path in sorted(Path(__file__).parent.glob("wide_*.py")) if _makes(path)
    )
    digest = hashlib.sha256(code + f"{seed} {per_group}".encode()).hexdigest()[:16]
    kept = Path(tempfile.gettempdir()) / f"wide-buses-{digest}"
    if kept.exists():
        found: list[Visit] = pickle.loads(kept.read_bytes())
        return found
    found = [*_bus_visits(seed, per_group), *wide_bare.visits(seed, per_group)]
    part = kept.with_suffix(".part")
    part.write_bytes(pickle.dumps(found))
    part.replace(kept)
    return found


def _makes(path: Path) -> bool:
    return path.name not in ("wide_posterior.py", "wide_scores.py")


def _bus_visits(seed: int, per_group: int) -> list[Visit]:
    families = {**FAMILIES, DEAD_WIRE: dead_wire}
    cases = [
        (group, number, family(Chance(Random(f"bus {seed} {group} {number}"))))
        for group, family in families.items()
        for number in range(per_group)
    ]
    buses = list(dict.fromkeys(bus for _, _, case in cases for bus in _asked(case)))
    found = {bus: one for bus, one in zip(buses, solved(buses), strict=True) if one is not None}
    whole = [drawn for drawn in cases if all(bus in found for bus in _asked(drawn[2]))]
    for group, number, _ in (drawn for drawn in cases if drawn not in whole):
        print(f"left out, ngspice finds no balance: {group} {number} of seed {seed}")
    return [
        _visit(
            group,
            case,
            [found[bus] for bus in _asked(case)],
            Chance(Random(f"visit {seed} {group} {number}")),
        )
        for group, number, case in whole
    ]


def _asked(case: Case) -> list[WideBus]:
    """Return the bus, the bus without the probed module where a reading asks for that, then both sound."""
    return [
        replace(bus, modules=_without(bus)) if unplugged and case.beside else bus
        for bus in (case.bus, case.sound)
        for unplugged in (False, True)
    ]


def _without(bus: WideBus) -> tuple[WideModule, ...]:
    return tuple(replace(module, plugged=index != bus.probed) for index, module in enumerate(bus.modules))


# --- one visit ----------------------------------------------------------------------------------------------------


def _visit(group: str, case: Case, found: list[Found], chance: Chance) -> Visit:
    """Return what is written down; `found`: the bus, then without the probed module, then both sound."""
    bus, bus_without, sound, sound_without = found
    meter, shares = HandMeter.of(chance), _shares(case, bus, chance)
    asleep = case.truth.family == "asleep"
    true = _values(bus, "dlc", shares, asleep, chance)
    place = "plug" if case.beside == AT_PLUG else "dlc"
    rows = _beside_rows(case, chance)
    other = _values(bus_without, place, shares, asleep, chance)
    names = [module.name for module in case.sound.modules]
    seen = _differs(bus, sound, "dlc", shares, FIVE) or _differs(
        bus_without, sound_without, place, shares, rows
    )
    unchanged = case.bus is case.sound
    at = f"connector of {names[case.bus.probed]}" if place == "plug" else "DLC"
    return Visit(
        group=group,
        truth=replace(
            case.truth, seen=unchanged or seen, before="healthy" if sum(shares) > 0 else "bus_quiet"
        ),
        modules=tuple(names),
        terminators_in=tuple(module.name for module in case.sound.modules if module.terminator),
        five=_texts(true, meter, chance),
        beside=tuple(
            reading_keys(row, text, at, names[case.bus.probed])
            for row, text in _texts(other, meter, chance).items()
            if row in rows
        ),
        scope=scope_of(case.bus, bus, shares, chance, asleep=asleep),
        slips=_slips(true, meter, chance) if group in GOOD else {},
    )


def _beside_rows(case: Case, chance: Chance) -> tuple[str, ...]:
    """Half of those who read a second time take ohms and volts, the others one of them."""
    if not case.beside:
        return ()
    return chance.random.choice(
        (("ohms between", *VOLTS_ROWS), ("ohms between", *VOLTS_ROWS), ("ohms between",), VOLTS_ROWS)
    )


def _shares(case: Case, found: Found, chance: Chance) -> tuple[float, ...]:
    """Return the time share of each sender: where nobody can be understood, half go silent, the others try less."""
    drawn = tuple(share for _, share in case.bus.senders)
    if case.truth.family == "both terminators missing":  # edges too slow for the bit (bus-physics: 4 to 9 us)
        factor = 0.0 if chance.often(0.4) else chance.even((0.3, 1.0))
    elif sum(drawn) == 0 or _understood(found, drawn):
        factor = 1.0
    else:
        factor = 0.0 if chance.often(0.5) else chance.even((0.1, 0.8))
    return tuple(share * factor for share in drawn)


def _understood(found: Found, drawn: tuple[float, ...]) -> bool:
    """Receivers: recessive below 0.5 V, dominant above 0.9 V (TJA1051); common mode -2 to 7 V (SN65HVD230), 12 now."""
    rest = found.rest["dlc"]
    sent = [each["dlc"] for each, share in zip(found.sent, drawn, strict=True) if share > 0]
    apart = [high - low for high, low in sent]
    middle = [(high + low) / 2 for high, low in sent]
    return rest[0] - rest[1] < 0.5 and min(apart) > 0.9 and min(middle) > -2 and max(middle) < 12


def _values(
    found: Found, place: str, shares: tuple[float, ...], asleep: bool, chance: Chance | None
) -> dict[str, float]:
    """Return the true value of each row; each voltage with the traffic of its own moment, if `chance` is given."""
    values = {row: found.ohms[place, row.removeprefix("ohms ")] for row in OHMS_ROWS}
    for index, row in enumerate(VOLTS_ROWS):
        still = (found.asleep if asleep else found.rest)[place][index]
        if asleep and chance:
            still += chance.random.gauss(0, STANDBY_VOLTS)
        moved = sum(
            share * (sent[place][index] - still) for share, sent in zip(shares, found.sent, strict=True)
        )
        now = max(chance.random.gauss(1, TRAFFIC_MOVES), 0) if chance else 1.0
        values[row] = still + now * moved
    return values


def _differs(one: Found, other: Found, place: str, shares: tuple[float, ...], rows: tuple[str, ...]) -> bool:
    """Return whether a fault moves one of `rows` by more than the error of a good meter and of the traffic."""
    with_fault, sound = (_values(found, place, shares, False, None) for found in (one, other))
    return any(
        abs(min(with_fault[row], 60e6) - min(sound[row], 60e6)) > _error(row, sound[row]) for row in rows
    )


def _error(row: str, value: float) -> float:
    """Return one standard error: 1 % and a last digit of 0.4 ohm; 0.7 % and 10 mV."""
    if row in OHMS_ROWS:
        return 0.4 + 0.01 * value
    return 0.01 + 0.007 * abs(value)


def _texts(true: dict[str, float], meter: HandMeter, chance: Chance) -> dict[str, str]:
    return {
        row: (meter.ohms if row in OHMS_ROWS else meter.volts)(value, chance) for row, value in true.items()
    }


def _slips(true: dict[str, float], meter: HandMeter, chance: Chance) -> dict[str, dict[str, str]]:
    differential = true["volts high"] - true["volts low"]
    return {slip: _texts(slipped(slip, true, differential, chance), meter, chance) for slip in SLIPS}


def main() -> None:
    """Print what a seed holds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--per-group", type=int, default=PER_GROUP)
    asked = parser.parse_args()
    begun = time.perf_counter()
    found = visits(asked.seed, asked.per_group)
    print(f"{len(found)} visits, seed {asked.seed}, {time.perf_counter() - begun:.1f} s")
    for group in dict.fromkeys(visit.group for visit in found):
        of_group = [visit for visit in found if visit.group == group]
        unseen = sum(not visit.truth.seen for visit in of_group) / len(of_group)
        print(f"\n{group}: {len(of_group)}, moves no reading in {unseen:.0%}")
        for visit in of_group[:3]:
            beside = [f"{r['line']} {r['value']} {r['at']}" for r in visit.beside]
            print(
                "   ",
                visit.truth.states,
                visit.truth.line,
                visit.truth.amount,
                list(visit.five.values()),
                beside,
            )
            print("      ", (visit.scope or {}).get("waveform"))


if __name__ == "__main__":
    main()
