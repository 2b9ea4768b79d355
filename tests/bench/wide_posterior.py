"""Asks casebase about wide buses: drawn apart from it, solved by ngspice, read with a meter, some with a slip.

Run by hand: `python tests/bench/wide_posterior.py [--seed 0] [--per-group 18] [--group NAME] [--no-slips] [--wrong]`.
Aims: the 90 % set holds the truth in .93 over all, .85 in each group; top-1 .80; sure and wrong with nothing said 1 %;
clash said 3 %; the parameter's 90 % range holds it in .85 to .97; slips on sound buses noticed, or under .7, in .8.
"""

from __future__ import annotations

import argparse
import hashlib
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Final

import wide_ngspice
from wide_meter import FIVE, SLIPS
from wide_scores import HEADER, Answered, amount_figures, figures, mean
from wide_visit import Visit

import casebase.bus
from casebase.bus.bare_module import Bare
from casebase.bus.diagnose import Diagnosis, diagnose
from casebase.bus.posterior import OUTSIDE_FROM
from casebase.bus.roles import BusUnderTest
from casebase.record.reading import Reading
from casebase.record.vocabulary import BusState, Medium

SETS: Final = {
    "five readings": (FIVE, False),
    "ohms between, both volts": (("ohms between", "volts high", "volts low"), False),
    "five readings and a scope": (FIVE, True),
}
"""Name -> (rows of the DLC, whether the scope's waveform too); readings at a plug or with a module off are in all."""

SET_AIM: Final = 0.85


def asked(
    visit: Visit, rows: tuple[str, ...] = FIVE, slip: str | None = None, *, scope: bool = False
) -> Answered:
    """Ask casebase about one visit: with the next two, the only place that knows how."""
    readings = [Reading.model_validate(keys) for keys in visit.readings(rows, slip, scope=scope)]
    bus = BusUnderTest(terminators_in=visit.terminators_in, modules=visit.modules)
    found = diagnose(readings, Medium.HIGH_SPEED_CAN, bus, cache=_simulated_buses())
    if found.interpreted.bare_modules:
        return _of_bare_module(visit, found.interpreted.bare_modules[0].meaning)
    return Answered(
        truth=visit.truth,
        probabilities={str(state): probability for state, probability in found.ranked()},
        credible=tuple(str(state) for state in found.credible()),
        clash=says_odd(found),
        amount=parameter_range(found, visit.truth.states),
        doubted=bool(found.doubts),
    )


def _of_bare_module(visit: Visit, meaning: Bare) -> Answered:
    """Return what is said of a bare module: one thing, or that a like module must be held against it."""
    sound = {Bare.SOUND: 1.0, Bare.HOLDS_TERMINATOR: 1.0, Bare.UNUSUAL: 0.5}.get(meaning, 0.0)
    said = {"healthy": sound, "module_internal": 1.0 - sound}
    credible = tuple(name for name, share in said.items() if share)
    return Answered(visit.truth, said, credible, clash=False, amount=None)


def says_odd(found: Diagnosis) -> bool:
    """Return whether the answer says that the readings do not fit together, or fit nothing simulated."""
    return bool(found.clashes) or found.outside >= OUTSIDE_FROM


BESIDE_OHMS: Final = {"terminator_wrong_value": 120.0, "extra_terminator": 60.0}
"""What stands beside the terminator that was drawn: casebase says what all make together."""


def parameter_range(found: Diagnosis, states: Sequence[str]) -> tuple[float, float] | None:
    """Return the 90 % range of the parameter of the strictest of `states`, in ohm or volt; None where it has none."""
    if states[0] not in {str(state) for state in BusState}:
        return None
    size = found.size_of(BusState(states[0]))
    if size is None:
        return None
    beside = BESIDE_OHMS.get(states[0])
    if beside is None:
        return size.low, size.high
    low, high = (1 / max(1 / together - 1 / beside, 1e-6) for together in (size.low, size.high))
    return low, high


@cache
def _simulated_buses() -> Path:
    """Return a folder for casebase's simulated buses that belongs to its code as it stands."""
    sources = sorted(Path(casebase.bus.__file__ or "").parent.rglob("*.py"))
    digest = hashlib.sha256(b"".join(source.read_bytes() for source in sources))
    return Path(tempfile.gettempdir()) / f"casebase-buses-{digest.hexdigest()[:16]}"


# --- report -------------------------------------------------------------------------------------------------------


def report(name: str, met: Sequence[Visit], answers: Sequence[Answered]) -> None:
    """Print the figures of one set of readings, by group and over all; `<` marks a group below the aim."""
    print(f"\n{name}\n{'':32}{HEADER}")
    groups = dict.fromkeys(visit.group for visit in met)
    for group in groups:
        of_group = _of(group, met, answers)
        below = mean(a.covered for a in of_group) < SET_AIM
        print(f"{group:32}{figures(of_group)}{' <' if below else ''}")
    buses = [a for v, a in zip(met, answers, strict=True) if not v.group.startswith("small")]
    if buses:
        print(f"{'all without the small groups':32}{figures(buses)}")
        seen = [a for a in buses if a.truth.seen]
        print(f"{'  those that move a reading':32}{figures(seen)}")
    print("parameter: " + amount_figures(answers))
    print(f"a slip is named to be ruled out in {mean(a.doubted for a in answers):.3f}")
    wrong = Counter((a.truth.states[0], a.first) for a in answers if not a.right)
    print("most frequent errors: " + ", ".join(f"{t} as {f} {n}" for (t, f), n in wrong.most_common(8)))


def _of(group: str, met: Sequence[Visit], answers: Sequence[Answered]) -> list[Answered]:
    return [answer for visit, answer in zip(met, answers, strict=True) if visit.group == group]


def print_wrong(met: Sequence[Visit], answers: Sequence[Answered]) -> None:
    """Print what was sure and wrong, and the clashes, with their readings."""
    for visit, answer in zip(met, answers, strict=True):
        if answer.surely_wrong or answer.clash:
            beside = [f"{r['line']} {r['value']} at {r['at']}" for r in visit.beside]
            said = "clash" if answer.clash else f"{answer.first} {answer.surest:.2f}"
            print(f"  {visit.group}, {visit.truth.amount}: {said}; {list(visit.five.values())} {beside}")


def report_slips(met: Sequence[Visit]) -> None:
    """Print what becomes of sound buses when a reading is taken wrongly."""
    print(f"\nslips on sound buses\n{'':20}count  first right  noticed or under .7  of the wrong ones")
    for slip in SLIPS:
        answers = [asked(visit, FIVE, slip) for visit in met if slip in visit.slips]
        wrong = [answer for answer in answers if not answer.right]
        print(
            f"{slip:20}{len(answers):5d}  {mean(a.right for a in answers):11.3f}"
            f"  {mean(a.noticed for a in answers):19.3f}  {mean(a.noticed for a in wrong):17.3f}  "
            + ", ".join(f"{first} {n}" for first, n in Counter(a.first for a in wrong).most_common(4))
        )


def main() -> None:
    """Print every figure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--per-group", type=int, default=wide_ngspice.PER_GROUP)
    parser.add_argument("--group", help="only groups whose name holds this")
    parser.add_argument("--first-set-only", action="store_true", help="five readings, nothing else")
    parser.add_argument("--no-slips", action="store_true")
    parser.add_argument("--wrong", action="store_true", help="print what was sure and wrong, and the clashes")
    wanted = parser.parse_args()
    begun = time.perf_counter()
    met = wide_ngspice.visits(wanted.seed, wanted.per_group)
    met = [visit for visit in met if not wanted.group or wanted.group in visit.group]
    print(f"{len(met)} visits, seed {wanted.seed}: {time.perf_counter() - begun:.1f} s for ngspice")
    for name, (rows, scope) in SETS.items():
        answers = [asked(visit, rows, scope=scope) for visit in met]
        report(name, met, answers)
        if wanted.wrong:
            print_wrong(met, answers)
        if wanted.first_set_only:
            break
    if not wanted.no_slips:
        report_slips(met)
    print(f"\n{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
