"""What the commands open: the library, record files, the job that is meant, the folder of simulated buses."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from threading import Thread
from typing import Final

import numpy as np
import typer

from casebase import places
from casebase.bus.bank import watch_simulations
from casebase.errors import CasebaseError, InputError
from casebase.library.engine import HubAddress, hub_address, is_hub_address
from casebase.library.layouts import layout_for
from casebase.library.matching import Means
from casebase.library.store import Library
from casebase.match.text.embedder import (
    Embedder,
    Vectors,
    export_kept,
    identity_of,
    open_embedder,
    ready_embedder,
)
from casebase.match.text.model_store import KeptExport
from casebase.record.case import Case
from casebase.record.loading import load_file, record_files
from casebase.terminal.page import Counted, Page, Shared

_MOST_PROCESSES: Final = 61
"""As many as Windows lets one process wait for."""


def library_place(named: str | None) -> Path | HubAddress:
    """Return where the library is that was named: a file, a hub, or the user's own file."""
    if named is None:
        return places.default_library()
    return hub_address(named) if is_hub_address(named) else Path(named)


def open_library(named: str | None, *, make: bool = False) -> Library:
    """Open the library named, or the user's own; `make` makes a file, and says so, where there is none yet."""
    own = library_place(named)
    if make and isinstance(own, Path) and not own.exists():
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


def job_from_anywhere(named: str, library: str | None) -> Case:
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


class TextModelAhead:
    """The text model, opened when a story is first given to it, or ahead of that by `begin`, while others read the job.

    `kept` is what is known of it unopened; None where its export must be made first. What goes wrong is left to
    `text_model`, which tries again and says so.
    """

    def __init__(self) -> None:
        self._folder, self._model = places.text_model_folder(), os.environ.get(places.TEXT_MODEL_VARIABLE)
        self._thread: Thread | None = None
        self._found: Embedder | None = None
        self._tried = False
        self.kept: KeptExport | None = None
        with suppress(CasebaseError):
            self.kept = export_kept(self._folder, self._model)

    def __reduce__(self) -> tuple[Callable[..., Embedder], tuple[Path, str | None]]:
        """Travel to another process as the model that is meant; there it is opened at once."""
        return open_embedder, (self._folder, self._model)

    def begin(self) -> None:
        """Open it in a thread of its own."""
        if self.kept is not None and self._thread is None:
            self._thread = Thread(target=self._open)
            self._thread.start()

    def _open(self) -> None:
        with suppress(Exception):
            self._found = ready_embedder(self._folder, self._model)

    @property
    def identity(self) -> str:
        """A name that changes whenever the vectors would; none where nothing is kept."""
        return identity_of(self.kept) if self.kept else ""

    @property
    def dimensions(self) -> int:
        """The length of a vector."""
        return self.kept.dimensions if self.kept else 0

    def vectors(self, texts: Sequence[str]) -> Vectors:
        """Return one vector per text, all zeros for one that is empty; where the model cannot be had, for all."""
        opened = self._opened() if any(map(str.strip, texts)) else None
        if opened is None:
            return np.zeros((len(texts), self.dimensions), dtype=np.float32)
        return opened.vectors(texts)

    def _opened(self) -> Embedder | None:
        if not self._tried:
            self.begin()
            if self._thread is not None:
                self._thread.join()
            self._found, self._tried = self._found or text_model(), True
        return self._found


def means_to_compare(ahead: TextModelAhead | None = None) -> Means:
    """Return what the match index needs: simulated buses, the text model where it can be had, a bar on stderr."""
    is_kept = ahead is not None and ahead.kept is not None
    embedder, tell = ahead if is_kept else text_model(), Counted("Comparing what is new").tell
    return Means(simulated_buses(), embedder, tell, processes_to_share_among())


def processes_to_share_among() -> int:
    """Return how many processes share what takes long: those that the environment names, else one for each core."""
    told = os.environ.get(places.PROCESSES_VARIABLE)
    if told is None:
        cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
        return min(cores, _MOST_PROCESSES)
    if not told.isascii() or not told.isdigit() or not 1 <= int(told) <= _MOST_PROCESSES:
        raise InputError(
            f"{places.PROCESSES_VARIABLE}: '{told}': expected how many processes may share the work, 1 to"
            f" {_MOST_PROCESSES}"
        )
    return int(told)


def text_model() -> Embedder | None:
    """Return the text model; where it cannot be had say so, for everything else works without it."""
    with Shared() as bar:
        try:
            return open_embedder(
                places.text_model_folder(), os.environ.get(places.TEXT_MODEL_VARIABLE), bar.tell
            )
        except CasebaseError as error:
            typer.echo(f"Stories are left out of the comparison: {error}", err=True)
            return None


def way_to_layout(kept: Library, job: Case, named: str = "JOB") -> str | None:
    """Return that a layout holds for the vehicle of a job, and which command draws it; None where none does.

    `named`: how the job is typed.
    """
    found, _ = layout_for(kept, job.vehicle)
    if found is None:
        return None
    return f"Where on the harness: casebase where {named} draws {found.layout.name()} and says what to open."


def print_way(way: str | None, page: Page) -> None:
    """Print the way to a layout, where there is one."""
    if way:
        page.line()
        page.line(way)


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
