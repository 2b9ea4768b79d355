"""Asks casebase about buses that it did not simulate: drawn from makers' figures, solved by ngspice, read with errors.

Run by hand: `python tests/bench/posterior_on_ngspice.py [--per-state 40] [--seed 1] [--branch-share 0]`.
Needs ngspice. What ngspice found is kept in the folder for temporary files and used again for the same seed.
"""

from __future__ import annotations

import argparse
import hashlib
import pickle
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from random import Random
from typing import Any, Final

OUTSIDE = Path(__file__).parents[1] / "outside"
sys.path.insert(0, str(OUTSIDE))

import ngspice_bus  # noqa: E402
import ngspice_run  # noqa: E402
import ngspice_sampler  # noqa: E402
from scores import HEADER, Answer, reliability, score  # noqa: E402
from written_readings import SLIPS, Meter, Shown, met_by_leads, readings_of, slipped, written  # noqa: E402

import casebase.bus  # noqa: E402
from casebase.bus.diagnose import diagnose  # noqa: E402
from casebase.record.reading import Reading  # noqa: E402
from casebase.record.vocabulary import BusState, Medium  # noqa: E402

SETS: Final = {
    "(i) five readings": ("ohms between", "ohms high", "ohms low", "volts high", "volts low"),
    "(ii) ohms between, both volts": ("ohms between", "volts high", "volts low"),
    "(iii) both volts": ("volts high", "volts low"),
}
OF_120_OHM: Final = ("high_open", "low_open", "both_open", "terminator_missing")
UNSURE_BELOW: Final = 0.7
OF_THIS_WORLD: Final = {state: float(str(state) in ngspice_sampler.STATES) for state in BusState}
"""The frequencies of these buses: fifteen states alike, and none of those that casebase computes besides."""

Case = tuple[ngspice_bus.SpiceBus, ngspice_run.Solved]


def answer(
    readings: Sequence[Reading], true: str, frequencies: Mapping[BusState, float] | None = None
) -> Answer:
    """Ask casebase: the only place that knows how; `frequencies` of the states, where they are known."""
    found = diagnose(readings, Medium.HIGH_SPEED_CAN, prior=frequencies, cache=_bank_folder())
    return Answer(
        true=true,
        probabilities={str(state): probability for state, probability in found.ranked()},
        credible=tuple(str(state) for state in found.credible()),
        clash=bool(found.clashes),
    )


@cache
def _bank_folder() -> Path:
    """Return a folder for simulated buses that belongs to the code as it stands, so that none is stale."""
    return _kept("casebase-buses", sorted(Path(casebase.bus.__file__ or "").parent.glob("*.py")))


def _kept(name: str, sources: Sequence[Path], key: str = "") -> Path:
    """Return a path in the folder for temporary files that changes with the sources and the key."""
    digest = hashlib.sha256(b"".join(source.read_bytes() for source in sources) + key.encode())
    return Path(tempfile.gettempdir()) / f"{name}-{digest.hexdigest()[:16]}"


# --- the buses ----------------------------------------------------------------------------------------------------


def cases(per_state: int, seed: int, branch_share: float) -> list[Case]:
    """Return the buses of a seed with what ngspice found on them."""
    sources = [Path(module.__file__ or "") for module in (ngspice_bus, ngspice_run, ngspice_sampler)]
    kept = _kept("ngspice-buses", sources, f"{per_state} {seed} {branch_share}")
    if kept.exists():
        found: list[Case] = pickle.loads(kept.read_bytes())
        return found
    buses = [
        ngspice_sampler.drawn_bus(state, f"{seed} {number}", branch_share)
        for state in ngspice_sampler.STATES
        for number in range(per_state)
    ]
    found = list(zip(buses, ngspice_run.solved(buses), strict=True))
    kept.write_bytes(pickle.dumps(found))
    return found


@dataclass(frozen=True)
class Visit:
    """One bus met by one technician with one meter."""

    state: str
    shown: Shown
    meter: Meter
    seed: str

    def texts(self, rows: tuple[str, ...], slip: str | None = None) -> dict[str, str]:
        """Return what is written down of `rows`, with a slip or without."""
        random = Random(f"{self.seed} {slip}")
        shown = slipped(slip, rows, self.shown, random) if slip else self.shown
        texts = written(shown, self.meter, random)
        return {row: texts[row] for row in rows}

    def answer(
        self,
        rows: tuple[str, ...],
        slip: str | None = None,
        frequencies: Mapping[BusState, float] | None = None,
    ) -> Answer:
        """Return what casebase answers."""
        return answer(readings_of(self.texts(rows, slip)), self.state, frequencies)


def visits(found: Sequence[Case], seed: int, counts: int) -> list[Visit]:
    """Return one visit to each bus."""
    made = []
    for number, (bus, solved) in enumerate(found):
        random = Random(f"meter {seed} {number}")
        meter = Meter.of(random, counts)
        made.append(Visit(bus.state, met_by_leads(bus, solved, random), meter, f"{seed} {number}"))
    return made


# --- report -------------------------------------------------------------------------------------------------------


def report(name: str, answers: Sequence[Answer]) -> None:
    """Print the figures of one set of readings, per state and overall."""
    print(f"\n{name}\n{'':26}{HEADER}")
    for state in ngspice_sampler.STATES:
        print(f"{state:26}{score([a for a in answers if a.true == state])}")
    print(f"{'all':26}{score(answers)}")
    of_120 = [a for a in answers if a.true in OF_120_OHM]
    print(f"{'the four of 120 ohm':26}{score(of_120)}")
    print("first answers, by probability: " + _reliability(answers))
    print("of the four of 120 ohm:        " + _reliability(of_120))
    wrong = Counter((a.true, a.first) for a in answers if not a.right)
    print("most frequent errors: " + ", ".join(f"{t} as {f} {n}" for (t, f), n in wrong.most_common(8)))
    costly = sorted(answers, key=lambda a: -a.bits)[: max(1, len(answers) // 100)]
    share = sum(a.bits for a in costly) / sum(a.bits for a in answers)
    print(f"the costliest 1 % of the answers make {share:.0%} of the log loss")


def _reliability(answers: Sequence[Answer]) -> str:
    return "  ".join(f"{said:.2f}->{right:.2f} ({count})" for count, said, right in reliability(answers))


def report_slips(name: str, rows: tuple[str, ...], met: Sequence[Visit], plain: Sequence[Answer]) -> None:
    """Print what becomes of answers when one reading is a slip."""
    print(
        f"\n{name}: one reading wrong; without slips {_share(a.clash for a in plain):.3f} are said to clash"
    )
    print(
        f"{'':16}first wrong  of them noticed  spoilt by it  of them noticed  clash said  wrong and sure of it"
    )
    for slip in SLIPS:
        # Read as asleep, a sleeping bus is read right.
        pairs = [
            (v, a) for v, a in zip(met, plain, strict=True) if (slip, v.state) != ("asleep", "bus_asleep")
        ]
        answers = [visit.answer(rows, slip) for visit, _ in pairs]
        wrong = [a for a in answers if not a.right]
        spoilt = [a for a, (_, before) in zip(answers, pairs, strict=True) if before.right and not a.right]
        hidden = Counter((a.true, a.first) for a in wrong if not _noticed(a))
        print(
            f"{slip:16}{len(wrong):11d}  {_share(map(_noticed, wrong)):15.3f}  {len(spoilt):12d}"
            f"  {_share(map(_noticed, spoilt)):15.3f}  {_share(a.clash for a in answers):10.3f}  "
            + ", ".join(f"{t} as {f} {n}" for (t, f), n in hidden.most_common(4))
        )


def _noticed(found: Answer) -> bool:
    return found.clash or found.surest < UNSURE_BELOW


def _share(values: Any) -> float:
    held = [bool(value) for value in values]
    return sum(held) / len(held) if held else float("nan")


def main(arguments: argparse.Namespace) -> None:
    """Print every figure."""
    begun = time.perf_counter()
    found = cases(arguments.per_state, arguments.seed, arguments.branch_share)
    print(f"{len(found)} buses, seed {arguments.seed}: {time.perf_counter() - begun:.1f} s for ngspice")
    met = visits(found, arguments.seed, arguments.counts)
    for name, rows in SETS.items():
        answers = [visit.answer(rows) for visit in met]
        report(name, answers)
        if not arguments.no_slips:
            report_slips(name, rows, met, answers)
    print(f"\n{time.perf_counter() - begun:.0f} s")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--per-state", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--branch-share", type=float, default=0.0, help="opens in a branch or the DLC's stub")
    parser.add_argument("--counts", type=int, choices=(6000, 2000), default=6000, help="of the meter")
    parser.add_argument("--no-slips", action="store_true")
    return parser.parse_args()


if __name__ == "__main__":
    main(_arguments())
