"""The commands that mend what is kept: edit a record, take one's last revision back, remove a record."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

import typer

from casebase import places
from casebase.commands.opening import open_library
from casebase.commands.shared import JsonOption, LibraryOption, by_option, own_page, print_json
from casebase.errors import LibraryError
from casebase.library.derived import StoredRecord
from casebase.library.mending import bring_back as brought_back
from casebase.library.mending import remove as removed
from casebase.library.mending import take_back
from casebase.library.store import Library, Logged
from casebase.record.checks import remarks_on
from casebase.record.edits import differences, with_fields
from casebase.record.words import title_of
from casebase.terminal.case import print_differences
from casebase.terminal.editing import edit_in_editor, keep_edited

IdArgument = Annotated[str, typer.Argument(metavar="ID", help="A case ID, or the beginning of one.")]
ByOption = Annotated[str | None, by_option("Who does it.")]


def edit(
    case_id: IdArgument,
    settings: Annotated[
        list[str] | None,
        typer.Option(
            "--set", metavar="FIELD=VALUE", help="Set this field, without an editor; no value takes it out."
        ),
    ] = None,
    by: ByOption = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Edit a record, in your editor or field by field.

    What fits is kept as the next revision, and what changed is shown. What does not fit comes back with its problems
    as comments, and nothing of it is kept. The editor is the one that VISUAL or EDITOR names. The last revision that
    the shop lead agreed to stays published until the next one is agreed to.

    Example: casebase edit 7fq --set odometer=188000km --by tova
    """
    with open_library(library) as kept:
        before = kept.get_there(case_id)
        who = _who(before.case_id, by)
        if settings:
            case = with_fields(before.case, settings, f"case {before.case_id}")
            is_changed = bool(differences(before.case, case))
            logged = keep_edited(kept, before, case, who) if is_changed else None
        else:
            logged = edit_in_editor(kept, before, places.draft_folder(), who, own_page())
        _tell(kept, before, logged, json)


def undo(
    case_id: IdArgument,
    to: Annotated[
        int | None, typer.Option("--to", metavar="REVISION", help="Go back to this one; else one back.")
    ] = None,
    by: ByOption = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Take back your last revision of a record.

    The text before becomes the next revision: nothing is lost, and casebase show ID --history tells both. Only what you
    made yourself is taken back. Undone once more, it goes one revision further back.

    Example: casebase undo 7fq --by tova
    """
    with open_library(library) as kept:
        before = kept.get(case_id)
        after = take_back(kept, before.case_id, _who(before.case_id, by), to)
        _print_change(before, after, "Taken back", json)


def remove(  # noqa: PLR0913, PLR0917  one parameter per option
    case_id: IdArgument,
    because: Annotated[str | None, typer.Option(metavar="TEXT", help="Why.")] = None,
    bring_back: Annotated[bool, typer.Option("--bring-back", help="Bring it back as it was.")] = False,
    by: ByOption = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Remove a record from lists, rankings and the next edition.

    All its revisions stay in the library, and it can be brought back. Only its author removes it; the shop lead keeps
    a record out of editions with casebase review ID --withdraw.

    Example: casebase remove 7fq --because "logged twice" --by tova
    """
    with open_library(library) as kept:
        before = kept.get(case_id)
        who = _who(before.case_id, by)
        if bring_back:
            after = brought_back(kept, before.case_id, who)
            return _print_change(before, after, "Brought back", json)
        after = removed(kept, before.case_id, who, because)
        _print_change(before, after, "Removed", json)
        if not json:
            own_page().line(f"Bring it back: casebase remove {before.case_id} --bring-back", 4)
    return None


def _who(case_id: str, by: str | None) -> str:
    if not by or not by.strip():
        raise LibraryError(
            f"case {case_id}: say who you are with --by HANDLE, or once for all in the variable"
            f" {places.AUTHOR_VARIABLE}"
        )
    return " ".join(by.split())


def _tell(library: Library, before: StoredRecord, logged: Logged | None, json: bool) -> None:
    if logged is None:
        if json:
            print_json(_data(before, before))
        return
    after = library.get(logged.case_id)
    _print_change(before, after, "Kept", json)


def _print_change(before: StoredRecord, after: StoredRecord, what: str, json: bool) -> None:
    if json:
        return print_json(_data(before, after))
    page = own_page()
    page.line(f"{what}: {after.case_id}, revision {after.revision}: {title_of(after.case)}", 0, 4)
    print_differences(differences(before.case, after.case), page, 4)
    for remark in remarks_on(after.case) if what == "Kept" else []:
        page.line(f"- {remark}", 4, 6)
    return None


def _data(before: StoredRecord, after: StoredRecord) -> dict[str, Any]:
    return {
        "case_id": after.case_id,
        "revision": after.revision,
        "differences": [asdict(one) for one in differences(before.case, after.case)],
    }
