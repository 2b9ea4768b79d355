"""The command of the news: which open questions a case may explain that arrived later; and the line that says so."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Annotated, Final

import typer

from casebase import places
from casebase.commands.opening import means_to_compare, open_library
from casebase.commands.shared import JsonOption, LibraryOption, own_page, print_json
from casebase.errors import CasebaseError
from casebase.library.matching import Means
from casebase.library.news import mark_read, news_in
from casebase.library.news_search import (
    index_has_stories,
    not_examined,
    records_not_indexed,
    search_news,
)
from casebase.library.store import Library
from casebase.match.text.embedder import ready_embedder
from casebase.terminal.lead import print_news

MOST_IN_PASSING: Final = 200
"""Records that the match index may lack for a look in passing, and questions or new cases that are gone through:
more would take more than some seconds (judged)."""

_PLURALS: Final = {"job not fixed": "jobs not fixed", "cause not proven": "causes not proven"}


def news(
    case_id: Annotated[
        str | None, typer.Argument(metavar="[ID]", help="With --read: the news of one case, open or new.")
    ] = None,
    read: Annotated[bool, typer.Option("--read", help="Mark it as read; without ID all of it.")] = False,
    every: Annotated[bool, typer.Option("--all", help="What was read already, too.")] = False,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Show which open questions a later case may explain.

    Open jobs, jobs not fixed, causes not proven and leftovers are held against every proven case that arrives after
    them. Only a case that explains one well is told, with the reasons; once read it is not told again.

    Example: casebase news --read 7fq
    """
    if case_id is not None and not read:
        raise CasebaseError("an ID goes with --read: casebase news --read ID")
    with open_library(library) as kept:
        if read:
            count = mark_read(kept, case_id)
            return print_json({"read": count}) if json else typer.echo(f"{count} marked as read.")
        if not_examined(kept).questions:
            search_news(kept, means_to_compare())
        found = news_in(kept, every=every)
    return print_json([one.data() for one in found]) if json else print_news(found, own_page())


def tell_news(library: Library, also: Sequence[str] = ()) -> None:
    """Say on stderr, in one line, if what arrived just now may explain a question that stands open; else nothing.

    `also` are cases that count again though they arrived earlier. What was kept is kept, whatever becomes of this.
    """
    try:
        line = _news_line(library, also)
    except (CasebaseError, OSError):
        return
    if line:
        typer.echo(line, err=True)


def look_in_passing(library: Library) -> None:
    """Look for news where that costs little; else leave it to `casebase news`."""
    try:
        _news_line(library, ())
    except (CasebaseError, OSError):
        return


def _news_line(library: Library, also: Sequence[str]) -> str | None:
    there = not_examined(library, also)
    if not there.questions:
        return None
    much = min(len(there.questions), len(there.proven)) > MOST_IN_PASSING
    means = None if much else _means_at_hand(library)
    if means is None:
        return f"{_counted(len(there.questions), 'open question')} not held against what is new yet: casebase news"
    found = search_news(library, means, also)
    if not found:
        return None
    kinds = {str(one.what) for one in found}
    named = _counted(len(found), kinds.pop() if len(kinds) == 1 else "open question")
    return f"{named} may be explained by a case that arrived now: casebase news"


def _means_at_hand(library: Library) -> Means | None:
    """Return what a look needs if it is there: nothing is simulated or exported in passing, no large index made.

    Where the index holds what stories mean and the text model is not ready, it waits too: a record without its story
    would have the whole index made again.
    """
    buses = places.simulation_folder()
    if not buses.exists() or records_not_indexed(library) > MOST_IN_PASSING:
        return None
    embedder = ready_embedder(places.text_model_folder(), os.environ.get(places.TEXT_MODEL_VARIABLE))
    if embedder is None and index_has_stories(library):
        return None
    return Means(buses, embedder)


def _counted(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {_PLURALS.get(what, f'{what}s')}"
