"""False and true alarms on 300 invented logs: `python tests/bench/bus_log_alarms.py [COUNT] [FIRST]`.

An alarm is right where all the identifiers it names belong to the module that was taken off. A log is rightly told
where that module is named. The last third of the seeds was not looked at while the limits were chosen.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

from synthetic_logs import Log, log_of, write_log

from casebase.intake.bus_log.report import BusReport, report_of
from casebase.intake.bus_log.traffic import read_traffic


def main(count: int = 300, first: int = 0) -> None:
    """Judge the logs and print the figures."""
    told: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(first, first + count):
            log = log_of(seed)
            path = write_log(log, Path(folder) / "a.log", seed)
            found = report_of(read_traffic(path)).buses[0]
            said = judged(log, found)
            told.update(said)
            for one in sorted(said & {"WRONG", "missed", "flood missed"}):
                print(
                    f"{one}: seed {seed}, {log.fault}, {', '.join(sorted(log.quirks))}: {_named(log, found)}"
                )
    faulty = told["faulty"]
    print(f"logs: {count}; somebody taken off: {faulty}; nobody: {count - faulty}")
    print(f"logs that accuse wrongly: {told['WRONG']} ({100 * told['WRONG'] / count:.1f} %)")
    print(f"of those where nobody was taken off: {told['WRONG'] - told['WRONG beside']}")
    print(f"modules taken off that are named: {told['named']} of {faulty}")
    for fault in ("for good", "once", "again and again"):
        print(f"  {fault}: {told[f'named {fault}']} of {told[fault]}")
    print(f"floods told: {told['flood told']} of {told['flood']}")


def judged(log: Log, found: BusReport) -> set[str]:
    """Return what came of one log."""
    accused = {key.number for silence in found.silences for key in silence.identifiers}
    victim = log.victim_identifiers
    said = {"faulty", log.fault} if log.victim else {"none"}
    if accused - victim:
        said |= {"WRONG", "WRONG beside"} if log.victim else {"WRONG"}
    if log.victim:
        said |= {"named", f"named {log.fault}"} if accused & victim else {"missed"}
    if log.floods:
        said |= {"flood", "flood told" if found.floods else "flood missed"}
    return said


def _named(log: Log, found: BusReport) -> str:
    victim = log.victim_identifiers
    return "; ".join(
        f"{'' if key.number in victim else '!'}{key} {silence.begin:.1f}-{silence.end or 0:.1f}"
        for silence in found.silences
        for key in silence.identifiers
    )[:300]


if __name__ == "__main__":
    main(*(int(one) for one in sys.argv[1:]))
