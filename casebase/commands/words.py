"""The command for what no list knows in what would leave the shop: shown in its sentence, accepted, or left."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Annotated

import typer

from casebase.commands.opening import open_library
from casebase.commands.shared import JsonOption, LibraryOption, by_option, own_page, print_json
from casebase.errors import LibraryError
from casebase.library.derived import StoredRecord
from casebase.library.layouts import StoredLayout, agreed_layouts
from casebase.library.store import Library
from casebase.publish.judging import accept, digest_of, once_each, unjudged_of
from casebase.publish.private_text import Hit
from casebase.terminal.words_walk import WordsWalk, mark_words


def words(  # noqa: PLR0913, PLR0917  one parameter per option
    case_id: Annotated[
        str | None, typer.Argument(metavar="[ID]", help="One case as it stands; left out, all agreed ones.")
    ] = None,
    word: Annotated[
        list[str] | None,
        typer.Option("--accept", metavar="WORD", help="This word is harmless wherever it is listed."),
    ] = None,
    shown: Annotated[
        str | None,
        typer.Option(
            "--accept-shown", metavar="DIGITS", help="All that was listed with these digits is harmless."
        ),
    ] = None,
    listed: Annotated[
        bool, typer.Option("--list", help="List them, in a terminal too, without going through them.")
    ] = False,
    by: Annotated[str | None, by_option("Who says so.")] = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Go through the words of public text that no list knows, and say which are harmless.

    What is neither a word of the language or the trade, nor a reading, a code or another of its numbers, nor accepted
    before, is shown in its sentence; nothing is published or sent while any is left. In a terminal one key accepts a
    word for this library, masks it, or returns the case. What may be a name, an address or somebody's number is
    accepted for its sentence alone. Ends with exit code 1 where any is left.

    Example: casebase words 7fq
    """
    with open_library(library) as kept:
        records = kept.read_and_agreed() if case_id is None else [kept.get_there(case_id)]
        layouts = agreed_layouts(kept) if case_id is None else []
        found = unjudged_of(kept, records, layouts)
        if found and not (word or shown or listed or json) and sys.stdin.isatty() and sys.stdout.isatty():
            return _walk(kept, records, layouts, by)
        if word or shown:
            accept(kept, _accepted(once_each(found), word or [], shown), by or "")
            found = unjudged_of(kept, records, layouts)
    _tell(once_each(found), json)
    if found:
        raise typer.Exit(1)
    return None


def _walk(
    library: Library, records: Sequence[StoredRecord], layouts: Sequence[StoredLayout], by: str | None
) -> None:
    who = by or input("Your handle: ").strip()
    if not who:
        raise LibraryError("nobody judges these words: say who does with --by HANDLE")
    WordsWalk(library, who, own_page()).walk(records, layouts)


def _accepted(found: Sequence[Hit], words: Sequence[str], shown: str | None) -> list[Hit]:
    """Return the marks that are accepted; raise `LibraryError` where they are not what is listed now."""
    if shown is not None and shown != digest_of(found):
        raise LibraryError(
            f"--accept-shown {shown}: not the list as it is now: read casebase words --list, which tells its digits"
        )
    for word in words:
        if not any(hit.text[hit.begin : hit.end] == word for hit in found):
            raise LibraryError(
                f"'{word}' is not listed: expected a text between > and <, as casebase words --list shows it"
            )
    return [hit for hit in found if shown is not None or hit.text[hit.begin : hit.end] in words]


def _tell(found: Sequence[Hit], json: bool) -> None:
    if json:
        return print_json(
            {
                "shown": digest_of(found),
                "words": [
                    {
                        "case_id": hit.case_id,
                        "field": hit.field,
                        "kind": hit.kind,
                        "word": hit.text[hit.begin : hit.end],
                        "text": hit.text,
                    }
                    for hit in found
                ],
            }
        )
    page = own_page()
    for hit in found:
        page.line(f"{hit.case_id}  {mark_words(hit)}", 0, 2)
    if not found:
        return page.line("Every word is known or was accepted.")
    page.line(
        f"{len(found)} to be judged: one by one in a terminal with casebase words; a harmless one with --accept WORD,"
    )
    return page.line(f"all of this list, once read, with --accept-shown {digest_of(found)} --by HANDLE.")
