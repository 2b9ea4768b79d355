"""The command of the shop lead's reading: what waits, and a word on one record."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final

import typer

from casebase import places
from casebase.errors import LibraryError
from casebase.opening import means_to_compare, open_library, simulated_buses
from casebase.options import JsonOption, LibraryOption, own_page, print_json
from casebase.telling import tell_news

if TYPE_CHECKING:
    from casebase.library.reviews import Said
    from casebase.library.store import Library

MOST_LISTED: Final = 30


def review(  # noqa: PLR0913, PLR0917  one parameter per option
    case_id: Annotated[
        str | None, typer.Argument(metavar="[ID]", help="One record; left out, all that wait.")
    ] = None,
    agree: Annotated[bool, typer.Option("--agree", help="It may be published.")] = False,
    send_back: Annotated[
        str | None,
        typer.Option("--return", metavar="REMARK", help="Back to its author, with what is to be done."),
    ] = None,
    merge_into: Annotated[
        str | None, typer.Option("--merge-into", metavar="ID", help="It tells the same job as this case.")
    ] = None,
    withdraw: Annotated[
        str | None,
        typer.Option("--withdraw", metavar="REMARK", help="Not to be published any more, and why."),
    ] = None,
    keep_inside: Annotated[bool, typer.Option("--keep-inside", help="It stays in the shop.")] = False,
    every: Annotated[
        bool, typer.Option("--all", help=f"List all that wait, not only the first {MOST_LISTED}.")
    ] = False,
    by: Annotated[
        str | None, typer.Option("--by", metavar="HANDLE", envvar=places.AUTHOR_VARIABLE, help="Who says so.")
    ] = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Review what waits to be read, the most useful first.

    With an ID the record is shown with what is missing and its nearest cases, and takes one word: agreed, returned,
    merged, withdrawn, or kept inside. A word counts for the revision it was said of; a later one waits again.

    Example: casebase review 7fq --agree --by ingrid
    """
    from casebase.library.reviews import Said  # noqa: PLC0415

    words = [
        (Said.AGREED, None, None) if agree else None,
        (Said.RETURNED, send_back, None) if send_back is not None else None,
        (Said.MERGED, None, merge_into) if merge_into is not None else None,
        (Said.WITHDRAWN, withdraw, None) if withdraw is not None else None,
        (Said.INSIDE, None, None) if keep_inside else None,
    ]
    told = [word for word in words if word]
    with open_library(library) as kept:
        if not told:
            return _show(kept, case_id, every, json)
        if case_id is None or len(told) > 1:
            raise LibraryError("one word at a time, on one record: casebase review ID --agree --by HANDLE")
        return _say(kept, case_id, told[0], by, json)


def _show(library: Library, case_id: str | None, every: bool, json: bool) -> None:
    from casebase.library.waiting import reviewed, waiting, waiting_data  # noqa: PLC0415
    from casebase.terminal.attachments_page import attachment_lines  # noqa: PLC0415
    from casebase.terminal.review_page import print_reviewed, print_waiting  # noqa: PLC0415

    if case_id is None:
        found, count = waiting(library, simulated_buses(), None if every else MOST_LISTED)
        return print_json(waiting_data(found)) if json else print_waiting(found, count, own_page())
    means = means_to_compare()
    one = reviewed(library, library.get(case_id), means)
    if json:
        return print_json(one.data())
    return print_reviewed(one, own_page(), attachment_lines(library, one.waiting.kept.case))


def _say(
    library: Library, case_id: str, told: tuple[Said, str | None, str | None], by: str | None, json: bool
) -> None:
    from casebase.library.reviews import Said, say  # noqa: PLC0415

    said, remark, other = told
    standing = say(library, case_id, said, by or "", remark, other)
    whole_id = library.resolve(case_id)
    if json:
        print_json({"case_id": whole_id, "said": str(standing.said), "by": standing.by, "at": standing.at})
    else:
        typer.echo(f"{whole_id}: {standing.words()}")
    if said is Said.AGREED:
        tell_news(library, [whole_id])
