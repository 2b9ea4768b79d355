"""The commands that compare: a stuck job with the past cases, and the past cases with one another."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from casebase.commands.shared import (
    JsonOption,
    LibraryOption,
    TextModelAhead,
    job_named,
    means_to_compare,
    open_library,
    own_page,
    print_json,
)

if TYPE_CHECKING:
    from casebase.library.store import Library
    from casebase.match.evaluation.evaluate import Evaluation
    from casebase.match.evaluation.fitting import Fit
    from casebase.match.evaluation.questions import Question
    from casebase.match.index.collection import Narrowing
    from casebase.record.case import Case


def similar(  # noqa: PLR0913, PLR0917  one parameter per way to narrow down
    job: Annotated[
        str, typer.Argument(metavar="FILE|ID", help="A record file of the stuck job, or a case ID.")
    ],
    most: Annotated[int, typer.Option("--most", min=1, max=200, help="How many cases.")] = 5,
    explain: Annotated[
        str | None,
        typer.Option("--explain", metavar="ID", help="Every facet of the comparison with this case."),
    ] = None,
    medium: Annotated[str | None, typer.Option(help="Only cases on this medium.")] = None,
    make: Annotated[str | None, typer.Option(help="Only of this make.")] = None,
    status: Annotated[str | None, typer.Option(help="Only such as 'fixed, verified'.")] = None,
    shop: Annotated[str | None, typer.Option(help="Only from this shop.")] = None,
    since: Annotated[str | None, typer.Option(metavar="DAY", help="Only ended on this day or later.")] = None,
    until: Annotated[
        str | None, typer.Option(metavar="DAY", help="Only ended on this day or before.")
    ] = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Find the cases most like a job.

    And with them the likely causes, the next test, and what is normal on this vehicle.

    Example: casebase similar job.yaml --since 2024-01-01
    """
    ahead = TextModelAhead()  # before all that takes its time to be imported
    from casebase.commands.shared import narrowing_of  # noqa: PLC0415

    narrowing = narrowing_of(medium=medium, make=make, status=status, shop=shop, since=since, until=until)
    with open_library(library) as kept:
        stuck = job_named(job, kept)
        if explain is not None:
            return _explain(kept, stuck, explain, json, ahead)
        return print_similar(kept, stuck, most, json, narrowing, ahead)


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
    """Ask the solved cases again, and tell what each facet is worth.

    Every solved case is put to the library as if it were still stuck: is a case of the same fault, at the same kind of
    place, among the first?

    Example: casebase evaluate --library shop.db --fit
    """
    from casebase.terminal.evaluation import evaluation_data, print_evaluation  # noqa: PLC0415

    with open_library(library) as kept:
        if usual:
            kept.keep_weights(None)
        questions = _questions(kept, most)
        evaluation, fitted = _evaluated(kept, questions, fit or keep)
        if keep and fitted is not None:
            kept.keep_weights(fitted.weights)
    if json:
        return print_json(evaluation_data(evaluation, fitted))
    return print_evaluation(evaluation, own_page(), fitted)


def print_similar(  # noqa: PLR0913, PLR0917  the job, the cases, and how to compare and to print
    library: Library,
    job: Case,
    most: int,
    json: bool,
    narrowing: Narrowing | None = None,
    ahead: TextModelAhead | None = None,
) -> None:
    """Print what is said to a stuck job; `ahead` may have the text model open already."""
    from casebase.match.answer.answer import answer_data, answer_to  # noqa: PLC0415
    from casebase.match.index.collection import EVERY_CASE  # noqa: PLC0415
    from casebase.terminal.answer import print_answer  # noqa: PLC0415

    means = means_to_compare(ahead)
    collection = library.collection(means)
    answer = answer_to(
        job, collection, most, means.buses, means.embedder, narrowing or EVERY_CASE, library.measure()
    )
    if json:
        print_json(answer_data(answer))
    else:
        print_answer(answer, own_page())


def _questions(library: Library, most: int) -> list[Question]:
    from casebase.match.evaluation.asking import questions_of  # noqa: PLC0415
    from casebase.terminal.page import Counted  # noqa: PLC0415

    means = means_to_compare()
    collection = library.collection(means)
    tell = Counted("Asking the solved cases again").tell
    return questions_of(
        collection, lambda case_id: library.get(case_id).case, means.buses, means.embedder, most, tell
    )


def _evaluated(library: Library, questions: list[Question], fit_too: bool) -> tuple[Evaluation, Fit | None]:
    from casebase.match.evaluation.evaluate import evaluate as evaluated  # noqa: PLC0415
    from casebase.match.evaluation.fitting import fit  # noqa: PLC0415
    from casebase.terminal.page import Counted  # noqa: PLC0415

    weights = library.measure().weights
    fitted = fit(questions, weights, Counted("Fitting").tell) if fit_too else None
    return evaluated(questions, weights), fitted


def _explain(library: Library, job: Case, case_id: str, json: bool, ahead: TextModelAhead) -> None:
    from casebase.match.answer.explanation import explained, explained_data  # noqa: PLC0415
    from casebase.terminal.answer import print_explained  # noqa: PLC0415

    means = means_to_compare(ahead)
    collection = library.collection(means)
    whole_id = library.resolve(case_id)
    match = explained(job, collection, whole_id, means.buses, means.embedder, library.measure())
    if json:
        print_json(explained_data(match))
    else:
        print_explained(match, own_page())
