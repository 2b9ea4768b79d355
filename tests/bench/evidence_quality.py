"""How good the whole answer is, on simulated fleets: the cases found, the causes, normal jobs, local faults.

python tests/bench/evidence_quality.py [--fleet 0 1] [--records 1200] [--share 1.0] [--lacking "no codes"]

Right is a case of the same fault at the same kind of place. A twin is a case of the same model with the same fault,
place and module, a look-alike one of the same model with the same codes and another fault; a look-alike of equal score
has misled. The first table takes the jobs that have a twin, with it and with all their twins taken out, and those that
have none. Causes: log loss in bits, what is not listed shared out evenly among the faults not listed; calibration error
in five bins of the first cause, and of every cause listed.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from evidence_fleets import JOBS, RECORDS, Fleet, Said, Told
from matching_cases import as_asked
from matching_rivals import Ranker, codes_in_common, full_text
from scores import LEAST, calibration_error
from synthetic_jobs import PARTS
from synthetic_records import BOTH, FAULT, LOCAL, NORMAL

from casebase.match.evaluation.questions import same_fault_same_kind_of_place
from casebase.record.case import Case
from casebase.record.code_meaning import Statement
from casebase.record.modules import family_of
from casebase.record.vocabulary import Fault

BINS: Final = 5
FIRST, FIRST_FEW, GAIN_OF = 1, 3, 5
NOTHING_WRONG: Final = frozenset(map(str, (Fault.NONE, Fault.GATEWAY_ISOLATION_NORMAL)))
LOCAL_FAULTS: Final = frozenset(map(str, (Fault.SENSOR_OR_ACTUATOR, Fault.MODULE_SUPPLY_OR_GROUND)))
FAULTS: Final = len(Fault)

Ranked = Sequence[tuple[str, float]]
Row = Sequence[str]


# --- the cases found ----------------------------------------------------------------------------------------------


def found_table(fleet: Fleet, told: Sequence[Told]) -> None:
    """Print hit@1, hit@3, nDCG@5 and the share above look-alikes, of casebase and of its rivals."""
    right = _right_cases(fleet, told)
    rivals = {
        way: _rankings(fleet, told, ranker)
        for way, ranker in (
            ("BM25", full_text(fleet.library)),
            ("codes in common", codes_in_common(fleet.library)),
        )
    }
    faulty = [one for one in told if one.kind in (FAULT, LOCAL)]
    groups = {
        "a twin is there": ([one for one in faulty if one.one.twins], False),
        "its twins taken out": ([one for one in faulty if one.one.twins], True),
        "never had one": ([one for one in faulty if not one.one.twins], True),
        "no twin, both kinds": (faulty, True),
    }
    rows = []
    for name, (jobs, without) in groups.items():
        ways: dict[str, Callable[[Told], Ranked]] = {
            "casebase": lambda one, out=without: (one.without_twins if out else one.whole).cases,
            **{way: _by_rival(rankings, without) for way, rankings in rivals.items()},
        }
        for way, ranked in ways.items():
            rows.append([name, way, *_found_cells(jobs, ranked, right, without)])
    _print_rows(("jobs", "way", "n", "hit@1", "hit@3", "nDCG@5", "above look-alikes (n)"), rows)


def _right_cases(fleet: Fleet, told: Sequence[Told]) -> dict[str, set[str]]:
    pasts = fleet.library.pasts
    asked = {str(one.one.job.id): as_asked(one.one).truth for one in told}
    return {
        job: {past.case_id for past in pasts if same_fault_same_kind_of_place(truth, past)}
        for job, truth in asked.items()
    }


def _rankings(fleet: Fleet, told: Sequence[Told], ranker: Ranker) -> dict[str, Ranked]:
    """Return every case as a rival ranks it, by job; ties stand in an order drawn once."""
    pasts = fleet.library.pasts
    drawn = np.random.default_rng(0).random(len(pasts))
    found: dict[str, Ranked] = {}
    for one in told:
        scores = ranker(as_asked(one.one))
        order = np.lexsort((drawn, -np.round(scores, 9)))
        found[str(one.one.job.id)] = [(pasts[row].case_id, float(scores[row])) for row in order]
    return found


def _by_rival(rankings: dict[str, Ranked], without: bool) -> Callable[[Told], Ranked]:
    def ranked(one: Told) -> Ranked:
        gone = set(one.one.twins) if without else set()
        return [(case, score) for case, score in rankings[str(one.one.job.id)] if case not in gone]

    return ranked


def _found_cells(
    jobs: Sequence[Told], ranked: Callable[[Told], Ranked], right: dict[str, set[str]], without: bool
) -> Row:
    first, few, gains, above = [], [], [], []
    for one in jobs:
        wanted = right[str(one.one.job.id)] - (set(one.one.twins) if without else set())
        if not wanted:
            continue
        cases = ranked(one)
        hits = [case in wanted for case, _ in cases]
        first.append(any(hits[:FIRST]))
        few.append(any(hits[:FIRST_FEW]))
        gains.append(_gain(hits, len(wanted)))
        if one.one.look_alikes:
            above.append(_is_above(cases, wanted, set(one.one.look_alikes)))
    if not first:
        return ["0", "-", "-", "-", "-"]
    told = [f"{np.mean(values):.3f}" for values in (first, few, gains)]
    return [str(len(first)), *told, f"{np.mean(above):.3f} ({len(above)})" if above else "-"]


def _gain(hits: Sequence[bool], wanted: int) -> float:
    """Return nDCG@5, every right case counting 1 (Järvelin and Kekäläinen 2002)."""
    discounts = 1.0 / np.log2(np.arange(2, GAIN_OF + 2))
    got = np.zeros(GAIN_OF)
    got[: len(hits[:GAIN_OF])] = hits[:GAIN_OF]
    return float((discounts * got).sum() / discounts[: min(wanted, GAIN_OF)].sum())


def _is_above(cases: Ranked, wanted: set[str], alike: set[str]) -> bool:
    best = max((score for case, score in cases if case in wanted), default=0.0)
    rival = max((score for case, score in cases if case in alike - wanted), default=-1.0)
    return best > max(rival, 0.0)


# --- the causes ---------------------------------------------------------------------------------------------------


def causes_table(told: Sequence[Told]) -> None:
    """Print log loss, calibration and how far up the true cause stands, with a twin and without."""
    faulty = [one for one in told if one.kind in (FAULT, LOCAL)]
    rows = []
    for name, said in (
        ("a twin is there", [(one, one.whole) for one in faulty if one.one.twins]),
        ("its twins taken out", [(one, one.without_twins) for one in faulty if one.one.twins]),
        ("no twin, both kinds", [(one, one.without_twins) for one in faulty]),
        ("as they come", [(one, one.whole) for one in faulty]),
    ):
        rows.append([name, "fault", *_cause_cells(said, with_module=False)])
        rows.append([name, "fault and module", *_cause_cells(said, with_module=True)])
    head = ("jobs", "cause", "n", "bits", "said first", "right first", "ECE first", "ECE every", "in 3")
    _print_rows(head, rows)


def _cause_cells(said: Iterable[tuple[Told, Said]], with_module: bool) -> Row:
    bits, firsts, every, few = [], [], [], []
    for one, answer in said:
        ranked = _by_cause(answer, with_module)
        true = (one.fault, one.family if with_module else None)
        share = ranked.get(true, max(answer.rest, 0.0) / (FAULTS - len({fault for fault, _ in ranked})))
        bits.append(-np.log2(max(share, LEAST)))
        ordered = sorted(ranked.items(), key=lambda item: -item[1])
        every += [(min(probability, 1.0), cause == true) for cause, probability in ordered]
        if ordered:
            firsts.append((min(ordered[0][1], 1.0), ordered[0][0] == true))
        few.append(true in [cause for cause, _ in ordered[:FIRST_FEW]])
    mean = [f"{np.mean(bits):.2f}", *(f"{value:.3f}" for value in np.mean(firsts, axis=0))]
    errors = [f"{calibration_error(pairs, BINS):.3f}" for pairs in (firsts, every)]
    return [str(len(bits)), *mean, *errors, f"{np.mean(few):.3f}"]


def _by_cause(answer: Said, with_module: bool) -> dict[tuple[str, str | None], float]:
    found: dict[tuple[str, str | None], float] = {}
    for cause in answer.causes:
        key = (cause.fault, cause.family if with_module else None)
        found[key] = found.get(key, 0.0) + cause.probability
    return found


# --- nothing wrong, and local faults ------------------------------------------------------------------------------


def normal_table(told: Sequence[Told]) -> None:
    """Print how often "nothing wrong" is said where it is true, and where it is not."""
    rows = []
    for kind in (NORMAL, FAULT, LOCAL):
        jobs = [one for one in told if one.kind == kind and one.fault != str(Fault.GATEWAY_ISOLATION_NORMAL)]
        ways = (
            [one.whole.looks_normal for one in jobs],
            [_first_is_nothing(one.whole) for one in jobs],
            [one.whole.looks_normal or _first_is_nothing(one.whole) for one in jobs],
        )
        rows.append([kind, str(len(jobs)), *(f"{np.mean(said):.3f}" for said in ways)])
    _print_rows(("jobs", "n", "looks normal", "first cause: nothing wrong", "either"), rows)


def _first_is_nothing(answer: Said) -> bool:
    return bool(answer.causes) and answer.causes[0].fault in NOTHING_WRONG


def local_table(told: Sequence[Told]) -> None:
    """Print where the local fault stands among the causes, and how often its code is told to wait."""
    jobs = [one for one in told if one.kind == LOCAL]
    rows = []
    for name, said in (
        ("as they come", [(one, one.whole) for one in jobs]),
        ("twins taken out", [(one, one.without_twins) for one in jobs]),
    ):
        places = [_place_of(one, answer) for one, answer in said]
        waits = [bool(own & answer.set_apart) for one, answer in said if (own := _own_codes(one))]
        shares = [np.mean([place <= most for place in places]) for most in (1, 2, 3)]
        rows.append([name, str(len(said)), *(f"{share:.3f}" for share in shares), f"{np.mean(waits):.3f}"])
    _print_rows(("local faults", "n", "first", "first two", "first three", "its code is told to wait"), rows)


def both_table(told: Sequence[Told]) -> None:
    """Print how often a fault of the network is listed among the causes, and a local one there or as one beside it."""
    jobs = [one for one in told if one.kind == BOTH]
    rows = []
    for name, said in (
        ("all", jobs),
        ("the local code is read", [one for one in jobs if _codes_of_second(one)]),
    ):
        network = [any(cause.fault == one.fault for cause in one.whole.causes) for one in said]
        local = [_second_is_listed(one) for one in said]
        both = [first and second for first, second in zip(network, local, strict=True)]
        shares = [f"{np.mean(values):.3f}" if values else "-" for values in (network, local, both)]
        rows.append([name, str(len(said)), *shares])
    _print_rows(("network and local fault", "n", "network named", "local named", "both named"), rows)


def _second_is_listed(one: Told) -> bool:
    families = _families_of_second(one)
    listed = any(cause.fault in LOCAL_FAULTS and cause.family in families for cause in one.whole.causes)
    return listed or bool(families & one.whole.beside)


def _families_of_second(one: Told) -> set[str | None]:
    return {family_of(cause.module) for cause in one.one.truth.more_causes}


def _codes_of_second(one: Told) -> set[str]:
    families = _families_of_second(one)
    return {code for family in families for code in _codes_of_circuits(one.one.job, family)}


def _own_codes(one: Told) -> set[str]:
    """Return the codes that the module of the fault stores of itself."""
    return _codes_of_circuits(one.one.job, one.family)


def _codes_of_circuits(job: Case, family: str | None) -> set[str]:
    return {
        entry.code.text
        for entry in job.codes
        if family_of(entry.module) == family and entry.code.statement in (Statement.CIRCUIT, Statement.OTHER)
    }


def _place_of(one: Told, answer: Said) -> int:
    """Return the place among the causes of a fault of that module's circuits; beyond all where it is not listed."""
    places = [
        place
        for place, cause in enumerate(answer.causes, 1)
        if cause.fault in LOCAL_FAULTS and cause.family == one.family
    ]
    return min(places, default=len(answer.causes) + FAULTS)


def _print_rows(head: Row, rows: Iterable[Row]) -> None:
    for row in (head, ["---"] * len(head), *rows):
        print(f"| {' | '.join(row)} |")
    print(flush=True)


def main(arguments: argparse.Namespace) -> None:
    """Print every table of every fleet asked for."""
    for number in arguments.fleet:
        begun = time.process_time()
        fleet = Fleet(number, arguments.records, arguments.share, arguments.lacking)
        told = fleet.told()
        with_twin = sum(bool(one.one.twins) for one in told)
        print(
            f"### Fleet {number}: {len(fleet.library.cases)} records, {len(told)} jobs, {with_twin} with a twin\n"
        )
        found_table(fleet, told)
        causes_table(told)
        normal_table(told)
        local_table(told)
        both_table(told)
        print(f"{time.process_time() - begun:.0f} s of processor time\n")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="How good the whole answer is, on simulated fleets.")
    parser.add_argument("--fleet", type=int, nargs="+", default=[0], choices=range(8))
    parser.add_argument("--records", type=int, default=RECORDS)
    parser.add_argument("--share", type=float, default=1.0, help=f"of the {sum(JOBS.values())} jobs")
    parser.add_argument("--lacking", choices=PARTS, help="take a part of every job away first")
    main(parser.parse_args())
