"""The commands that publish: the next edition, and which edition is shown."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Annotated, Final

import typer

from casebase.commands.opening import means_to_compare, open_library
from casebase.commands.shared import DayOption, JsonOption, LibraryOption, by_option, own_page, print_json
from casebase.errors import EditionError, LibraryError
from casebase.library.derived import StoredRecord
from casebase.library.layouts import StoredLayout, agreed_layouts
from casebase.library.store import Library
from casebase.publish.edition import editions_in, show_edition
from casebase.publish.judging import unjudged_of, what_is_unjudged
from casebase.publish.private_text import Hit, hits_of, hits_of_words, what_stops
from casebase.publish.public_layouts import private_in_layouts
from casebase.publish.publication import (
    Imprint,
    Leaving,
    Newer,
    RecordsWithInitials,
    figures_of_own_cases,
    layout_with_initials,
    leaving,
    newer_than_agreed,
)
from casebase.publish.publication import publish as published
from casebase.terminal.lead import (
    editions_data,
    print_editions,
    print_leaving,
    print_published,
    published_data,
)
from casebase.terminal.page import Counted

FolderArgument = Annotated[Path, typer.Argument(metavar="FOLDER", help="The folder of the editions.")]

_NAME: Final = "collection name"
_LICENCE: Final = "collection licence"


def publish(  # noqa: PLR0913, PLR0917  one parameter per option
    folder: FolderArgument,
    by: Annotated[str | None, by_option("Who signs it off.")] = None,
    name: Annotated[str | None, typer.Option(help="What the collection is called.")] = None,
    licence: Annotated[str | None, typer.Option(help="Under which licence it may be passed on.")] = None,
    on: DayOption = None,
    initials: Annotated[
        bool, typer.Option("--initials", help="The shop's initials instead of the authors' handles.")
    ] = False,
    yes: Annotated[
        bool, typer.Option("--yes", help="Without asking, also where cases leave the edition.")
    ] = False,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Publish the agreed records as the next edition.

    It holds of every case the last revision that was agreed to. Only listed fields go out, and what looks private in
    their text stops it, with the place and a proposed text; so does a word that no list knows and nobody accepted
    (casebase words). What would leave the edition is listed, and asked for once.
    Whoever reads the folder sees the edition before or the new one.

    Example: casebase publish editions --by ingrid
    """
    if not by:
        raise EditionError("say who signs this edition off with --by HANDLE")
    with open_library(library) as kept:
        records, layouts, newer = kept.read_and_agreed(), agreed_layouts(kept), newer_than_agreed(kept)
        _refuse_private_text(kept, records, layouts, newer)
        _refuse_private_imprint(kept, by, name, licence)
        if gone := leaving(kept, folder, records, layouts):
            _ask_about(gone, yes=yes, is_told=not json)
        named = _remembered(kept, _NAME, name)
        licensed = _remembered(kept, _LICENCE, licence)
        day, means = on or date.today(), means_to_compare()
        tell = Counted("Asking the solved cases again").tell
        imprint = Imprint(str(day), by, named, licensed, figures_of_own_cases(kept, means, tell))
        if initials:
            records = RecordsWithInitials(records)
            layouts = [layout_with_initials(one) for one in layouts]
        try:
            made = published(records, folder, imprint, means, kept.files.read, layouts)
        except EditionError as error:
            raise EditionError(f"{error}{_what_waits(newer)}") from None
    return print_json(published_data(made, newer)) if json else print_published(made, newer, own_page())


def _refuse_private_text(
    library: Library,
    records: Sequence[StoredRecord],
    layouts: Sequence[StoredLayout],
    newer: Sequence[Newer],
) -> None:
    """Raise `EditionError` for what looks private in public text, and for a word that nobody has judged."""
    if found := hits_of(library, records):
        raise EditionError(what_stops(found, "nothing was published") + _newer_may_do(found, newer))
    if private := private_in_layouts(library, layouts):
        raise EditionError("\n".join([*private, "nothing was published"]))
    if words := unjudged_of(library, records, layouts):
        raise EditionError(what_is_unjudged(words, "nothing was published") + _newer_may_do(words, newer))


def _refuse_private_imprint(library: Library, by: str, name: str | None, licence: str | None) -> None:
    told = {
        "--by": by,
        "--name": name or library.fact(_NAME),
        "--licence": licence or library.fact(_LICENCE),
    }
    if wrong := hits_of_words(library, told):
        raise EditionError("\n".join([*wrong, "nothing was published"]))


def _ask_about(gone: Sequence[Leaving], *, yes: bool, is_told: bool) -> None:
    """List what leaves the edition and ask whether it may, once; raise `EditionError` where nobody can answer."""
    if yes:
        return
    if not (is_told and sys.stdin.isatty()):
        told = "\n".join(f"{one.case_id}  {one.title}: {one.why}" for one in gone)
        raise EditionError(
            f"{len(gone)} of the last edition would not be in the next one:\n{told}\nnothing was published: say that"
            " they may leave with --yes"
        )
    print_leaving(gone, own_page())
    if not typer.confirm("Publish without them?", default=False):
        raise EditionError(
            "nothing was published: give those that are to stay another word with casebase review ID"
        )


def _what_waits(newer: Sequence[Newer]) -> str:
    """Return the sentence that counts later revisions not agreed to yet: they may be what was expected to go out."""
    return f"; {len(newer)} revised since they were agreed to: casebase review" if newer else ""


def _newer_may_do(found: Sequence[Hit], newer: Sequence[Newer]) -> str:
    """Return the sentences that name later revisions of what stops a publication: they may be mended already."""
    stopped = {hit.case_id for hit in found}
    return "".join(
        f"\ncase {one.kept.case_id}: the edition would hold revision {one.standing.agreed}; revision"
        f" {one.kept.revision} waits: casebase review {one.kept.case_id}"
        for one in newer
        if one.kept.case_id in stopped
    )


def editions(
    folder: FolderArgument,
    show: Annotated[
        int | None, typer.Option("--show", metavar="NUMBER", help="Show this edition from now on.")
    ] = None,
    json: JsonOption = False,
) -> None:
    """List the editions of a folder, or show another one.

    A running `casebase browse FOLDER` follows at once.

    Example: casebase editions editions --show 3
    """
    if show is not None:
        show_edition(folder, show)
    found = editions_in(folder)
    return print_json(editions_data(found)) if json else print_editions(found, folder, own_page())


def _remembered(library: Library, fact: str, given: str | None) -> str | None:
    """Return what was given, and keep it for the next edition; else what was given last time."""
    if given is None:
        return library.fact(fact)
    if not given.strip():
        raise LibraryError(f"{fact}: an empty text: give one, or leave the option out")
    library.set_fact(fact, given)
    return given
