"""The commands that keep private text inside: names of people, and what would stop a publication."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from casebase.errors import LibraryError
from casebase.opening import open_library
from casebase.options import JsonOption, LibraryOption, own_page, print_json

if TYPE_CHECKING:
    from casebase.library.store import Library
    from casebase.publish.private_text import Hit


def names(
    add: Annotated[
        list[str] | None, typer.Option("--add", metavar="NAME", help="A name to keep inside.")
    ] = None,
    remove: Annotated[
        list[str] | None, typer.Option("--remove", metavar="NAME", help="A name to look for no more.")
    ] = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """List, add or remove names of people that must not be published.

    They stay in this library; a record in which one of them stands stops the publication.

    Example: casebase names --add "Ottilie Brandvoll"
    """
    from casebase.library.private_names import add_names, remove_names  # noqa: PLC0415
    from casebase.library.private_names import names as kept_names  # noqa: PLC0415

    with open_library(library) as kept:
        add_names(kept, add or ())
        remove_names(kept, remove or ())
        found = kept_names(kept)
    if json:
        return print_json(found)
    for name in found:
        typer.echo(name)
    if not found:
        typer.echo("No names are kept. Add those of customers: casebase names --add NAME")
    return None


def private(
    case_id: Annotated[
        str | None, typer.Argument(metavar="[ID]", help="One case; left out, all agreed ones.")
    ] = None,
    fine: Annotated[
        str | None,
        typer.Option(
            "--fine", metavar="FIELD", help="This field of the case holds nothing private after all."
        ),
    ] = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Tell what looks private in the text of records.

    VINs, telephone numbers, e-mail addresses, licence plates, names from the private list: each with its place and a
    proposed text. Ends with exit code 1 where there is any.

    Example: casebase private 7fq --fine "steps[2].found"
    """
    with open_library(library) as kept:
        if fine is not None:
            _clear(kept, case_id, fine)
        found = _hits(kept, case_id)
    if json:
        print_json(
            [
                {"case_id": hit.case_id, "field": hit.field, "kind": hit.kind, "proposed": hit.proposed}
                for hit in found
            ]
        )
    else:
        page = own_page()
        for hit in found:
            page.line(hit.sentence(), 0, 2)
        page.line(f"{len(found)} places look private." if found else "Nothing looks private.")
    if found:
        raise typer.Exit(1)


def _hits(library: Library, case_id: str | None) -> list[Hit]:
    from casebase.publish.private_text import hits_of  # noqa: PLC0415

    return hits_of(library, library.read_and_agreed() if case_id is None else [library.get(case_id)])


def _clear(library: Library, case_id: str | None, field: str) -> None:
    from casebase.library.cleared_text import clear  # noqa: PLC0415

    if case_id is None:
        raise LibraryError("--fine speaks of one case: name it, such as casebase private 7fq --fine leftover")
    hits = [hit for hit in _hits(library, case_id) if hit.field == field]
    if not hits:
        raise LibraryError(
            f"case {case_id}: nothing in '{field}' looks private: take a field that casebase private {case_id} names"
        )
    clear(library, hits[0].case_id, field, hits[0].text)
