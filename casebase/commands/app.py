"""The command line: a table of commands, each imported when it is called; what is refused is told in a sentence."""

from __future__ import annotations

import atexit
import errno
import gc
import io
import os
import sys
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any, Final, NamedTuple

import typer
from typer.core import TyperGroup

from casebase import __version__
from casebase.errors import CasebaseError, shown


class Listed(NamedTuple):
    """A command of the table: the module of `casebase.commands` and the function that is it, and its line of help."""

    module: str
    function: str
    help: str


GROUPS: Final[dict[str, dict[str, Listed]]] = {
    "Stuck at the vehicle": {
        "ask": Listed("ask", "ask", "Ask in plain words, as to a colleague."),
        "similar": Listed("similar", "similar", "Find the cases most like a job."),
        "where": Listed("layout", "where", "Say where on its wiring layout the fault of a job lies."),
        "readings": Listed("readings", "readings", "Say what readings can mean, and the next test."),
        "codes": Listed("readings", "codes", "Explain trouble codes."),
        "capture": Listed("capture", "capture", "Read a scope capture of a bus."),
        "traffic": Listed("traffic", "traffic", "Read a log of the bus."),
        "list": Listed("records", "list_cases", "List or search the cases."),
        "show": Listed("records", "show", "Show one case."),
        "browse": Listed("browse", "browse", "Serve the cases as a read-only site."),
        "demo": Listed("similar", "demo", "Try a stuck job on invented cases."),
    },
    "Recording a case": {
        "log": Listed("records", "log", "Keep records: from files, or by asking."),
        "template": Listed("records", "template", "Print a file to fill in."),
        "edit": Listed("edit", "edit", "Edit a record, in your editor or field by field."),
        "undo": Listed("edit", "undo", "Take back your last revision of a record."),
        "remove": Listed("edit", "remove", "Remove a record from lists, rankings and the next edition."),
        "layout": Listed(
            "layout", "layout", "List the wiring layouts, draw one, or draft one from past cases."
        ),
        "attach": Listed("attach", "attach", "Attach pictures and text files to a case."),
        "news": Listed("news", "news", "Show which open questions a later case may explain."),
    },
    "For the shop lead": {
        "review": Listed("review", "review", "Review what waits to be read, the most useful first."),
        "names": Listed("review", "names", "List, add or remove names of people that must not be published."),
        "private": Listed("review", "private", "Show what looks private in the text of records."),
        "words": Listed(
            "words",
            "words",
            "Go through the words of public text that no list knows, and say which are harmless.",
        ),
        "publish": Listed("publish", "publish", "Publish the agreed records as the next edition."),
        "editions": Listed("publish", "editions", "List the editions of a folder, or show another one."),
        "export": Listed("exchange", "export", "Write the agreed records to a bundle for other shops."),
        "import": Listed("exchange", "import_bundle", "Take in a bundle from another shop."),
        "sources": Listed(
            "exchange",
            "sources",
            "List the shops whose bundles were taken in, or set how much one of them weighs.",
        ),
        "send": Listed("hub", "send", "Send the agreed records to a hub."),
        "fetch": Listed("hub", "fetch", "Fetch from a hub what its lead agreed to, and take it in."),
        "hub": Listed("hub", "hub", "Take in bundles of shops over the network, and hand one out."),
        "tokens": Listed(
            "hub", "tokens", "List the tokens by which shops send to this hub, make one or revoke it."
        ),
        "evaluate": Listed(
            "evaluate",
            "evaluate",
            "Test the matching on the solved cases, and show what each facet is worth.",
        ),
    },
    "Looking after the library": {
        "init": Listed("records", "init", "Make a new, empty library."),
        "backup": Listed("care", "backup", "Copy the library while people write in it."),
        "restore": Listed("care", "restore", "Put a copy in the place of the library."),
        "check": Listed("care", "check", "Check that the library is whole, and show how large it is."),
        "rebuild": Listed("care", "rebuild", "Make the tables again from the records."),
    },
}
"""Every command by who uses it, in the order of the help; a test holds each line to the docstring of its function."""

COMMANDS: Final = {name: listed for group in GROUPS.values() for name, listed in group.items()}

_IN_USE: Final = "close it where it is open, or see who may write there"
ADVICE: Final = dict.fromkeys((errno.ENOSPC, errno.EDQUOT, errno.EFBIG), "make room") | dict.fromkeys(
    (errno.EACCES, errno.EPERM, errno.EBUSY, errno.EROFS), _IN_USE
)
"""What to do where the system refuses to write, by its error: that can come to light wherever something is written.

Windows answers EACCES for a file that another program has open."""


class Commands(TyperGroup):
    """The commands of the table; turns everything casebase refuses into `Error: ...` on stderr and exit code 2."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Read `help` and `help COMMAND` as the help that is meant."""
        return list(super().parse_args(ctx, [*args[1:], "--help"] if args[:1] == ["help"] else args))

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the names of the commands."""
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Import the command of that name; None where there is none."""
        listed = COMMANDS.get(cmd_name)
        if listed is None:
            return None
        alone = typer.Typer(add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)
        alone.command(cmd_name)(getattr(import_module(f"casebase.commands.{listed.module}"), listed.function))
        return typer.main.get_command(alone)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the list of commands from the table, so that help imports none of them."""
        longest = max(map(len, COMMANDS))
        width = formatter.width - 6 - longest
        for title, commands in GROUPS.items():
            with formatter.section(title):
                told = ((name, shortened(listed.help, width)) for name, listed in commands.items())
                formatter.write_dl([(name.ljust(longest), line) for name, line in told])

    def invoke(self, ctx: Any) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except CasebaseError as error:
            typer.echo(f"Error: {shown(str(error))}", err=True)
            raise SystemExit(2) from None
        except BrokenPipeError:
            sys.stderr.close()
            raise SystemExit(0) from None
        except OSError as error:
            if error.errno not in ADVICE:
                raise
            place = error.filename2 or error.filename or "the disk"
            typer.echo(f"Error: {place}: {error.strerror}: {ADVICE[error.errno]}, then try again", err=True)
            raise SystemExit(2) from None
        except KeyboardInterrupt:
            typer.echo("\nStopped.", err=True)
            raise SystemExit(130) from None


def shortened(line: str, width: int) -> str:
    """Return a line of help cut at a word to `width` characters.

    >>> shortened("List the shops whose bundles were taken in.", 24)
    'List the shops whose...'
    """
    return line if len(line) <= width else f"{line[: width - 2].rsplit(' ', 1)[0]}..."


app = typer.Typer(
    cls=Commands,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Keep solved vehicle-network cases, and find the past cases most like a stuck job.",
    epilog="casebase help COMMAND tells how one is used, with an example.",
)


def main() -> None:
    """Run the command line."""
    _open_what_is_closed()
    _write_utf_8()
    # A command lives for seconds: looking for cycles among ten thousand profiles would cost it a fifth, and Python
    # would still look once on leaving.
    gc.disable()
    atexit.register(gc.freeze)
    # The arrays are small: threads of the linear algebra wait for each other longer than they compute.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # No plugin of pydantic is wanted: looking for one reads what every package installed says of itself.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    try:
        app()
    except OSError as error:  # help and errors of options are written before a command runs
        if error.errno not in ADVICE:
            raise
        os._exit(2)  # leaving as usual would try to write the same again


def _open_what_is_closed() -> None:
    """Give input and output that were closed by whoever started the command a place: nothing."""
    if sys.stdin is None:
        sys.stdin = open(os.devnull, encoding="utf-8")  # noqa: SIM115  for as long as the process lives
    if sys.stdout is None:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115


def _write_utf_8() -> None:
    """Write UTF-8 to files and other programs whatever the code page; a terminal says itself what it can show."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            own = stream.encoding if stream.isatty() else "utf-8"
            stream.reconfigure(encoding=own, errors="backslashreplace")
    if isinstance(sys.stdin, io.TextIOWrapper) and not sys.stdin.isatty():
        sys.stdin.reconfigure(encoding="utf-8-sig")


@app.callback(invoke_without_command=True)
def _version(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version, and where it runs from.")
    ] = False,
) -> None:
    if version:
        python = ".".join(map(str, sys.version_info[:3]))
        typer.echo(f"casebase {__version__} from {Path(__file__).parents[1]} (Python {python})")
        raise typer.Exit
