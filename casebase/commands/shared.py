"""What the commands share: options, and how an answer leaves them."""

from __future__ import annotations

import json
import re
import shlex
import sys
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from casebase import places
from casebase.library.engine import is_hub_address
from casebase.record.problems import printable
from casebase.terminal.page import Page

LibraryOption = Annotated[
    str | None,
    typer.Option(
        "--library",
        envvar=places.LIBRARY_VARIABLE,
        metavar="PATH",
        help="The library file, or the address of a hub.",
        show_default="your own",
    ),
]


def demo_place(named: str) -> Path:
    """Return the file for the invented cases; raise `typer.BadParameter` for a hub, which holds a trade's own."""
    if is_hub_address(named):
        raise typer.BadParameter("the invented cases go into a file of their own, on no hub: name a path")
    return Path(named)


DemoLibraryOption = Annotated[
    Path | None,
    typer.Option(
        "--library",
        parser=demo_place,
        metavar="PATH",
        help="Another place for the invented cases.",
        show_default="your own",
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")]


def by_option(who: str) -> Any:
    """Return the option that names a person; `who` says in its help what that person does."""
    return typer.Option("--by", metavar="HANDLE", envvar=places.AUTHOR_VARIABLE, help=who)


FullOption = Annotated[bool, typer.Option("--full", help="All of it, not the first screen only.")]


def command_again(*more: str) -> str:
    """Return the command line that is running as it was typed, with `more` behind it."""
    return f"casebase {shlex.join([*sys.argv[1:], *more])}"


_DAY: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def _day(text: str) -> date:
    """Return a day on which something can have been made; raise `typer.BadParameter` for any other."""
    try:
        day = date.fromisoformat(text) if _DAY.fullmatch(text) else date.min
    except ValueError:  # such as 30 February
        day = date.min
    if not 2000 <= day.year <= 2199:
        raise typer.BadParameter(f"'{printable(text)}': expected a day from 2000 on, as YYYY-MM-DD")
    return day


DayOption = Annotated[
    date | None,
    typer.Option("--on", parser=_day, metavar="DAY", help="The day it carries; today."),
]


def print_json(data: object) -> None:
    """Print an answer as JSON."""
    typer.echo(json.dumps(data, ensure_ascii=False, indent=2))


def own_page() -> Page:
    """Return a page as wide as the terminal."""
    return Page()
