"""The commands that keep the library safe: a copy of it, and the way back."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Annotated

import typer

from casebase import places
from casebase.commands.opening import library_place, open_library
from casebase.commands.shared import JsonOption, LibraryOption, own_page, print_json
from casebase.files import bytes_at
from casebase.library.backup import back_up
from casebase.library.engine import HubAddress
from casebase.library.file_store import LeftOver
from casebase.library.integrity import room_of
from casebase.library.restore import restore as restored
from casebase.library.restore import restored_to_hub
from casebase.terminal.lead import backed_up_data, print_backed_up, print_restored, restored_data


def backup(
    out: Annotated[Path, typer.Argument(metavar="OUT", help="The copy to write, or a folder of copies.")],
    keep: Annotated[
        int | None, typer.Option("--keep", metavar="N", help="Of a folder: keep only the last N copies.")
    ] = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Copy the library while people write in it.

    The copy is checked before an earlier one is replaced. In a folder it bears the minute in its name. Attached files
    go along, into a folder beside it.

    Example: casebase backup /mnt/copies --keep 30
    """
    with open_library(library) as kept:
        made = back_up(kept, out, keep)
    if json:
        print_json(backed_up_data(made))
    else:
        print_backed_up(made, own_page())
    _tell_faults(made.faults)


def restore(
    copy: Annotated[Path, typer.Argument(metavar="COPY", help="A copy that casebase backup made.")],
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Put a copy in the place of the library.

    The copy is checked first, and the library that stands there is kept beside it under a dated name. Whoever is
    writing meanwhile waits, and goes on in what was restored. A hub takes a copy while it is empty.

    Example: casebase restore /mnt/copies/library-2026-11-25T0230.db
    """
    place = library_place(library)
    done = restored_to_hub(copy, place) if isinstance(place, HubAddress) else restored(copy, place)
    if json:
        print_json(restored_data(done, place))
    else:
        print_restored(done, place, copy, own_page())
    _tell_faults(done.faults)


def _tell_faults(faults: list[str]) -> None:
    """Tell what is wrong with attached files; the records are safe, so the copy stands."""
    if faults:
        typer.echo("\n".join(faults), err=True)
        raise typer.Exit(1)


def check(
    library: LibraryOption = None,
    json: JsonOption = False,
    prune: Annotated[
        bool, typer.Option("--prune", help="Remove attached files of no record, and the caches.")
    ] = False,
) -> None:
    """Check that the library is whole, and show how large it is.

    The file, the records, the tables made from them, and the attached files. The caches are shared by all libraries and
    made again when they are needed.

    Example: casebase check --library shop.db
    """
    with open_library(library) as kept:
        faults, count = kept.faults(), kept.count()
        if prune:
            kept.remove_left_over_files()
        left = kept.left_over_files()
        room = room_of(kept)
    if prune:
        for folder in _caches():
            shutil.rmtree(folder, ignore_errors=True)  # what another program has open stays
    sizes = room | {"caches": sum(map(bytes_at, _caches()))}
    if json:
        print_json({"cases": count, "faults": faults, "files_of_no_record": left.files, "bytes": sizes})
    else:
        typer.echo("\n".join(faults) if faults else f"{count} records, all whole.")
        _tell_room(sizes, left)
    if faults:
        raise typer.Exit(1)


def _caches() -> tuple[Path, ...]:
    return places.simulation_folder(), places.text_model_folder()


def _tell_room(sizes: dict[str, int], left: LeftOver) -> None:
    told = ", ".join(f"{name.replace('_', ' ')} {count / 1e6:.1f} MB" for name, count in sizes.items())
    typer.echo(f"On the disk: {told}.")
    if left.files:
        typer.echo(
            f"{left.files} attached files ({left.bytes} bytes) are named by no record; they do no harm."
        )
    if left.files or sizes["caches"]:
        typer.echo("casebase check --prune removes attached files of no record, and the caches.")


def rebuild(library: LibraryOption = None, json: JsonOption = False) -> None:
    """Make the tables again from the records.

    Example: casebase rebuild --library shop.db
    """
    with open_library(library) as kept:
        count = kept.rebuild()
    if json:
        print_json({"records": count})
    else:
        typer.echo(f"{count} records: tables and full text made again.")
