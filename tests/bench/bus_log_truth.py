"""Judges what is said of invented logs whose truth is known: who fell silent, when, who came and went, who is missing.

Run by hand: `python tests/bench/bus_log_truth.py [LOGS] [SEED]`. Each log has 4 to 9 modules of 1 to 8 identifiers,
steady and on events, jitter, lost frames, error frames at random; 60 to 120 s. A known-good log of the same vehicle and
a table of modules stand beside it. A finding counts as wrong where it names anybody else.
"""

from __future__ import annotations

import random
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import can

from casebase.intake.bus_log.report import BusReport, report_of
from casebase.intake.bus_log.silence import returns
from casebase.intake.bus_log.traffic import IdentifierKey, read_traffic

FAULTS = ("healthy", "falls silent", "comes and goes", "missing", "late", "bus pauses")
PERIODS = (0.01, 0.02, 0.02, 0.05, 0.1, 0.1, 0.2, 0.5, 1.0)


@dataclass(frozen=True)
class Truth:
    """A vehicle's modules with their identifiers and periods, and what is wrong with which of them."""

    modules: dict[str, list[tuple[int, float]]]
    fault: str
    victim: str
    begin: float
    seconds: float
    spans: tuple[tuple[float, float], ...]


def main(count: int, seed: int) -> None:
    """Print the tally by fault."""
    tally: Counter[tuple[str, str]] = Counter()
    off: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(count):
            chance = random.Random(f"{seed} {number}")
            truth = _truth(FAULTS[number % len(FAULTS)], chance)
            found = _report(Path(folder), truth, chance)
            outcome = _judged(truth, found, off)
            tally[truth.fault, outcome] += 1
    for (fault, outcome), times in sorted(tally.items()):
        print(f"{fault:<16}{outcome:<28}{times:>5}")
    off.sort()
    print(f"moment of falling silent off by: median {off[len(off) // 2]:.3f} s, at most {off[-1]:.3f} s")


def _truth(fault: str, chance: random.Random) -> Truth:
    numbers = iter(chance.sample(range(0x080, 0x7A0), 80))
    modules = {
        f"module {place}": [(next(numbers), chance.choice(PERIODS)) for _ in range(chance.randint(1, 8))]
        for place in range(chance.randint(4, 9))
    }
    seconds = chance.uniform(60, 120)
    begin = chance.uniform(20, seconds - 25)
    spans: tuple[tuple[float, float], ...] = ()
    if fault == "falls silent":
        spans = ((begin, seconds),)
    elif fault == "comes and goes":
        spans = tuple((begin - 15 + 10 * place, begin - 9 + 10 * place) for place in range(3))
    elif fault == "missing":
        spans = ((-1.0, seconds),)
    elif fault == "bus pauses":
        spans = ((begin, begin + 6),)
    return Truth(modules, fault, chance.choice(list(modules)), begin, seconds, spans)


def _report(folder: Path, truth: Truth, chance: random.Random) -> BusReport:
    table = {IdentifierKey(False, one): name for name, sent in truth.modules.items() for one, _ in sent}
    good = read_traffic(_written(folder / "good.blf", truth, chance, well=True))
    here = read_traffic(_written(folder / "here.blf", truth, chance, well=False))
    return report_of(here, good, table).buses[0]


def _written(path: Path, truth: Truth, chance: random.Random, *, well: bool) -> Path:
    sent: list[tuple[float, int]] = []
    for name, identifiers in truth.modules.items():
        for identifier, period in identifiers:
            sent += _moments(truth, name, identifier, period, chance, well=well)
    with can.Logger(str(path)) as writer:
        for at, identifier in sorted(sent):
            writer.on_message_received(
                can.Message(
                    timestamp=1_600_000_000 + at,
                    arbitration_id=identifier,
                    is_extended_id=False,
                    is_error_frame=identifier == 0,
                    data=b"" if identifier == 0 else bytes(4),
                    channel=0,
                )
            )
    return path


def _moments(  # noqa: PLR0913  one parameter per fact
    truth: Truth, name: str, identifier: int, period: float, chance: random.Random, *, well: bool
) -> list[tuple[float, int]]:
    concerned = not well and (name == truth.victim or truth.fault == "bus pauses")
    slower = 1.5 if concerned and truth.fault == "late" else 1.0
    found, at = [], chance.random() * period
    while at < truth.seconds:
        silent = concerned and any(begin <= at < end for begin, end in truth.spans)
        if not silent and chance.random() > 0.005:
            found.append((at + chance.uniform(0, 0.05) * period, identifier))
        if chance.random() < 0.001:
            found.append((at, 0))
        at += period * slower
    return found


def _judged(truth: Truth, found: BusReport, off: list[float]) -> str:
    named = {one.sender for one in found.silences}
    difference = found.difference
    late = {found.senders.get(one.key) for one in difference.late} if difference else set()
    silent = {one.module for one in difference.modules} if difference else set()
    others = (named | late | silent) - {truth.victim}
    if others:
        return "WRONG: somebody else named"
    said = {
        "healthy": not (named or late or silent or found.pauses),
        "falls silent": any(one.end is None and one.whole_sender for one in found.silences),
        "comes and goes": bool(returns(found.silences)),
        "missing": silent == {truth.victim},
        "late": late == {truth.victim},
        "bus pauses": bool(found.pauses) and not named,
    }[truth.fault]
    if truth.fault == "falls silent" and said:
        off += [abs(one.begin - truth.begin) for one in found.silences if one.end is None]
    if truth.fault == "falls silent" and not said and named:
        return "a part of it named"
    return "right" if said else "nothing said"


if __name__ == "__main__":
    given = [int(number) for number in sys.argv[1:]]
    main(*(given + [300, 1979][len(given) :]))
