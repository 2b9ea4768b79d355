"""What the commands share: options, and how an answer leaves them.

What the commands open: the library, record files, the job that is meant, the folder of simulated buses.

Filters for the list of cases, checked against the words that can occur.
"""

from __future__ import annotations

import os
from contextlib import suppress
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Annotated

import typer

from casebase import places
from casebase.errors import CasebaseError, CodeError, InputError
from casebase.match.index.collection import Narrowing
from casebase.record.codes import parse_code
from casebase.record.modules import module_key
from casebase.record.vocabulary import Fault, Kind, Medium, Status
from casebase.record.word_list import Word

if TYPE_CHECKING:
    from casebase.library.matching import Means
    from casebase.library.store import Library
    from casebase.match.text.embedder import Embedder
    from casebase.record.case import Case
    from casebase.terminal.page import Page

LibraryOption = Annotated[
    Path | None,
    typer.Option(
        "--library",
        envvar=places.LIBRARY_VARIABLE,
        metavar="PATH",
        help="The library file.",
        show_default="your own",
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")]


def print_json(data: object) -> None:
    """Print an answer as JSON."""
    import json  # noqa: PLC0415

    typer.echo(json.dumps(data, ensure_ascii=False, indent=2))


def own_page() -> Page:
    """Return a page as wide as the terminal."""
    from casebase.terminal.page import Page  # noqa: PLC0415

    return Page()


def open_library(path: Path | None, *, make_own: bool = False) -> Library:
    """Open the library named, or the user's own; `make_own` makes that one where there is none yet."""
    from casebase.library.store import Library  # noqa: PLC0415

    own = places.default_library() if path is None else path
    if make_own and path is None and not own.exists():
        typer.echo(f"New library: {own}", err=True)
        with suppress(CasebaseError):  # another process was first
            return Library.create(own)
    return Library.open(own)


def load_records(paths: list[Path]) -> list[Case]:
    """Return every record in the files and folders named."""
    from casebase.record.loading import load_file, record_files  # noqa: PLC0415

    return [case for path in record_files(paths) for case in load_file(path)]


def job_from_anywhere(named: str, library: Path | None) -> Case:
    """Return the job that a file path or a case ID names; a file needs no library."""
    if _names_a_file(named):
        return load_records([Path(named)])[0]
    with open_library(library) as kept:
        return job_named(named, kept)


def job_named(named: str, library: Library) -> Case:
    """Return the job that a file path or a case ID names."""
    if _names_a_file(named):
        return load_records([Path(named)])[0]
    kept = library.get(named)
    return kept.case.model_copy(update={"id": kept.case_id, "revision": kept.revision})


class TextModelAhead(Thread):
    """Opens the text model, where it is kept ready, while others read the job and the library.

    What goes wrong is left to `text_model`, which tries again and says so.
    """

    def __init__(self) -> None:
        from casebase.match.text.embedder import ready_embedder  # noqa: PLC0415

        super().__init__()
        self._ready = ready_embedder
        self._found: Embedder | None = None
        self.start()

    def run(self) -> None:
        """Open it."""
        with suppress(Exception):
            self._found = self._ready(places.text_model_folder(), os.environ.get(places.TEXT_MODEL_VARIABLE))

    def found(self) -> Embedder | None:
        """Wait for it, and return it if it was ready."""
        self.join()
        return self._found


def means_to_compare(ahead: TextModelAhead | None = None) -> Means:
    """Return what the match index needs: simulated buses, the text model where it can be had, a bar on stderr."""
    from casebase.library.matching import Means  # noqa: PLC0415
    from casebase.terminal.page import Counted  # noqa: PLC0415

    return Means(simulated_buses(), text_model(ahead), Counted("Comparing what is new").tell)


def text_model(ahead: TextModelAhead | None = None) -> Embedder | None:
    """Return the text model; where it cannot be had say so, for everything else works without it."""
    if ahead is not None and (found := ahead.found()) is not None:
        return found
    from casebase.match.text.embedder import open_embedder  # noqa: PLC0415
    from casebase.terminal.page import Shared  # noqa: PLC0415

    with Shared() as bar:
        try:
            return open_embedder(
                places.text_model_folder(), os.environ.get(places.TEXT_MODEL_VARIABLE), bar.tell
            )
        except CasebaseError as error:
            typer.echo(f"Stories are left out of the comparison: {error}", err=True)
            return None


def _names_a_file(named: str) -> bool:
    try:
        return Path(named).exists() or bool(Path(named).suffix)
    except OSError:  # longer than any name of a file
        return True


def simulated_buses() -> Path:
    """Return the folder of the simulated buses, and say so when they have to be made first."""
    folder = places.simulation_folder()
    if not folder.exists():
        typer.echo("Simulating buses: once on this machine, some seconds ...", err=True)
    return folder


def list_filters(**given: str | None) -> dict[str, str | None]:
    """Return the filters given, words made whole; raise `InputError` for a word that no list has."""
    wanted = {key: value for key, value in given.items() if value}
    return {key: _made_whole(key, value) for key, value in wanted.items()}


def narrowing_of(  # noqa: PLR0913  one per aspect
    *,
    medium: str | None = None,
    make: str | None = None,
    status: str | None = None,
    shop: str | None = None,
    since: str | None = None,
    until: str | None = None,
) -> Narrowing:
    """Return which cases may be compared; raise `InputError` for a word that no list has, or a day that is none."""
    return Narrowing(
        medium=Medium(_word("medium", medium, Medium)) if medium else None,
        make=make,
        status=Status(_word("status", status, Status)) if status else None,
        shop=shop,
        since=_day("since", since),
        until=_day("until", until),
    )


def _day(option: str, text: str | None) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise InputError(f"--{option} '{text}': expected a day such as 2026-03-14") from None


def _made_whole(key: str, value: str) -> str:
    words: dict[str, type[Word]] = {"fault": Fault, "status": Status, "kind": Kind}
    if key in words:
        return _word(key, value, words[key])
    if key == "module":
        return module_key(value) or value
    return _code(value) if key == "code" else value


def _word(key: str, value: str, words: type[Word]) -> str:
    try:
        return str(words(value))
    except ValueError:
        listed = [str(word) for word in words]
        close = get_close_matches(value.casefold(), listed, n=1, cutoff=0.5)
        hint = f" Did you mean '{close[0]}'?" if close else ""
        raise InputError(f"--{key} '{value}': expected one of {', '.join(listed)}.{hint}") from None


def _code(value: str) -> str:
    try:
        return parse_code(value).text
    except CodeError as error:
        raise InputError(f"--code: {error}") from None
