"""What a scope adds to a meter: answers on ngspice's buses with traffic, levels and time driven beside the voltages.

    python tests/bench/scope_on_ngspice.py [--per-state 15] [--seed 11]

Prints, for readings of a meter alone and with a scope, accuracy, coverage and mean size of the 90 % set, log loss in
bits, calibration error, and the share of readings said to clash. The buses are those of `posterior_on_ngspice.py`. A
scope's levels carry 2 % and a tenth of a volt; the time driven is that of senders that move a line more than half as
far as the strongest, 10 % off, for a capture holds a few dozen frames (judged).
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from random import Random
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).parent))

from posterior_on_ngspice import Case, Visit, answer, cases, visits
from scores import HEADER, Answer, score
from synthetic_scope import levels_shown, sent_levels
from written_readings import readings_of

from casebase.record.reading import Reading

METER: Final = {
    "both volts": ("volts high", "volts low"),
    "ohms between, both volts": ("ohms between", "volts high", "volts low"),
}
SCOPE: Final[dict[str, tuple[str, ...] | None]] = {
    "no scope": None,
    "traffic": (),
    "traffic, share": ("share",),
    "traffic, levels": ("levels",),
    "traffic, levels, share": ("levels", "share"),
}
SHARE_VARIES: Final = 0.1
SHARE_OFF: Final = 0.005


def scope_reading(case: Case, told: Sequence[str], chance: Random) -> Reading:
    """Return what a scope shows at the DLC: traffic, and the parts that are `told`."""
    bus, solved = case
    asleep = bus.state == "bus_asleep"
    rest = solved.asleep if asleep else solved.rest
    sent = None if asleep else sent_levels(bus, solved)
    seen: dict[str, Any] = {"traffic": "yes" if sent else "no"}
    if "levels" in told:
        seen["recessive"] = levels_shown(rest, chance)
        seen |= {"dominant": levels_shown(sent, chance)} if sent else {}
    if "share" in told and sent:
        share = _share_seen(case) * chance.gauss(1.0, SHARE_VARIES) + chance.gauss(0.0, SHARE_OFF)
        seen["dominant_share"] = min(max(share, 0.001), 0.999)
    state = {"ignition": "on", "battery": "connected", "at": "DLC", "unplugged": "nothing"}
    return Reading.model_validate({"quantity": "waveform", **state, "waveform": seen})


def _share_seen(case: Case) -> float:
    bus, solved = case
    moved = [
        max(abs(after - before) for after, before in zip(sent, solved.rest, strict=True)) if share else 0.0
        for sent, share in zip(solved.sent, bus.shares, strict=True)
    ]
    return sum(share for share, volts in zip(bus.shares, moved, strict=True) if volts > 0.5 * max(moved))


def answers(
    met: Sequence[Visit], found: Sequence[Case], rows: tuple[str, ...], told: Sequence[str] | None
) -> list[Answer]:
    """Return what casebase answers to the rows of a meter, and a scope's picture unless `told` is None."""
    given = []
    for visit, case in zip(met, found, strict=True):
        readings = readings_of(visit.texts(rows))
        seen = [] if told is None else [scope_reading(case, told, Random(f"scope {visit.seed}"))]
        given.append(answer([*readings, *seen], visit.state))
    return given


def main(per_state: int, seed: int) -> None:
    """Print every figure."""
    found = cases(per_state, seed, 0.0)
    met = visits(found, seed, 6000)
    for meter, rows in METER.items():
        print(f"\n{meter}\n{'':24}{HEADER}")
        for scope, told in SCOPE.items():
            print(f"{scope:24}{score(answers(met, found, rows, told))}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--per-state", type=int, default=15)
    parser.add_argument("--seed", type=int, default=11)
    arguments = parser.parse_args()
    main(arguments.per_state, arguments.seed)
