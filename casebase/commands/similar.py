"""The commands that answer a stuck job from past cases: of the library, and of the demonstration."""

from __future__ import annotations

from pathlib import Path
from shlex import quote
from typing import Annotated

import typer

from casebase import places
from casebase.commands.filters import narrowing_of
from casebase.commands.opening import (
    TextModelAhead,
    job_named,
    means_to_compare,
    open_library,
    print_way,
    way_to_layout,
)
from casebase.commands.shared import (
    DemoLibraryOption,
    FullOption,
    JsonOption,
    LibraryOption,
    command_again,
    own_page,
    print_json,
)
from casebase.library.store import Library
from casebase.match.answer.answer import Answer
from casebase.match.answer.data import answer_data, explained_data
from casebase.match.answer.explanation import explained
from casebase.match.answer.working_out import answer_to
from casebase.match.index.collection import EVERY_CASE, Narrowing
from casebase.record.case import Case
from casebase.terminal.answer import print_answer, print_demo_end, print_demo_start, print_explained
from casebase.terminal.glance import print_glance


def similar(  # noqa: PLR0913, PLR0917  one parameter per way to narrow down
    job: Annotated[
        str, typer.Argument(metavar="FILE|ID", help="A record file of the stuck job, or a case ID.")
    ],
    most: Annotated[
        int, typer.Option("--most", min=1, max=200, help="How many cases --full and --json tell.")
    ] = 5,
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
    full: FullOption = False,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Find the cases most like a job.

    And with them the likely causes, the next test, and what is normal on this vehicle: on one screen, or all of it.

    Example: casebase similar job.yaml --since 2024-01-01
    """
    ahead = TextModelAhead()
    ahead.begin()  # while the job and the library are read
    narrowing = narrowing_of(medium=medium, make=make, status=status, shop=shop, since=since, until=until)
    with open_library(library) as kept:
        stuck = job_named(job, kept)
        if explain is not None:
            return _explain(kept, stuck, explain, json, ahead)
        return print_similar(kept, stuck, most, json, narrowing, ahead, full=full, named=quote(job))


def print_similar(  # noqa: PLR0913, PLR0917  the job, the cases, and how to compare and to print
    library: Library,
    job: Case,
    most: int,
    json: bool,
    narrowing: Narrowing | None = None,
    ahead: TextModelAhead | None = None,
    *,
    full: bool = False,
    named: str = "JOB",
) -> None:
    """Print what is said to a stuck job, on one screen or in `full`; `ahead` may have the text model open already.

    `named`: how the job is typed.
    """
    answer = answer_in(library, job, most, narrowing, ahead)
    if json:
        print_json(answer_data(answer))
    else:
        way = way_to_layout(library, job, named)
        if full:
            print_answer(answer, own_page())
            print_way(way, own_page())
        else:
            print_glance(answer, own_page(), command_again("--full"), way)


def answer_in(
    library: Library,
    job: Case,
    most: int,
    narrowing: Narrowing | None = None,
    ahead: TextModelAhead | None = None,
) -> Answer:
    """Return what is said to a stuck job from the cases of a library."""
    means = means_to_compare(ahead)
    collection = library.collection(means)
    return answer_to(
        job, collection, most, means.buses, means.embedder, narrowing or EVERY_CASE, library.measure()
    )


def _explain(library: Library, job: Case, case_id: str, json: bool, ahead: TextModelAhead) -> None:
    means = means_to_compare(ahead)
    collection = library.collection(means)
    whole_id = library.resolve(case_id)
    match = explained(job, collection, whole_id, means.buses, means.embedder, library.measure())
    if json:
        print_json(explained_data(match))
    else:
        print_explained(match, own_page())


def demo(
    job: Annotated[
        str | None, typer.Option("--job", metavar="NAME", help="Another of the stuck jobs.")
    ] = None,
    full: FullOption = False,
    library: DemoLibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Try a stuck job on invented cases.

    They lie in a library of their own: the shop's is never touched.

    Example: casebase demo --job tailgate
    """
    from casebase.demo import (  # noqa: PLC0415  whoever asks for a job of their own pays nothing for it
        FIRST_JOB,
        build_demo_library,
        job_files,
        load_demo_job,
    )

    path = library or places.demo_library()
    stuck = load_demo_job(job)
    with build_demo_library(path) as built:
        if json:
            return print_similar(built, stuck, 5, json)
        print_demo_start(built, own_page())
        named = f"{quote(job or Path(FIRST_JOB).stem)} --demo"
        print_similar(built, stuck, 3, json, full=full, named=named)
        return print_demo_end(built, [path.stem for path in job_files()], own_page())
