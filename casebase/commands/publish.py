"""The commands that publish: the next edition, and which edition is shown."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Annotated

import typer

from casebase import places
from casebase.commands.opening import means_to_compare, open_library
from casebase.commands.shared import JsonOption, LibraryOption, own_page, print_json
from casebase.errors import EditionError, LibraryError
from casebase.library.file_store import AttachedFiles
from casebase.library.store import Library
from casebase.publish.edition import editions_in, show_edition
from casebase.publish.private_text import hits_of, what_stops
from casebase.publish.publication import Imprint, figures_of_own_cases, with_initials
from casebase.publish.publication import publish as published
from casebase.terminal.lead import editions_data, print_editions, print_published, published_data
from casebase.terminal.page import Counted

FolderArgument = Annotated[Path, typer.Argument(metavar="FOLDER", help="The folder of the editions.")]


def publish(  # noqa: PLR0913, PLR0917  one parameter per option
    folder: FolderArgument,
    by: Annotated[
        str | None,
        typer.Option("--by", metavar="HANDLE", envvar=places.AUTHOR_VARIABLE, help="Who signs it off."),
    ] = None,
    name: Annotated[str | None, typer.Option(help="What the collection is called.")] = None,
    licence: Annotated[str | None, typer.Option(help="Under which licence it may be passed on.")] = None,
    on: Annotated[
        datetime | None, typer.Option(formats=["%Y-%m-%d"], metavar="DAY", help="The day it bears; today.")
    ] = None,
    initials: Annotated[
        bool, typer.Option("--initials", help="The shop's initials instead of the authors' handles.")
    ] = False,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Publish the agreed records as the next edition.

    Only listed fields go out, and what looks private in their text stops it, with the place and a proposed text.
    Whoever reads the folder sees the edition before or the new one.

    Example: casebase publish editions --by ingrid
    """
    if not by:
        raise EditionError("nobody signs this edition off: say who does with --by HANDLE")
    with open_library(library) as kept:
        records = kept.read_and_agreed()
        if found := hits_of(kept, records):
            raise EditionError(what_stops(found, "nothing was published"))
        named = _remembered(kept, "collection name", name)
        licensed = _remembered(kept, "collection licence", licence)
        day, means = on.date() if on else date.today(), means_to_compare()
        tell = Counted("Asking the solved cases again").tell
        imprint = Imprint(str(day), by, named, licensed, figures_of_own_cases(kept, means, tell))
        made = published(
            [with_initials(one) for one in records] if initials else records,
            folder,
            imprint,
            means,
            AttachedFiles(kept.path).read,
        )
    return print_json(published_data(made)) if json else print_published(made, own_page())


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
