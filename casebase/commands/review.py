"""The commands of the shop lead: what waits to be read, a word on one record, and text that must stay inside."""

from __future__ import annotations

import sys
from typing import Annotated, Final

import typer

from casebase.commands.news import tell_news
from casebase.commands.opening import means_to_compare, open_library, simulated_buses
from casebase.commands.shared import JsonOption, LibraryOption, by_option, own_page, print_json
from casebase.errors import LibraryError
from casebase.library.layouts import layouts_waiting
from casebase.library.privacy import add_names, clear, remove_names
from casebase.library.privacy import names as kept_names
from casebase.library.review_queue import reviewed, waiting, waiting_data
from casebase.library.reviews import Said, say
from casebase.library.store import Library
from casebase.publish.masking import can_be_masked, mask
from casebase.publish.private_text import Hit, hits_of
from casebase.record.edits import differences
from casebase.terminal.case import attachment_lines, print_differences
from casebase.terminal.lead import print_reviewed, print_waiting
from casebase.terminal.review_walk import ReviewWalk

MOST_LISTED: Final = 30


ReturnOption = Annotated[
    str | None,
    typer.Option("--return", metavar="REMARK", help="Back to its author, with what is to be done."),
]
WithdrawOption = Annotated[
    str | None, typer.Option("--withdraw", metavar="REMARK", help="Not to be published any more, and why.")
]


def review(  # noqa: PLR0913, PLR0917  one parameter per option
    case_id: Annotated[
        str | None, typer.Argument(metavar="[ID]", help="One record; left out, all that wait.")
    ] = None,
    agree: Annotated[bool, typer.Option("--agree", help="It may be published.")] = False,
    send_back: ReturnOption = None,
    merge_into: Annotated[
        str | None, typer.Option("--merge-into", metavar="ID", help="It tells the same job as this case.")
    ] = None,
    withdraw: WithdrawOption = None,
    keep_inside: Annotated[bool, typer.Option("--keep-inside", help="It stays in the shop.")] = False,
    every: Annotated[
        bool, typer.Option("--all", help=f"List all that wait, not only the first {MOST_LISTED}.")
    ] = False,
    listed: Annotated[
        bool, typer.Option("--list", help="List what waits, in a terminal too, without going through it.")
    ] = False,
    by: Annotated[str | None, by_option("Who says so.")] = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Review what waits to be read, the most useful first.

    In a terminal one case follows the other, each on one screen with what is missing, what it may repeat and what looks
    private, and one key gives it its word. With an ID the record is shown with what is missing and its nearest cases,
    and takes one word: agreed, returned, merged, withdrawn, or kept inside. A word counts for the revision it was said
    of; a later one waits again, and until it is agreed to the edition holds the one before.

    Example: casebase review 7fq --agree --by ingrid
    """
    words = [
        (Said.AGREED, None, None) if agree else None,
        (Said.RETURNED, send_back, None) if send_back is not None else None,
        (Said.MERGED, None, merge_into) if merge_into is not None else None,
        (Said.WITHDRAWN, withdraw, None) if withdraw is not None else None,
        (Said.INSIDE, None, None) if keep_inside else None,
    ]
    told = [word for word in words if word]
    with open_library(library) as kept:
        if not told and case_id is None and not (every or listed or json) and _somebody_types():
            return _walk(kept, by)
        if not told:
            return _show(kept, case_id, every, json)
        if case_id is None or len(told) > 1:
            raise LibraryError("one word at a time, on one record: casebase review ID --agree --by HANDLE")
        return _say(kept, case_id, told[0], by, json)


def _somebody_types() -> bool:
    return sys.stdin.isatty() and sys.stdout.isatty()


def _walk(library: Library, by: str | None) -> None:
    """Go through what waits in the terminal; whoever speaks is asked for their handle once."""
    means = means_to_compare()
    found, count = waiting(library, means.buses or simulated_buses(), MOST_LISTED)
    layouts = layouts_waiting(library)
    if not found:
        return print_waiting(found, count, own_page(), layouts)
    who = by or input("Your handle: ").strip()
    if not who:
        raise LibraryError("say who you are with --by HANDLE")
    walk = ReviewWalk(library, means, who, own_page())
    walk.walk([one.kept.case_id for one in found])
    if count > len(found):
        typer.echo(f"{count - len(found)} more wait: casebase review")
    if layouts:
        print_waiting([], 0, own_page(), layouts)
    if walk.agreed:
        tell_news(library, walk.agreed)
    return None


def _show(library: Library, case_id: str | None, every: bool, json: bool) -> None:
    if case_id is None:
        found, count = waiting(library, simulated_buses(), None if every else MOST_LISTED)
        if json:
            return print_json(waiting_data(found))
        return print_waiting(found, count, own_page(), layouts_waiting(library))
    means = means_to_compare()
    one = reviewed(library, library.get_there(case_id), means)
    if json:
        return print_json(one.data())
    return print_reviewed(one, own_page(), attachment_lines(library, one.waiting.kept.case))


def _say(
    library: Library, case_id: str, told: tuple[Said, str | None, str | None], by: str | None, json: bool
) -> None:
    said, remark, other = told
    standing = say(library, case_id, said, by or "", remark, other)
    whole_id = library.resolve(case_id)
    if json:
        print_json({"case_id": whole_id, "said": str(standing.said), "by": standing.by, "at": standing.at})
    else:
        typer.echo(f"{whole_id}: {standing.words()}")
    if said is Said.AGREED:
        tell_news(library, [whole_id])


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


def private(  # noqa: PLR0913, PLR0917  one parameter per option
    case_id: Annotated[
        str | None, typer.Argument(metavar="[ID]", help="One case; left out, all agreed ones.")
    ] = None,
    fine: Annotated[
        str | None,
        typer.Option(
            "--fine", metavar="FIELD", help="This field of the case holds nothing private after all."
        ),
    ] = None,
    masked: Annotated[
        bool, typer.Option("--mask", help="Put the proposed texts into the case, as its next revision.")
    ] = False,
    by: Annotated[str | None, by_option("Who masks it.")] = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Show what looks private in the text of records.

    VINs, telephone numbers, e-mail addresses, licence plates, names from the private list: each with its place and a
    proposed text, which --mask puts there. Ends with exit code 1 where there is any.

    Example: casebase private 7fq --fine "steps[2].found"
    """
    with open_library(library) as kept:
        if fine is not None:
            _clear(kept, case_id, fine)
        if masked:
            return _mask(kept, case_id, by, json)
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
    return None


def _mask(library: Library, case_id: str | None, by: str | None, json: bool) -> None:
    if case_id is None or not (by or "").strip():
        raise LibraryError("--mask changes one case, under a name: casebase private ID --mask --by HANDLE")
    kept = library.get_there(case_id)
    hits = [hit for hit in hits_of(library, [kept]) if can_be_masked(hit)]
    if not hits:
        raise LibraryError(f"case {kept.case_id}: nothing in the record itself is to be masked")
    done = mask(library, kept, hits, str(by))
    after = library.get(done.case_id)
    changes = differences(kept.case, after.case)
    if json:
        return print_json({"case_id": after.case_id, "revision": after.revision, "masked": len(changes)})
    page = own_page()
    page.line(
        f"Masked: {after.case_id}, revision {after.revision}. Next: casebase review {after.case_id} --agree"
    )
    return print_differences(changes, page, 4)


def _hits(library: Library, case_id: str | None) -> list[Hit]:
    """Return what looks private in what would be published; of one case also in its current revision."""
    agreed = library.read_and_agreed()
    if case_id is None:
        return hits_of(library, agreed)
    kept = library.get(case_id)
    earlier = [one for one in agreed if one.case_id == kept.case_id and one.revision != kept.revision]
    return list(dict.fromkeys(hits_of(library, [kept, *earlier])))


def _clear(library: Library, case_id: str | None, field: str) -> None:
    if case_id is None:
        raise LibraryError("--fine speaks of one case: name it, such as casebase private 7fq --fine leftover")
    hits = [hit for hit in _hits(library, case_id) if hit.field == field]
    if not hits:
        raise LibraryError(
            f"case {case_id}: nothing in '{field}' looks private: take a field that casebase private {case_id} names"
        )
    clear(library, hits[0].case_id, field, hits[0].text)
