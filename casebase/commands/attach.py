"""The command of the files of a case, and the records of files with what lies beside them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import typer

from casebase.commands.opening import open_library
from casebase.commands.shared import JsonOption, LibraryOption, by_option, own_page, print_json
from casebase.errors import InputError
from casebase.library.attachments import (
    Told,
    WithFiles,
    attach_to_each,
    attachment_of,
    content_of,
    named_cases,
    newest_files,
    take_off,
    with_files_beside,
)
from casebase.library.derived import StoredRecord
from casebase.library.store import Library, Logged
from casebase.record.case import Case
from casebase.record.layout import Layout
from casebase.record.loading import load_any_file, record_files
from casebase.terminal.case import attached_data, print_attached

CaseArgument = Annotated[
    str | None,
    typer.Argument(
        metavar="[ID]", help="A case ID, or the beginning of one; left out, --from reads it off the names."
    ),
]
FilesArgument = Annotated[
    list[Path] | None,
    typer.Argument(metavar="[FILE]...", help="Pictures or text files; left out, list what there is."),
]
RemoveOption = Annotated[
    str | None, typer.Option("--remove", metavar="NAME", help="Take this file off the case.")
]
SaveOption = Annotated[
    str | None,
    typer.Option("--save", metavar="NAME", help="Write this file of the case to FILE, or into that folder."),
]
FromOption = Annotated[
    Path | None,
    typer.Option("--from", metavar="FOLDER", help="The folder into which a telephone puts its pictures."),
]
NewestOption = Annotated[
    int | None, typer.Option("--newest", metavar="N", min=1, help="Only the N newest of that folder.")
]
ByOption = Annotated[str | None, by_option("Who attaches them.")]


def attach(  # noqa: PLR0913, PLR0917  one parameter per option
    case_id: CaseArgument = None,
    files: FilesArgument = None,
    shows: Annotated[str | None, typer.Option(metavar="TEXT", help="What they show.")] = None,
    for_others: Annotated[bool, typer.Option("--for-others", help="They may leave the shop.")] = False,
    remove: RemoveOption = None,
    save: SaveOption = None,
    folder: FromOption = None,
    newest: NewestOption = None,
    by: ByOption = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Attach pictures and text files to a case.

    JPEG, PNG, WebP, GIF; .txt, .csv, .log, .md in UTF-8. Pictures are drawn anew without anything a camera noted. They
    stay in the shop unless they are said to be for others: look at each for plates, papers and faces first.

    With --from and an ID the newest files of a folder go to that case; without an ID each file goes to the case whose
    whole ID stands in its name, and the others are left. Files that are attached already change nothing.

    Example: casebase attach 7fq splice.jpg --shows "green copper in S204" --for-others
    """
    told = Told(shows, for_others, by)
    with open_library(library) as kept:
        if folder is not None:
            if files or remove is not None or save is not None:
                raise InputError(
                    "one thing at a time: --from FOLDER, files to attach, --remove NAME, or --save NAME"
                )
            return _attach_from(
                kept, case_id, newest_files(folder, newest or (1 if case_id else None)), told, json
            )
        if case_id is None or newest is not None:
            raise InputError(
                "which case, and which files: casebase attach ID FILE, or --from FOLDER --newest 3"
            )
        _refuse_what_does_not_go_together(files, remove, save, shows, for_others)
        done = None
        if save is not None:
            return _save(kept, kept.get(case_id), save, files[0] if files else Path())
        if files:
            (done,) = attach_to_each(kept, {case_id: files}, told)
        elif remove is not None:
            done = take_off(kept, case_id, remove, by)
        return _tell(kept, kept.get(case_id), done, json)


def _attach_from(library: Library, case_id: str | None, files: list[Path], told: Told, json: bool) -> None:
    """Attach files of a folder to the case given, but for those named after another; else each to the case it names."""
    named = named_cases(library, files)
    if case_id is not None:
        whole_id = library.resolve(case_id)
        named = {path: named.get(path, whole_id) for path in files}
        left = [path for path in files if named[path] != whole_id]
        groups = {whole_id: [path for path in files if path not in left]}
    else:
        left = [path for path in files if path not in named]
        groups = {
            one: [path for path in files if named.get(path) == one] for one in sorted({*named.values()})
        }
    for path in left:
        why = f"its name names case {named[path]}" if path in named else "no ID of a case in its name"
        typer.echo(f"Left: {path.name}: {why}", err=True)
    groups = {one: some for one, some in groups.items() if some}
    if not groups:
        raise InputError(
            "nothing was attached: say which case with casebase attach ID, or put its ID into the names"
        )
    done = attach_to_each(library, groups, told)
    if json:
        print_json([attached_data(library, library.get(one.case_id)) for one in done])
    else:
        for one in done:
            _tell(library, library.get(one.case_id), one, json)


def records_and_folders(paths: list[Path]) -> list[tuple[Case | Layout, Path]]:
    """Return every case and layout in the files and folders named, and the folder that it lies in."""
    return [(one, path.parent) for path in record_files(paths) for one in load_any_file(path)]


def with_files(library: Library, records: list[tuple[Case, Path]]) -> list[WithFiles]:
    """Return the records with the files that lie beside them kept in the library."""
    return [with_files_beside(library, case, folder) for case, folder in records]


def tell_missing_files(records: Iterable[WithFiles], logged: Iterable[Logged]) -> None:
    """Tell, on stderr, which files the records name that were not beside them."""
    for one, became in zip(records, logged, strict=True):
        for name in one.missing:
            typer.echo(
                f"Remark: {became.case_id}: '{name}' is not beside the record; add it: casebase attach"
                f" {became.case_id} FILE",
                err=True,
            )


def _refuse_what_does_not_go_together(
    files: list[Path] | None, remove: str | None, save: str | None, shows: str | None, for_others: bool
) -> None:
    if (remove is not None) + (save is not None) > 1 or (remove is not None and files):
        raise InputError("one thing at a time: files to attach, --remove NAME, or --save NAME OUT")
    if save is not None and len(files or ()) > 1:
        raise InputError("--save writes to one place: name a file or a folder")
    if (shows is not None or for_others) and (save is not None or not files):
        raise InputError("--shows and --for-others tell of files: name them, as when they were attached")


def _save(library: Library, kept: StoredRecord, named: str, to: Path) -> None:
    content = content_of(library, kept, named)
    path = to / attachment_of(kept, named).file if to.is_dir() else to
    try:
        with path.open("xb") as file:
            file.write(content)
    except FileExistsError:
        raise InputError(f"{path}: something stands there already: name another place") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror}): name another place") from None
    typer.echo(f"Written: {path}, {len(content)} bytes")


def _tell(library: Library, kept: StoredRecord, done: Logged | None, json: bool) -> None:
    if json:
        return print_json(attached_data(library, kept))
    page = own_page()
    if done is not None:
        page.line(f"Case {kept.case_id}, revision {kept.revision}: {done.outcome}")
    return print_attached(library, kept, page)
