"""How good the matcher is, beside other ways to find a case: Markdown tables.

python tests/bench/matching_quality.py [held-out] [own] [demo] [missing]

Right is a case of the same fault at the same kind of place. A twin is a case of the same model with the same fault at
the same kind of place and module; a look-alike one of the same model with the same codes and another fault. Cases of
equal score stand in an order drawn once; a look-alike of equal score has misled.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from matching_cases import (
    Asked,
    Library,
    Lot,
    demo_left_out,
    demo_library,
    held_out,
    held_out_lacking,
    left_out,
    library_of,
)
from matching_rivals import Ranker, codes_in_common, full_text, stories_alone

from casebase.match.evaluation.metrics import (
    above_every_look_alike,
    hit_at,
    ndcg_at,
    places_of_relevant,
    reciprocal_rank,
    share_of,
)
from casebase.match.evaluation.questions import Comparison, model_of, same_fault_same_kind_of_place
from casebase.match.facets.measure import WEIGHTS
from casebase.match.profile import Profile
from casebase.record.modules import family_of

WHAT: Final = ("held-out", "own", "demo", "missing")
HEAD: Final = ("way to find", "hit@1", "hit@3", "MRR", "nDCG@5", "above look-alikes")


@dataclass
class Seen:
    """What one ranker came to, question by question."""

    hits_at_1: list[bool] = field(default_factory=list)
    hits_at_3: list[bool] = field(default_factory=list)
    ranks: list[float] = field(default_factory=list)
    gains: list[float] = field(default_factory=list)
    above: list[bool] = field(default_factory=list)

    def take(self, scores: np.ndarray, right: np.ndarray, alike: np.ndarray) -> None:
        """Measure one answer; ties stand in an order drawn from a fixed seed."""
        drawn = np.random.default_rng(len(self.ranks)).random(len(scores))
        places = places_of_relevant(np.round(scores, 9) + 1e-10 * drawn, right)
        self.hits_at_1.append(hit_at(places, 1))
        self.hits_at_3.append(hit_at(places, 3))
        self.ranks.append(reciprocal_rank(places))
        self.gains.append(ndcg_at(places, int(right.sum())))
        above = above_every_look_alike(scores, right, alike)
        if above is not None:
            self.above.append(above)

    def cells(self, interval: bool) -> list[str]:
        """Return the figures, with the 95 % interval of the first and last where asked for."""
        first = share_of(np.array(self.hits_at_1))
        told = (
            f"{first.value:.2f} ({first.low:.2f} to {first.high:.2f})" if interval else f"{first.value:.2f}"
        )
        above = f"{np.mean(self.above):.2f}" if self.above else "-"
        return [
            told,
            f"{np.mean(self.hits_at_3):.2f}",
            f"{np.mean(self.ranks):.2f}",
            f"{np.mean(self.gains):.2f}",
            above,
        ]


@dataclass(frozen=True)
class Trial:
    """A library, questions put to it, and for each which cases are right, twins, look-alikes, of the same model."""

    library: Library
    asked: Sequence[Asked]

    def others(self, one: Asked) -> np.ndarray:
        """Return the cases that may answer: not the question's own."""
        return np.array([past.case_id != one.truth.case_id for past in self.library.pasts])

    def of(self, one: Asked) -> tuple[np.ndarray, ...]:
        """Return masks over the past cases: right, twin, look-alike, same model."""
        pasts, truth = self.library.pasts, one.truth
        same = np.array([model_of(past) == model_of(truth) for past in pasts])
        right = np.array([same_fault_same_kind_of_place(truth, past) for past in pasts])
        twin = same & np.array([_cause(past) == _cause(truth) for past in pasts])
        codes = {code.base for code in truth.codes}
        alike = np.array(
            [
                bool(codes)
                and past.fault not in (None, truth.fault)
                and {code.base for code in past.codes} == codes
                for past in pasts
            ]
        )
        return right, twin, same & alike, same


def _cause(profile: Profile) -> tuple[str | None, str | None, str | None]:
    module = family_of(profile.cause_module)
    return profile.fault, profile.cause_place, module


def rankers(library: Library) -> dict[str, Ranker]:
    """Return every way to find a case: the matcher, its facets alone and left out, and its rivals."""

    def by(weights: dict[str, float]) -> Ranker:
        order = np.array([weights.get(name, 0.0) for name in WEIGHTS])

        def scores(one: Asked) -> np.ndarray:
            compared = _compared(library, one)
            return compared.scores(np.array([order[list(WEIGHTS).index(part)] for part in compared.parts]))

        return scores

    full = dict(WEIGHTS)
    found = {"**all facets**": by(full)}
    found |= {f"{name} alone": by({name: 1.0}) for name in WEIGHTS}
    found |= {
        f"without {name}": by({key: value for key, value in full.items() if key != name}) for name in WEIGHTS
    }
    found["without readings and meaning"] = by(
        {key: value for key, value in full.items() if key not in ("readings", "meaning")}
    )
    found["full-text search (BM25)"] = full_text(library)
    found["codes in common"] = codes_in_common(library)
    found["stories alone (embeddings)"] = stories_alone(library)
    return found


_LAST: list[tuple[Library, Asked, Comparison]] = []
"""The question asked last: every way is asked in turn, and only one comparison has to be kept."""


def _compared(library: Library, one: Asked) -> Comparison:
    """Return a comparison, made once for all weights."""
    if not _LAST or _LAST[0][0] is not library or _LAST[0][1] is not one:
        _LAST[:] = [(library, one, library.compared(one.stuck))]
    return _LAST[0][2]


def tables(trial: Trial, ways: dict[str, Ranker]) -> None:
    """Print the figures over all questions, over those with a twin, and with the model's cases taken out."""
    kinds = ("all questions", "a twin is in the library", "no case of the same model is left")
    seen = {kind: {way: Seen() for way in ways} for kind in kinds}
    unanswerable = 0
    for one in trial.asked:
        right, twin, alike, same = trial.of(one)
        others = trial.others(one)
        unanswerable += not (right & others).any()
        for way, ranker in ways.items():
            scores = ranker(one)
            for kind, allowed in zip(kinds, (others, others, others & ~same), strict=True):
                counts = (right & allowed).any() and (kind != kinds[1] or (twin & others).any())
                if counts:
                    seen[kind][way].take(scores[allowed], right[allowed], alike[allowed])
    print(
        f"{len(trial.asked)} questions, {len(trial.library.pasts)} cases; {unanswerable} have no right case at all.\n"
    )
    for kind, found in seen.items():
        first = next(iter(found.values()))
        if not first.hits_at_1:
            continue
        print(f"**{kind}** ({len(first.hits_at_1)} questions, {len(first.above)} with a look-alike)\n")
        _print_rows([[way, *its.cells(way.startswith("**"))] for way, its in found.items()])


def missing_table(library: Library, lot: Lot) -> None:
    """Print what becomes of the answers where parts of the job are missing."""
    rows = []
    ways = {"all facets": rankers(library)["**all facets**"], "BM25": full_text(library)}
    for what, asked in {"nothing missing": held_out(lot, library), **held_out_lacking(lot, library)}.items():
        trial, seen = Trial(library, asked), {way: Seen() for way in ways}
        for one in asked:
            right, _, alike, _ = trial.of(one)
            if right.any():
                for way, ranker in ways.items():
                    seen[way].take(ranker(one), right, alike)
        rows.append([what, *seen["all facets"].cells(False), seen["BM25"].cells(False)[0]])
    _print_rows(rows, ("the job has", *HEAD[1:], "BM25, hit@1"))


def _print_rows(rows: Sequence[Sequence[str]], head: Sequence[str] = HEAD) -> None:
    for row in (head, ["---"] * len(head), *rows):
        print(f"| {' | '.join(row)} |")
    print()


def main(wanted: Sequence[str]) -> None:
    """Print the tables wanted."""
    lot = Lot()
    if {"held-out", "own", "missing"} & set(wanted):
        library = library_of(lot)
        ways = rankers(library)
        if "held-out" in wanted:
            print("### Jobs held out\n")
            tables(Trial(library, held_out(lot, library)), ways)
        if "own" in wanted:
            print("### The library's own cases, each left out in turn\n")
            tables(Trial(library, left_out(lot, library)), ways)
        if "missing" in wanted:
            print("### Jobs held out, with parts missing\n")
            missing_table(library, lot)
    if "demo" in wanted:
        print("### The demonstration's own cases, each left out in turn\n")
        demo = demo_library()
        tables(Trial(demo, demo_left_out(demo)), rankers(demo))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="How good the matcher is.")
    parser.add_argument("what", nargs="*", choices=[*WHAT, []], default=list(WHAT))
    main(parser.parse_args().what or WHAT)
