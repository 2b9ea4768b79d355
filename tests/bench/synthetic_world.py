"""A synthetic world of network cases, to fit and to judge the matcher: a library, and jobs held out of it.

All of it is invented and follows from the seed: 60 models on 20 platforms (`synthetic_fleet`,
`synthetic_topology`), causes (`synthetic_causes`, `synthetic_faults`, `synthetic_local`, `synthetic_normal`), readings
made with ngspice (`synthetic_buses`, `synthetic_newer_states`, `synthetic_visits`, `synthetic_readings`,
`synthetic_scope`), feeds and trials (`synthetic_feeds`, `synthetic_trials`), silence and codes that follow from the
fault (`synthetic_silence`, `synthetic_codes`), stories (`synthetic_stories`), repairs (`synthetic_repairs`), joined in
`synthetic_records`. Each of these states its judged shares. Library and jobs are of one fleet: jobs are drawn like the
library's cases. A twin is of the same model with the same fault, place and module; a look-alike has the same model and
codes and another fault. Record `n` depends on no other record; `fleet=2` gives other harnesses and weak spots.

Measured on 1200 cases and 300 jobs with a fault of the network (fleet 10, seeds 20 and 30): 38 % of the jobs have a
twin (2.0 on average), 40 % a look-alike (2.5), 15 % both. Of the fault cases 88 % have readings, 80 % codes, 85 %
modules, 54 % lamps, 94 % a story. Supply or ground is read in 24 % of these jobs, in 13 % of those with a local fault;
something was tried in 39 %, four times in five without change.

Some causes leave the same traces (a parted wire in a connector, a corroded connector; a dead module, a dead feed whose
volts nobody read): no matcher can tell them apart from such a job alone.

Run by hand: `python tests/bench/synthetic_world.py [COUNT] [SEED] [--jobs 300] [--fleet 1] [--out FILE.jsonl]`.
Needs ngspice.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).parent))

import synthetic_buses  # puts tests/outside on the path
from ngspice_bus import SpiceBus
from ngspice_run import Solved
from synthetic_jobs import ByModel, HeldOut, cause_key, held_out, parts_missing
from synthetic_records import BOTH, FAULT, LOCAL, NORMAL, Draft, Scribe, draft

import casebase.record
from casebase.record.case import Case, status_of
from casebase.record.json_form import plain_data
from casebase.record.loading import case_from_data

__all__ = ["HeldOut", "held_out_jobs", "parts_missing", "synthetic_library"]

LIBRARY_PREFIX: Final = "syn"
JOB_PREFIXES: Final = {FAULT: "stk", LOCAL: "crt", NORMAL: "nrm", BOTH: "bth"}


@dataclass(frozen=True)
class Lot:
    """A number of records: the library's, of every kind, or jobs of one kind, which are solved for certain."""

    count: int
    seed: int
    fleet: int
    prefix: str
    readings: bool
    kind: str | None = None

    @property
    def certain(self) -> bool:
        """Whether all are solved."""
        return self.kind is not None

    def drafts(self) -> list[Draft]:
        """Return what happens to each vehicle."""
        return [draft(self.fleet, self.seed, number, self.prefix, self.kind) for number in range(self.count)]


def synthetic_library(
    count: int = 3000, seed: int = 1, *, fleet: int = 1, readings: bool = True
) -> list[Case]:
    """Return a library of `count` records, solved ones for the most part, with IDs from `syn000000` on.

    Without `readings` no ngspice is needed: known good records are left out then, the others stay as they are else.
    """
    return _records(Lot(count, seed, fleet, LIBRARY_PREFIX, readings))


def held_out_jobs(  # noqa: PLR0913  how many, of which fleet, against which library
    count: int = 300,
    seed: int = 2,
    *,
    library: Sequence[Case] | None = None,
    fleet: int = 1,
    readings: bool = True,
    kind: str = FAULT,
) -> list[HeldOut]:
    """Return stuck jobs, IDs from `stk000000` on, with their twins and look-alikes in `library`, else the usual one.

    `kind`: of network faults, of local ones, of both at once, or of vehicles on which nothing is wrong.
    """
    by_model = ByModel(synthetic_library(fleet=fleet, readings=readings) if library is None else library)
    lot = Lot(count, seed, fleet, JOB_PREFIXES[kind], readings, kind)
    return [held_out(truth, by_model) for truth in _records(lot)]


def _records(lot: Lot) -> list[Case]:
    return synthetic_buses.kept("synthetic-records", _sources(), repr(lot), lambda: _made(lot))


def _made(lot: Lot) -> list[Case]:
    drafts = [drafted for drafted in lot.drafts() if lot.readings or drafted.spot]
    solved = _solved(drafts) if lot.readings else None
    return [
        case_from_data(Scribe(drafted, solved, lot.certain).data(), f"synthetic record {drafted.case_id}")
        for drafted in drafts
    ]


def _solved(drafts: Sequence[Draft]) -> dict[SpiceBus, Solved]:
    buses = list(dict.fromkeys(bus for drafted in drafts for bus in drafted.buses))
    return dict(zip(buses, synthetic_buses.all_solved(buses), strict=True))


def _sources() -> list[Path]:
    """Return every file on which a record hangs."""
    here = Path(__file__).parent
    record = Path(casebase.record.__file__ or "").parent
    drawn = [here / "written_readings.py", *sorted(synthetic_buses.OUTSIDE.glob("ngspice_*.py"))]
    return [
        *sorted(here.glob("synthetic_*.py")),
        *drawn,
        *sorted(record.glob("*.py")),
        *sorted(record.glob("data/*")),
    ]


# --- the summary --------------------------------------------------------------------------------------------------


def summary(library: Sequence[Case], jobs: Sequence[HeldOut]) -> list[str]:
    """Return the lines that tell what the world holds."""
    faults = Counter(str(case.cause.fault) for case in library if case.cause)
    return [
        f"{len(library)} records, {len(jobs)} jobs, {len({case.vehicle.model for case in library})} models",
        "status: " + _counted(str(status_of(case) or case.kind) for case in library),
        "faults: " + ", ".join(f"{fault} {count}" for fault, count in faults.most_common()),
        "causes (fault, place, module) per model: "
        f"{len({(case.vehicle.model, cause_key(case)) for case in library if case.cause})}",
        *_missing("library", library),
        *_missing("jobs", [one.job for one in jobs]),
        f"jobs with a twin {_share(bool(one.twins) for one in jobs)}, with a look-alike "
        f"{_share(bool(one.look_alikes) for one in jobs)}, with both "
        f"{_share(bool(one.twins and one.look_alikes) for one in jobs)}; "
        f"twins of a job that has any: {_mean([len(one.twins) for one in jobs if one.twins])}, "
        f"look-alikes: {_mean([len(one.look_alikes) for one in jobs if one.look_alikes])}",
    ]


def _missing(name: str, cases: Sequence[Case]) -> list[str]:
    parts = ("readings", "codes", "modules", "lamps", "conditions", "concern", "networks")
    told = [case for case in cases if case.kind == "fault case"]
    shares = ", ".join(f"{part} {_share(bool(getattr(case, part)) for case in told)}" for part in parts)
    many = Counter(min(len(case.readings), 8) for case in told)
    return [
        f"{name}, share of fault cases with: {shares}",
        f"{name}, number of readings (8: or more): " + ", ".join(f"{n}: {many[n]}" for n in sorted(many)),
    ]


def _counted(words: Iterable[str]) -> str:
    return ", ".join(f"{word} {count}" for word, count in Counter(words).most_common())


def _share(values: Iterable[bool]) -> str:
    held = list(values)
    return f"{sum(held) / len(held):.2f}" if held else "-"


def _mean(numbers: Sequence[int]) -> str:
    return f"{sum(numbers) / len(numbers):.1f}" if numbers else "-"


def main(arguments: argparse.Namespace) -> None:
    """Print what the world holds, and write its library where that is wanted."""
    begun = time.perf_counter()
    library = synthetic_library(arguments.count, arguments.seed, fleet=arguments.fleet)
    jobs = held_out_jobs(arguments.jobs, arguments.seed + 1, library=library, fleet=arguments.fleet)
    print("\n".join(summary(library, jobs)))
    if arguments.out:
        lines = (json.dumps({"id": case.id, **plain_data(case)}, ensure_ascii=False) for case in library)
        arguments.out.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    print(f"{time.perf_counter() - begun:.0f} s")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="A synthetic library and stuck jobs held out of it.")
    parser.add_argument("count", type=int, nargs="?", default=3000)
    parser.add_argument("seed", type=int, nargs="?", default=1)
    parser.add_argument("--jobs", type=int, default=300)
    parser.add_argument("--fleet", type=int, default=1)
    parser.add_argument("--out", type=Path, help="write the library's records here, one JSON object per line")
    return parser.parse_args()


if __name__ == "__main__":
    main(_arguments())
