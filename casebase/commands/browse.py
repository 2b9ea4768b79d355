"""The command that serves the site."""

from __future__ import annotations

import gc
import tempfile
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from casebase import places
from casebase.commands.news import look_in_passing
from casebase.commands.opening import means_to_compare, open_library
from casebase.commands.shared import LibraryOption
from casebase.demo import build_demo_library
from casebase.errors import CasebaseError
from casebase.library.file_store import AttachedFiles
from casebase.library.news import News, news_in
from casebase.library.store import Library
from casebase.publish.frozen import freeze
from casebase.site.hosts import is_loopback
from casebase.site.serving import serve


def browse(  # noqa: PLR0913, PLR0917  one parameter per option
    file: Annotated[
        Path | None,
        typer.Argument(metavar="[FILE]", help="A file of frozen records; left out, the library's own."),
    ] = None,
    host: Annotated[
        str, typer.Option(help="The address to answer on; 0.0.0.0 opens it to the shop's network.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=1, max=65535, help="The port to answer on.")] = 8601,
    name: Annotated[
        list[str] | None,
        typer.Option(
            "--name", metavar="NAME", help="Another name it is asked for by, such as in front of it."
        ),
    ] = None,
    demo: Annotated[bool, typer.Option("--demo", help="The invented cases of the demonstration.")] = False,
    library: LibraryOption = None,
) -> None:
    """Serve the cases as a read-only site.

    Of a folder of editions the one that is shown, and the next one as soon as that is shown. Of the library only what
    the shop lead has read and agreed to, and of that only what may leave the shop. On this computer's own address the
    first page tells the news, too.

    Example: casebase browse --host 0.0.0.0
    """
    if file is not None:
        return _serve(file, host, port, names=name or ())
    with tempfile.TemporaryDirectory(prefix="casebase-") as folder:
        frozen = Path(folder) / "cases.db"
        with build_demo_library(library or places.demo_library()) if demo else open_library(library) as kept:
            _freeze(kept, frozen)
            told: list[News] = []
            if not demo and is_loopback(host):  # only for the owner: beside the frozen file, never in it
                look_in_passing(kept)
                told = news_in(kept)
        return _serve(frozen, host, port, told, name or ())


def _freeze(library: Library, out: Path) -> None:
    agreed, whole = library.read_and_agreed(), library.count()
    facts = {
        "frozen on": str(date.today()),
        "cases from": library.fact("purpose") or "frozen from the library; not a published edition",
    }
    contents = AttachedFiles(library.path).read
    count = freeze(agreed, out, facts, means_to_compare(), contents=contents)
    typer.echo(f"{count} of {whole} records are read and agreed, and shown.", err=True)


def _serve(path: Path, host: str, port: int, news: Sequence[News] = (), names: Sequence[str] = ()) -> None:
    shown = f"[{host}]" if ":" in host else host
    typer.echo(f"Read-only site: http://{shown}:{port}/ (Ctrl+C stops it)", err=True)
    if not is_loopback(host):
        typer.echo("Everybody on this network can read it: only for networks you trust.", err=True)
    gc.enable()  # a server lives for weeks, unlike a command
    try:
        serve(path, host, port, news, names)
    except OSError as error:
        raise CasebaseError(
            f"{host}:{port}: cannot be answered on ({error.strerror}): name another --port"
        ) from None
