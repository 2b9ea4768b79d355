"""What the commands open: the library, record files, the job that is meant, the folder of simulated buses."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from threading import Thread

import typer

from casebase import places
from casebase.bus.bank import watch_simulations
from casebase.errors import CasebaseError
from casebase.library.matching import Means
from casebase.library.store import Library
from casebase.match.text.embedder import Embedder, open_embedder, ready_embedder
from casebase.record.case import Case
from casebase.record.loading import load_file, record_files
from casebase.terminal.page import Counted, Shared


def open_library(path: Path | None, *, make: bool = False) -> Library:
    """Open the library named, or the user's own; `make` makes it, and says so, where there is none yet."""
    own = places.default_library() if path is None else path
    if make and not own.exists():
        try:
            made = Library.create(own)
        except CasebaseError:
            if not own.exists():  # else another process was first
                raise
        else:
            typer.echo(f"New library: {own}", err=True)
            return made
    return Library.open(own)


def load_records(paths: list[Path]) -> list[Case]:
    """Return every record in the files and folders named."""
    return [case for path in record_files(paths) for case in load_file(path)]


def job_from_anywhere(named: str, library: Path | None) -> Case:
    """Return the job that a file path or a case ID names; a file needs no library."""
    if names_a_file(named):
        return load_records([Path(named)])[0]
    with open_library(library) as kept:
        return job_named(named, kept)


def job_named(named: str, library: Library) -> Case:
    """Return the job that a file path or a case ID names."""
    if names_a_file(named):
        return load_records([Path(named)])[0]
    kept = library.get(named)
    return kept.case.model_copy(update={"id": kept.case_id, "revision": kept.revision})


class TextModelAhead(Thread):
    """Opens the text model, where it is kept ready, while others read the job and the library.

    What goes wrong is left to `text_model`, which tries again and says so.
    """

    def __init__(self) -> None:
        super().__init__()
        self._found: Embedder | None = None
        self.start()

    def run(self) -> None:
        """Open it."""
        with suppress(Exception):
            self._found = ready_embedder(
                places.text_model_folder(), os.environ.get(places.TEXT_MODEL_VARIABLE)
            )

    def found(self) -> Embedder | None:
        """Wait for it, and return it if it was ready."""
        self.join()
        return self._found


def means_to_compare(ahead: TextModelAhead | None = None) -> Means:
    """Return what the match index needs: simulated buses, the text model where it can be had, a bar on stderr."""
    return Means(simulated_buses(), text_model(ahead), Counted("Comparing what is new").tell)


def text_model(ahead: TextModelAhead | None = None) -> Embedder | None:
    """Return the text model; where it cannot be had say so, for everything else works without it."""
    if ahead is not None and (found := ahead.found()) is not None:
        return found
    with Shared() as bar:
        try:
            return open_embedder(
                places.text_model_folder(), os.environ.get(places.TEXT_MODEL_VARIABLE), bar.tell
            )
        except CasebaseError as error:
            typer.echo(f"Stories are left out of the comparison: {error}", err=True)
            return None


def names_a_file(named: str) -> bool:
    """Return whether what was typed is the path of a file, and no ID."""
    try:
        return Path(named).exists() or bool(Path(named).suffix)
    except OSError:  # longer than any name of a file
        return True


def simulated_buses() -> Path:
    """Return the folder of the simulated buses, and say so when they have to be made first."""
    folder = places.simulation_folder()
    if not folder.exists():
        typer.echo("Simulating buses: once on this machine, some seconds ...", err=True)
    watch_simulations(Counted("Simulating buses", worth_from=2).tell)
    return folder
