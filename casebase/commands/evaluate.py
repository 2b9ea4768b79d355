"""The command that asks the solved cases again."""

from __future__ import annotations

from typing import Annotated

import typer

from casebase.commands.opening import means_to_compare, open_library
from casebase.commands.shared import JsonOption, LibraryOption, own_page, print_json
from casebase.library.store import Library
from casebase.match.evaluation.asking import questions_of
from casebase.match.evaluation.evaluate import evaluate as evaluated
from casebase.match.evaluation.fitting import fit as fitted_weights
from casebase.match.evaluation.questions import Question
from casebase.terminal.evaluation import evaluation_data, print_evaluation
from casebase.terminal.page import Counted


def evaluate(  # noqa: PLR0913, PLR0917  one parameter per option
    fit: Annotated[
        bool,
        typer.Option("--fit", help="Also fit the weights of the facets, and say whether they are better."),
    ] = False,
    keep: Annotated[bool, typer.Option("--keep", help="Keep the fitted weights for this library.")] = False,
    usual: Annotated[bool, typer.Option("--usual", help="Go back to the usual weights.")] = False,
    most: Annotated[
        int, typer.Option("--most", min=10, max=5000, help="How many cases are asked again.")
    ] = 300,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Test the matching on the solved cases, and show what each facet is worth.

    Every solved case is put to the library as if it were still stuck: is a case of the same fault, at the same kind of
    place, among the first?

    Example: casebase evaluate --library shop.db --fit
    """
    with open_library(library) as kept:
        if usual:
            kept.keep_weights(None)
        questions = _questions(kept, most)
        weights = kept.measure().weights
        fitted = fitted_weights(questions, weights, Counted("Fitting").tell) if fit or keep else None
        evaluation = evaluated(questions, weights)
        if keep and fitted is not None:
            kept.keep_weights(fitted.weights)
    if json:
        return print_json(evaluation_data(evaluation, fitted))
    return print_evaluation(evaluation, own_page(), fitted)


def _questions(library: Library, most: int) -> list[Question]:
    means = means_to_compare()
    collection = library.collection(means)
    tell = Counted("Asking the solved cases again").tell
    return questions_of(
        collection, lambda case_id: library.get(case_id).case, means.buses, means.embedder, most, tell
    )
