"""What the weights are worth on a library's own solved cases, on the screen and as plain data."""

from __future__ import annotations

from typing import Any, Final

from casebase.match.evaluation.evaluate import Evaluation, Figures, Worth
from casebase.match.evaluation.fitting import Fit, HeldOut
from casebase.match.evaluation.metrics import Estimate
from casebase.match.evaluation.questions import CAUSE, MODEL
from casebase.terminal.page import Page

SMALL_BELOW: Final = 100
"""Fewer questions than this leave a share open by .1 and more either way (Wilson's interval)."""

LEAST_SHOWN: Final = 0.005
"""What a figure of two digits shows as more than 0."""

_DIGITS: Final = 4
_SPLIT_WORDS: Final = {MODEL: "models not seen", CAUSE: "causes not seen"}
_PART: Final = 12


def print_evaluation(evaluation: Evaluation, page: Page, fitted: Fit | None = None) -> None:
    """Print what was asked, what was found, what each part is worth and, where weights were fitted, these too."""
    _print_asked(evaluation, page)
    _print_found(evaluation, page)
    _print_worth(evaluation.worth, page)
    _print_meant(evaluation, page)
    if fitted is not None:
        _print_fit(fitted, page)


def evaluation_data(evaluation: Evaluation, fitted: Fit | None = None) -> dict[str, Any]:
    """Return the evaluation as plain data: what `--json` prints."""
    others = evaluation.on_other_models
    return {
        "asked": evaluation.asked,
        "unanswerable": evaluation.unanswerable,
        "cases": evaluation.cases,
        "full": _figures_data(evaluation.full),
        "on_other_models": None if others is None else _figures_data(others),
        "facets": {
            worth.part: {
                "weight": round(worth.weight, _DIGITS),
                "told_in": worth.told_in,
                "alone": _figures_data(worth.alone),
                "without": _figures_data(worth.without),
                "adds_mrr": _estimate_data(worth.adds),
            }
            for worth in evaluation.worth
        },
        "fit": None if fitted is None else _fit_data(fitted),
    }


# --- what was found -----------------------------------------------------------------------------------------------


def _print_asked(evaluation: Evaluation, page: Page) -> None:
    page.heading("What was asked")
    page.line(
        f"{evaluation.asked} solved cases, each asked again as a stuck job among {evaluation.cases} cases: its cause,"
        " fix, verification and everything after the fix hidden, its own record left out.",
        2,
    )
    page.line(
        "A past case counts as right if it had the same fault at the same kind of place. Of equal likeness, the right"
        " case is counted last.",
        2,
    )
    if evaluation.unanswerable:
        page.line(
            f"Without such a case here, and left out: {evaluation.unanswerable}. Left to be measured:"
            f" {evaluation.full.questions}.",
            2,
        )


def _print_found(evaluation: Evaluation, page: Page) -> None:
    full = evaluation.full
    page.heading("How often a right case was found (in brackets: 95 % interval)")
    for words, estimate in (
        ("first", full.hit_at_1),
        ("among the first 3", full.hit_at_3),
        ("among the first 5", full.hit_at_5),
        ("mean of 1 / place (MRR)", full.mrr),
        ("order of the first 5 (nDCG@5)", full.ndcg_at_5),
    ):
        page.line(f"{words:<34}{_shown(estimate)}", 2)
    if full.above_look_alikes is not None:
        asked = f"{full.with_look_alikes} question{'' if full.with_look_alikes == 1 else 's'}"
        page.line(f"{'above every look-alike':<34}{_shown(full.above_look_alikes)}  {asked}", 2)
        page.line("(same model, a code in common, another fault)", 4)
    others = evaluation.on_other_models
    if others is not None:
        page.line(f"{'first, no case of that model left':<34}{_shown(others.hit_at_1)}  {_of(others)}", 2)


def _print_worth(worth: list[Worth], page: Page) -> None:
    page.heading("What each part is worth")
    page.line(f"{'':<{_PART}}{'':>6}{'':>7}{'alone':>13}{'left out':>14}{'':>3}adds to MRR", 2)
    page.line(
        f"{'part':<{_PART}}{'weight':>6}{'told':>7}{'first':>7}{'MRR':>6}{'first':>8}{'MRR':>6}{'':>3}(95 % interval)",
        2,
    )
    for each in sorted(worth, key=lambda each: -each.weight):
        page.line(
            f"{each.part[: _PART - 1]:<{_PART}}{each.weight:>6.2f}{each.told_in:>7}"
            f"{each.alone.hit_at_1.value:>7.2f}{each.alone.mrr.value:>6.2f}"
            f"{each.without.hit_at_1.value:>8.2f}{each.without.mrr.value:>6.2f}{'':>3}{_change(each.adds)}",
            2,
        )
    page.line(
        "told: the questions in which the part could be compared with any case. adds: MRR of all parts less MRR without"
        " this one.",
        2,
    )


def _print_meant(evaluation: Evaluation, page: Page) -> None:
    page.heading("What that means")
    full = evaluation.full
    page.line(
        f"{_of(full).capitalize()}: for the jobs to come, a right case first may be anything from"
        f" {full.hit_at_1.low:.2f} to {full.hit_at_1.high:.2f}.",
        2,
    )
    page.line(_surely_words(evaluation.worth), 2)
    if full.questions < SMALL_BELOW:
        page.line(
            "This is a small library: one case more or less moves every figure. Cases of one fault also help one"
            " another, so the true intervals are rather wider. Use it to find a part that does harm, not to tune.",
            2,
        )


def _surely_words(worth: list[Worth]) -> str:
    helps = [each.part for each in worth if each.adds.low >= LEAST_SHOWN]
    harms = [each.part for each in worth if each.adds.high <= -LEAST_SHOWN]
    told = [f"{words}: {', '.join(parts)}" for words, parts in (("help", helps), ("do harm", harms)) if parts]
    if not told:
        return "These questions cannot show of any part whether it helps: every interval reaches 0."
    return f"Beyond chance these {'; these '.join(told)}. Of the other parts these questions cannot tell."


# --- fitted weights -----------------------------------------------------------------------------------------------


def _print_fit(fitted: Fit, page: Page) -> None:
    page.heading(f"Weights fitted on {fitted.questions} of these questions")
    page.line(f"{'part':<{_PART}}{'in use':>8}{'fitted':>8}", 2)
    for part, weight in sorted(fitted.defaults.items(), key=lambda item: -item[1]):
        page.line(f"{part[: _PART - 1]:<{_PART}}{weight:>8.2f}{fitted.weights[part]:>8.2f}", 2)
    page.heading("Do they hold for what they have not seen? (MRR)")
    page.line(f"{'':<26}{'in use':>8}{'fitted':>8}{'equal':>8}   fitted less in use", 2)
    seen = (fitted.seen_defaults.mrr.value, fitted.seen_fitted.mrr.value)
    page.line(f"{'the questions fitted on':<26}{seen[0]:>8.2f}{seen[1]:>8.2f}", 2)
    for held_out in fitted.held_out:
        _print_held_out(held_out, page)
    page.line(_verdict(fitted), 2)
    page.line(_use(fitted), 2)


def _print_held_out(held_out: HeldOut, page: Page) -> None:
    words = f"{_SPLIT_WORDS[held_out.split]} ({held_out.groups})"
    values = "".join(
        f"{figures.mrr.value:>8.2f}" for figures in (held_out.defaults, held_out.fitted, held_out.equal)
    )
    page.line(f"{words:<26}{values}   {_change(held_out.gain)}", 2)
    for told, change in (
        ("right first, with a twin", held_out.with_twin),
        ("right first, without", held_out.without_twin),
    ):
        if change is not None:
            page.line(f"{told:<24}{'':>24}   {_change(change)}", 4)


def _verdict(fitted: Fit) -> str:
    lacking = [
        words for split, words in _SPLIT_WORDS.items() if split not in {h.split for h in fitted.held_out}
    ]
    if lacking:
        return (
            f"Nothing could be held back for {' and '.join(lacking)}: this library cannot show whether the fitted"
            " weights are any better."
        )
    if fitted.better:
        return (
            "The fitted weights did better on models and causes they had not seen, beyond chance, and lost nothing with"
            " a case of the same model there, nor without."
        )
    return (
        "The fitted weights did not do better, beyond chance, on models and causes they had not seen, both with a case"
        " of the same model (a twin) there and without."
    )


def _use(fitted: Fit) -> str:
    if fitted.better:
        return "To use them here: casebase evaluate --fit --keep. Until then nothing has changed."
    return "Keep the weights in use; nothing has changed. (casebase evaluate --fit --keep would store these anyway.)"


def _fit_data(fitted: Fit) -> dict[str, Any]:
    return {
        "questions": fitted.questions,
        "weights_in_use": _rounded(fitted.defaults),
        "weights": _rounded(fitted.weights),
        "strength": fitted.strength,
        "better_on_unseen": fitted.better,
        "seen": {"in_use": _figures_data(fitted.seen_defaults), "fitted": _figures_data(fitted.seen_fitted)},
        "held_out": {
            each.split: {
                "groups": each.groups,
                "folds": each.folds,
                "strengths": list(each.strengths),
                "in_use": _figures_data(each.defaults),
                "fitted": _figures_data(each.fitted),
                "equal": _figures_data(each.equal),
                "gain_mrr": _estimate_data(each.gain),
                "gain_first_with_twin": None if each.with_twin is None else _estimate_data(each.with_twin),
                "gain_first_without_twin": None
                if each.without_twin is None
                else _estimate_data(each.without_twin),
            }
            for each in fitted.held_out
        },
    }


# --- figures ------------------------------------------------------------------------------------------------------


def _shown(estimate: Estimate) -> str:
    return f"{estimate.value:.2f} ({estimate.low:.2f} to {estimate.high:.2f})"


def _change(estimate: Estimate) -> str:
    return f"{estimate.value:+.2f} ({estimate.low:+.2f} to {estimate.high:+.2f})"


def _of(figures: Figures) -> str:
    return f"{figures.questions} question{'' if figures.questions == 1 else 's'}"


def _figures_data(figures: Figures) -> dict[str, Any]:
    above = figures.above_look_alikes
    return {
        "questions": figures.questions,
        "hit_at_1": _estimate_data(figures.hit_at_1),
        "hit_at_3": _estimate_data(figures.hit_at_3),
        "hit_at_5": _estimate_data(figures.hit_at_5),
        "mrr": _estimate_data(figures.mrr),
        "ndcg_at_5": _estimate_data(figures.ndcg_at_5),
        "with_look_alikes": figures.with_look_alikes,
        "above_look_alikes": None if above is None else _estimate_data(above),
    }


def _estimate_data(estimate: Estimate) -> dict[str, float]:
    return {
        "value": round(estimate.value, _DIGITS),
        "low": round(estimate.low, _DIGITS),
        "high": round(estimate.high, _DIGITS),
    }


def _rounded(weights: dict[str, float]) -> dict[str, float]:
    return {part: round(weight, _DIGITS) for part, weight in weights.items()}
