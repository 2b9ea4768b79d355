"""The command that serves the site."""

from __future__ import annotations

import gc
import os
import tempfile
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from casebase import places
from casebase.commands.news import look_in_passing
from casebase.commands.opening import means_to_compare, open_library
from casebase.commands.shared import LibraryOption, demo_place
from casebase.demo import build_demo_library
from casebase.library.layouts import agreed_layouts
from casebase.library.news import News, news_in
from casebase.library.store import Library
from casebase.publish.frozen import freeze
from casebase.site.connections import EVERY_ADDRESS, is_loopback, network_address
from casebase.site.serving import address_taken, server_over


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
        typer.Option("--name", metavar="NAME", help="Another host name that it answers to."),
    ] = None,
    demo: Annotated[bool, typer.Option("--demo", help="The invented cases of the demonstration.")] = False,
    library: LibraryOption = None,
) -> None:
    """Serve the cases as a read-only site.

    Of a folder of editions the one that is shown, and the next one as soon as that is shown. Of the library only what
    the shop lead has read and agreed to, and of that only what may leave the shop; where that is nothing yet, jobs are
    answered by computation alone. On this computer's own address the first page tells the news, too.

    Example: casebase browse --host 0.0.0.0
    """
    # The address comes first: comparing the cases takes its time, and what cannot be had is said before that.
    with address_taken(host, port) as address, tempfile.TemporaryDirectory(prefix="casebase-") as folder:
        told: list[News] = []
        if file is None:
            file = Path(folder) / "cases.db"
            told = _freeze_own(file, library, demo=demo, only_here=is_loopback(host))
        server = server_over(file, host, port, told, name or ())
        _tell_address(host, port)
        gc.enable()  # a server lives for weeks, unlike a command
        server.run(sockets=[address])


def _freeze_own(out: Path, library: str | None, *, demo: bool, only_here: bool) -> list[News]:
    """Freeze the library, or that of invented cases; return the news that its owner, and nobody else, is told."""
    with _demo_library(library) if demo else open_library(library, make=library is None) as kept:
        _freeze(kept, out)
        if demo or not only_here:
            return []
        look_in_passing(kept)
        return news_in(kept)


def _demo_library(named: str | None) -> Library:
    """Return the library of invented cases; the shop's own, which the environment names, is never taken for it."""
    if named is None or named == os.environ.get(places.LIBRARY_VARIABLE):
        return build_demo_library(places.demo_library())
    return build_demo_library(demo_place(named))


def _freeze(library: Library, out: Path) -> None:
    agreed, whole = library.read_and_agreed(), library.count()
    facts = {
        "frozen on": str(date.today()),
        "cases from": library.fact("purpose") or "frozen from the library; not a published edition",
    }
    contents = library.files.read
    count = freeze(agreed, out, facts, means_to_compare(), contents=contents, layouts=agreed_layouts(library))
    typer.echo(f"{count} of {whole} records are read and agreed, and shown.", err=True)
    if not count:
        typer.echo("Jobs are answered by computation alone. To show cases: casebase review", err=True)


def _tell_address(host: str, port: int) -> None:
    named = network_address() if host in EVERY_ADDRESS else None
    shown = named or (f"[{host}]" if ":" in host else host)
    typer.echo(f"Read-only site: http://{shown}:{port}/ (Ctrl+C stops it)", err=True)
    if not is_loopback(host):
        typer.echo("Everybody on this network can read it: only for networks you trust.", err=True)
