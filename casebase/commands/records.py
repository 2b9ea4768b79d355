"""The commands that keep cases and give them back: one by one, from files, as a list."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from casebase import places
from casebase.commands.ask import case_told
from casebase.commands.attach import records_and_folders, tell_missing_files, with_files
from casebase.commands.filters import list_filters
from casebase.commands.news import tell_news
from casebase.commands.opening import library_place, open_library
from casebase.commands.shared import JsonOption, LibraryOption, own_page, print_json
from casebase.errors import InputError
from casebase.intake.layout_template import LAYOUT_TEMPLATE
from casebase.intake.template import template_text
from casebase.library.engine import HubAddress
from casebase.library.history import history
from casebase.library.mending import removal_words, removed_records
from casebase.library.records import case_data
from casebase.library.reviews import spoken_standing
from casebase.library.sources import taken_from, taken_from_of
from casebase.library.store import Library
from casebase.record.case import Case
from casebase.record.layout import Layout
from casebase.record.yaml_form import record_yaml
from casebase.terminal.case import (
    attachment_lines,
    print_case,
    print_history,
    print_list,
    print_qr,
    print_removed,
    print_revisions,
    removed_data,
)
from casebase.terminal.interview import log_by_asking, print_logged, print_logged_json


def init(library: LibraryOption = None) -> None:
    """Make a new, empty library.

    Example: casebase init --library shop.db
    """
    place = library_place(library)
    Library.create(place).close()
    told = "Library" if isinstance(place, HubAddress) else "New library"  # a hub may have been there already
    typer.echo(f"{told}: {place}. Next: casebase log")


def template(
    full: Annotated[bool, typer.Option("--full", help="Every key there is, with its words.")] = False,
    known_good: Annotated[
        bool, typer.Option("--known-good", help="For readings of a healthy vehicle.")
    ] = False,
    layout: Annotated[bool, typer.Option("--layout", help="For the wiring layout of a platform.")] = False,
) -> None:
    """Print a file to fill in.

    Example: casebase template > case.yaml
    """
    if layout:
        return typer.echo(LAYOUT_TEMPLATE, nl=False)
    return typer.echo(template_text(full=full, kind="known good" if known_good else "fault case"), nl=False)


def log(  # noqa: PLR0913, PLR0917  one parameter per way to begin
    files: Annotated[
        list[Path] | None, typer.Argument(metavar="[FILE]...", help="Record files or folders.")
    ] = None,
    on: Annotated[
        str | None, typer.Option("--on", metavar="ID", help="Go on with this open job, by asking.")
    ] = None,
    from_message: Annotated[
        str | None,
        typer.Option("--from", metavar="MESSAGE", help="Begin with what a message, or a file of one, says."),
    ] = None,
    author: Annotated[
        str | None, typer.Option(envvar=places.AUTHOR_VARIABLE, help="The handle offered as author.")
    ] = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Keep records: from files, or by asking.

    Without a file it asks one question at a time; with --from a message in plain words is the beginning.
    Of several files all are kept or, where one does not fit, none.
    Where there is no library yet, it is made.
    Pictures and text files that a record names under attachments are taken in from beside it.

    Example: casebase log case.yaml
    """
    if from_message and (files or on):
        raise InputError("--from begins a record of its own: leave out the files and --on")
    records = records_and_folders(files) if files else []
    with open_library(library, make=True) as kept:
        if not files:
            begun = case_told(from_message, kept, own_page()) if from_message else None
            log_by_asking(kept, places.draft_folder(), own_page(), author, on, begun)
            return tell_news(kept)
        found = with_files(kept, [(one, folder) for one, folder in records if isinstance(one, Case)])
        cases, layouts = [one.case for one in found], [one for one, _ in records if isinstance(one, Layout)]
        logged = kept.log(cases, layouts=layouts)
        tell_missing_files(found, logged[: len(cases)])
        print_logged_json(logged) if json else print_logged(logged, [*cases, *layouts], own_page())
        return tell_news(kept)


def list_cases(  # noqa: PLR0913, PLR0917  one parameter per filter
    find: Annotated[
        str | None, typer.Option("--find", metavar="WORDS", help="Cases that hold these words.")
    ] = None,
    make: Annotated[str | None, typer.Option(help="Of this make.")] = None,
    model: Annotated[str | None, typer.Option(help="Of this model.")] = None,
    platform: Annotated[str | None, typer.Option(help="On this platform.")] = None,
    code: Annotated[str | None, typer.Option(help="With this trouble code.")] = None,
    module: Annotated[str | None, typer.Option(help="With this module in it.")] = None,
    fault: Annotated[str | None, typer.Option(help="With this cause, such as low_open.")] = None,
    status: Annotated[str | None, typer.Option(help="Such as 'fixed, verified'.")] = None,
    kind: Annotated[str | None, typer.Option(help="Such as 'known good'.")] = None,
    removed: Annotated[bool, typer.Option("--removed", help="Only those that were removed.")] = False,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """List or search the cases.

    The newest come first; with --find, those that fit best.

    Example: casebase list --find "water splice" --platform K4
    """
    wanted = list_filters(
        make=make,
        model=model,
        platform=platform,
        code=code,
        module=module,
        fault=fault,
        status=status,
        kind=kind,
    )
    with open_library(library) as kept:
        if removed:
            gone = [(one, removal_words(kept, one)) for one in removed_records(kept)]
            return print_json(removed_data(gone)) if json else print_removed(gone, own_page())
        rows = kept.summaries(find=find, **wanted)
        told = taken_from(kept)
    rows = [row | {"taken_from": told[row["id"]].data()} if row["id"] in told else row for row in rows]
    if json:
        return print_json(
            [{("case_id" if key == "id" else key): value for key, value in row.items()} for row in rows]
        )
    return print_list(rows, "records that fit" if wanted or find else "records", own_page())


def show(  # noqa: PLR0913, PLR0917  one parameter per option
    case_id: Annotated[str, typer.Argument(metavar="ID", help="A case ID, or the beginning of one.")],
    file: Annotated[bool, typer.Option("--file", help="As a record file, to edit and log again.")] = False,
    revisions: Annotated[bool, typer.Option("--revisions", help="Every revision kept.")] = False,
    told_history: Annotated[
        bool, typer.Option("--history", help="What happened to it: changes and words of the shop lead.")
    ] = False,
    qr: Annotated[
        bool, typer.Option("--qr", help="Its ID as a QR code, to name pictures by with a telephone.")
    ] = False,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Show one case.

    Example: casebase show 7fq --file > case.yaml
    """
    with open_library(library) as kept:
        found = kept.get(case_id)
        if told_history:
            events = history(kept, found.case_id)
            return (
                print_json([one.data() for one in events])
                if json
                else print_history(found, events, own_page())
            )
        told = taken_from_of(kept, found.case_id)
        spoken = spoken_standing(kept, found)
        attached = attachment_lines(kept, found.case)
        every = kept.revisions(found.case_id) if revisions else []
        removal = removal_words(kept, found)
    if qr:
        print_qr(found.case_id)
    elif file:
        typer.echo(record_yaml(found.case, found.case_id, found.revision), nl=False)
    elif json:
        print_json(every if revisions else case_data(found) | ({"taken_from": told.data()} if told else {}))
    elif revisions:
        print_revisions(found, every, own_page())
    else:
        print_case(
            found,
            own_page(),
            told.words() if told else "",
            removal or (spoken.words() if spoken else ""),
            attached,
        )
    return None
