"""What the commands share: options, and how an answer leaves them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from casebase import places
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
    typer.echo(json.dumps(data, ensure_ascii=False, indent=2))


def own_page() -> Page:
    """Return a page as wide as the terminal."""
    return Page()
