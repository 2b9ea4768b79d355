"""What the commands share: options, and how an answer leaves them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from casebase import places

if TYPE_CHECKING:
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
