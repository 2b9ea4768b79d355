"""Where the default weights come from: fitted on one invented fleet, and what several sets find there and elsewhere.

python tests/bench/matching_weights.py [--questions 900]
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from matching_cases import Lot, held_out, left_out, library_of
from matching_quality import Trial

from casebase.match.evaluation.evaluate import Outcomes, figures, gain, outcomes_of
from casebase.match.evaluation.fitting import Fit, fit
from casebase.match.evaluation.metrics import Estimate
from casebase.match.evaluation.questions import CAUSE, MODEL, Question, model_of, weights_in_order
from casebase.match.facets.measure import WEIGHTS

JUDGED: Final = {
    "meaning": 0.28,
    "readings": 0.26,
    "silence": 0.13,
    "symptoms": 0.12,
    "codes": 0.08,
    "vehicle": 0.07,
    "network": 0.06,
}
"""What a technician would say, before anything was measured."""

EQUAL: Final = dict.fromkeys(WEIGHTS, 1 / len(WEIGHTS))

FITTED_ON: Final = Lot(3000, 3, fleet=2)
LOOKED_AT: Final = Lot(3000, 1, fleet=1)
NOT_LOOKED_AT: Final = Lot(3000, 5, fleet=3)
"""The weights in use were chosen by what they find on the first two; the third was made after the choice."""

HEAD: Final = (
    "questions",
    "weights",
    "hit@1",
    "hit@3",
    "MRR",
    "above look-alikes",
    "MRR above the judged ones'",
)


def questions_of(trial: Trial) -> list[Question]:
    """Return the questions of a trial that have an answer, as fitting wants them."""
    pasts = trial.library.pasts
    groups = {
        MODEL: np.array([model_of(past) for past in pasts]),
        CAUSE: np.array([past.fault or "" for past in pasts]),
    }
    found = []
    for one in trial.asked:
        right, _, alike, _ = trial.of(one)
        own = {MODEL: model_of(one.truth), CAUSE: one.truth.fault or ""}
        compared = trial.library.compared(one.stuck)
        found.append(Question(compared, right, own, alike, trial.others(one), groups))
    return [question for question in found if question.answerable]


def trials(questions: int) -> Iterator[tuple[str, Trial]]:
    """Yield every set of questions with its name, one library at a time."""
    for name, lot in (
        ("fleet 2, fitted on", FITTED_ON),
        ("fleet 1, looked at for the choice", LOOKED_AT),
        ("fleet 3, not looked at", NOT_LOOKED_AT),
    ):
        library = library_of(lot)
        yield name, Trial(library, left_out(lot, library, questions))
        if lot == LOOKED_AT:
            yield "fleet 1, jobs held out, not looked at", Trial(library, held_out(lot, library))


def print_fit(fitted: Fit) -> None:
    """Print the fitted weights, and what fitting was worth on groups that it had not seen."""
    ordered = sorted(fitted.weights.items(), key=lambda item: -item[1])
    told = ", ".join(f"{name} {weight:.2f}" for name, weight in ordered)
    print(f"Fitted from the judged weights, strength {fitted.strength:g}: {told}\n")
    rows = [
        [
            f"{held.split}s not seen",
            str(held.groups),
            f"{held.defaults.mrr.value:.3f}",
            f"{held.fitted.mrr.value:.3f}",
            f"{held.equal.mrr.value:.3f}",
            _interval(held.gain),
        ]
        for held in fitted.held_out
    ]
    print_rows(
        rows, ("held back", "groups", "judged, MRR", "fitted, MRR", "equal, MRR", "fitted above judged")
    )


def rows_of(
    name: str, questions: Sequence[Question], sets: Mapping[str, Mapping[str, float]]
) -> list[list[str]]:
    """Return what each set of weights finds, one row each."""
    parts = questions[0].comparison.parts
    columns = np.column_stack([weights_in_order(weights, parts) for weights in sets.values()])
    found = dict(zip(sets, outcomes_of(questions, columns), strict=True))
    return [_row(name, weights, found[weights], found["judged"]) for weights in sets]


def _row(name: str, weights: str, outcomes: Outcomes, judged: Outcomes) -> list[str]:
    its = figures(outcomes)
    above = its.above_look_alikes
    return [
        f"{name} ({its.questions})",
        weights,
        f"{its.hit_at_1.value:.3f}",
        f"{its.hit_at_3.value:.3f}",
        f"{its.mrr.value:.3f}",
        f"{above.value:.3f}" if above else "-",
        "-" if outcomes is judged else _interval(gain(outcomes, judged)),
    ]


def _interval(estimate: Estimate) -> str:
    return f"{estimate.value:+.3f} ({estimate.low:+.3f} to {estimate.high:+.3f})"


def print_rows(rows: Sequence[Sequence[str]], head: Sequence[str]) -> None:
    """Print a table in Markdown."""
    for row in (head, ["---"] * len(head), *rows):
        print(f"| {' | '.join(row)} |")
    print()


def main(questions: int) -> None:
    """Print the fit and the table."""
    rows: list[list[str]] = []
    sets: dict[str, Mapping[str, float]] = {"judged": JUDGED, "in use": WEIGHTS, "equal": EQUAL}
    for name, trial in trials(questions):
        asked = questions_of(trial)
        if "fitted" not in sets:
            fitted = fit(asked, JUDGED)
            print_fit(fitted)
            sets["fitted"] = fitted.weights
        rows += rows_of(name, asked, sets)
    print_rows(rows, HEAD)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Where the default weights come from.")
    parser.add_argument("--questions", type=int, default=900)
    main(parser.parse_args().questions)
