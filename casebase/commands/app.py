"""The commands: each reads its arguments and hands over at once.

Nothing heavy is imported up here, so that `casebase --help` answers at once.
"""

from __future__ import annotations

import atexit
import errno
import gc
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer
from typer.core import TyperGroup

from casebase import __version__, places
from casebase.commands.attach import attach, records_and_folders, tell_missing_files, with_files
from casebase.commands.browse import browse
from casebase.commands.capture import capture
from casebase.commands.care import backup, restore
from casebase.commands.exchange import export, import_bundle, sources
from casebase.commands.news import news, tell_news
from casebase.commands.publish import editions, publish
from casebase.commands.review import names, private, review
from casebase.commands.shared import (
    JsonOption,
    LibraryOption,
    job_from_anywhere,
    open_library,
    own_page,
    print_json,
    simulated_buses,
)
from casebase.commands.similar import evaluate, print_similar, similar
from casebase.commands.traffic import traffic
from casebase.errors import CasebaseError

if TYPE_CHECKING:
    pass


NO_ROOM: Final = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
"""A full disk can come to light wherever something is written."""


class SentencesNotTracebacks(TyperGroup):
    """Turns everything casebase refuses into `Error: ...` on stderr and exit code 2."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except CasebaseError as error:
            typer.echo(f"Error: {error}", err=True)
            raise SystemExit(2) from None
        except BrokenPipeError:
            sys.stderr.close()
            raise SystemExit(0) from None
        except OSError as error:
            if error.errno not in NO_ROOM:
                raise
            typer.echo(
                f"Error: {error.filename or 'the disk'}: {error.strerror}: make room, then try again",
                err=True,
            )
            raise SystemExit(2) from None
        except KeyboardInterrupt:
            typer.echo("\nStopped.", err=True)
            raise SystemExit(130) from None


app = typer.Typer(
    cls=SentencesNotTracebacks,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Keep solved vehicle-network cases, and find the past cases most like a stuck job.",
)


def main() -> None:
    """Run the command line."""
    # A command lives for seconds: looking for cycles among ten thousand profiles would cost it a fifth, and Python
    # would still look once on leaving.
    gc.disable()
    atexit.register(gc.freeze)
    # The arrays are small: threads of the linear algebra wait for each other longer than they reckon.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    app()


@app.callback(invoke_without_command=True)
def _version(version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False) -> None:
    if version:
        typer.echo(f"casebase {__version__}")
        raise typer.Exit


@app.command()
def init(library: LibraryOption = None) -> None:
    """Make a new, empty library.

    Example: casebase init --library shop.db
    """
    from casebase.library.store import Library  # noqa: PLC0415

    path = library or places.default_library()
    Library.create(path).close()
    typer.echo(f"New library: {path}. Next: casebase log")


@app.command()
def demo(
    job: Annotated[
        str | None, typer.Option("--job", metavar="NAME", help="Another of the stuck jobs.")
    ] = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Try a stuck job on invented cases.

    Example: casebase demo --job tailgate
    """
    from casebase.demo import build_demo_library, job_files, load_demo_job  # noqa: PLC0415
    from casebase.terminal.answer import print_demo_end, print_demo_start  # noqa: PLC0415

    path = library or places.demo_library()
    stuck = load_demo_job(job)
    with build_demo_library(path) as built:
        if json:
            return print_similar(built, stuck, 5, json)
        print_demo_start(built, own_page())
        print_similar(built, stuck, 3, json)
        return print_demo_end(built, [path.stem for path in job_files()], own_page())


@app.command()
def template(
    full: Annotated[bool, typer.Option("--full", help="Every key there is, with its words.")] = False,
    known_good: Annotated[
        bool, typer.Option("--known-good", help="For readings of a healthy vehicle.")
    ] = False,
) -> None:
    """Print a file to fill in.

    Example: casebase template > case.yaml
    """
    from casebase.intake.template import template_text  # noqa: PLC0415

    typer.echo(template_text(full=full, kind="known good" if known_good else "fault case"), nl=False)


@app.command()
def log(
    files: Annotated[
        list[Path] | None, typer.Argument(metavar="[FILE]...", help="Record files or folders.")
    ] = None,
    on: Annotated[
        str | None, typer.Option("--on", metavar="ID", help="Go on with this open job, by asking.")
    ] = None,
    author: Annotated[
        str | None, typer.Option(envvar=places.AUTHOR_VARIABLE, help="The handle offered as author.")
    ] = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Keep records: from files, or by asking.

    Without a file it asks one question at a time. Of several files all are kept or, where one does not fit, none.
    Pictures and text files that a record names under attachments are taken in from beside it.

    Example: casebase log case.yaml
    """
    from casebase.terminal.interview import log_by_asking, print_logged, print_logged_json  # noqa: PLC0415

    records = records_and_folders(files) if files else []
    with open_library(library, make_own=True) as kept:
        if not files:
            log_by_asking(kept, places.draft_folder(), own_page(), author, on)
            return tell_news(kept)
        found = with_files(kept, records)
        cases = [one.case for one in found]
        logged = kept.log(cases)
        tell_missing_files(found, logged)
        print_logged_json(logged) if json else print_logged(logged, cases, own_page())
        return tell_news(kept)


@app.command(name="list")
def list_cases(  # noqa: PLR0913, PLR0917  one parameter per filter
    find: Annotated[
        str | None, typer.Option("--find", metavar="WORDS", help="Cases that hold these words.")
    ] = None,
    make: Annotated[str | None, typer.Option(help="Of this make.")] = None,
    model: Annotated[str | None, typer.Option(help="Of this model.")] = None,
    platform: Annotated[str | None, typer.Option(help="On this platform.")] = None,
    code: Annotated[str | None, typer.Option(help="With this trouble code.")] = None,
    module: Annotated[str | None, typer.Option(help="With this module in it.")] = None,
    fault: Annotated[str | None, typer.Option(help="With this cause, such as low_open.")] = None,
    status: Annotated[str | None, typer.Option(help="Such as 'fixed, verified'.")] = None,
    kind: Annotated[str | None, typer.Option(help="Such as 'known good'.")] = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """List or search the cases.

    The newest come first; with --find, those that fit best.

    Example: casebase list --find "water splice" --platform K4
    """
    from casebase.commands.shared import list_filters  # noqa: PLC0415
    from casebase.library.sources import taken_from  # noqa: PLC0415
    from casebase.terminal.case import print_list  # noqa: PLC0415

    wanted = list_filters(
        make=make,
        model=model,
        platform=platform,
        code=code,
        module=module,
        fault=fault,
        status=status,
        kind=kind,
    )
    with open_library(library) as kept:
        rows = kept.summaries(find=find, **wanted)
        told = taken_from(kept)
    rows = [row | {"taken_from": told[row["id"]].data()} if row["id"] in told else row for row in rows]
    if json:
        print_json(rows)
    else:
        print_list(rows, "records that fit" if wanted or find else "records", own_page())


@app.command()
def show(
    case_id: Annotated[str, typer.Argument(metavar="ID", help="A case ID, or the beginning of one.")],
    file: Annotated[bool, typer.Option("--file", help="As a record file, to edit and log again.")] = False,
    revisions: Annotated[bool, typer.Option("--revisions", help="Every revision kept.")] = False,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Show one case.

    Example: casebase show 7fq --file > case.yaml
    """
    from casebase.library.records import case_data  # noqa: PLC0415
    from casebase.library.reviews import spoken_standing  # noqa: PLC0415
    from casebase.library.sources import taken_from_of  # noqa: PLC0415
    from casebase.terminal.case import (  # noqa: PLC0415
        attachment_lines,
        print_case,
        print_revisions,
    )

    with open_library(library) as kept:
        found = kept.get(case_id)
        told = taken_from_of(kept, found.case_id)
        spoken = spoken_standing(kept, found)
        attached = attachment_lines(kept, found.case)
        history = kept.revisions(found.case_id) if revisions else []
    if file:
        from casebase.record.loading import record_yaml  # noqa: PLC0415

        typer.echo(record_yaml(found.case, found.case_id, found.revision), nl=False)
    elif json:
        print_json(history if revisions else case_data(found) | ({"taken_from": told.data()} if told else {}))
    elif revisions:
        print_revisions(found, history, own_page())
    else:
        print_case(
            found, own_page(), told.words() if told else "", spoken.words() if spoken else "", attached
        )


app.command()(attach)
app.command()(similar)
app.command()(evaluate)
app.command()(browse)
app.command()(review)
app.command()(publish)
app.command()(editions)
app.command()(names)
app.command()(private)
app.command()(export)
app.command("import")(import_bundle)
app.command()(sources)
app.command()(capture)
app.command()(traffic)
app.command()(news)
app.command()(backup)
app.command()(restore)


@app.command()
def readings(  # noqa: PLR0913, PLR0917  one parameter per reading
    job: Annotated[
        str | None, typer.Argument(metavar="[FILE|ID]", help="A record file, or a case ID.")
    ] = None,
    pair: Annotated[str | None, typer.Option(help="Ohms between the lines, battery off.")] = None,
    high: Annotated[str | None, typer.Option(help="Volts of CAN high to ground, ignition on.")] = None,
    low: Annotated[str | None, typer.Option(help="Volts of CAN low to ground, ignition on.")] = None,
    high_ohms: Annotated[str | None, typer.Option(help="Ohms of CAN high to ground, battery off.")] = None,
    low_ohms: Annotated[str | None, typer.Option(help="Ohms of CAN low to ground, battery off.")] = None,
    medium: Annotated[str, typer.Option(help="The medium of readings given as options.")] = "high-speed CAN",
    base_rates: Annotated[
        bool, typer.Option("--base-rates", help="Weigh the states by how often the library found them.")
    ] = False,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Say what readings can mean, and the next test.

    Computed from simulated buses; the first run on a machine simulates them, which takes some seconds.

    Example: casebase readings --pair 61 --high 2.48 --low 2.47
    """
    from casebase.intake.answers import quick_readings  # noqa: PLC0415
    from casebase.match import meaning  # noqa: PLC0415
    from casebase.terminal.readings import print_meanings  # noqa: PLC0415

    cache, prior = simulated_buses(), None
    if base_rates:
        with open_library(library) as kept:
            prior = meaning.base_rates(kept.fault_counts())
    given = quick_readings(medium, pair=pair, high=high, low=low, high_ohms=high_ohms, low_ohms=low_ohms)
    found = (
        meaning.meanings_of(job_from_anywhere(job, library), cache, prior)
        if job
        else [meaning.meaning_of_readings(given.readings, given.medium, cache, prior)]
    )
    if json:
        return print_json(meaning.meanings_data(found, prior))
    return print_meanings(found, own_page())


@app.command()
def codes(
    texts: Annotated[
        list[str], typer.Argument(metavar="TEXT...", help="Trouble codes, or - for a scan on stdin.")
    ],
    json: JsonOption = False,
) -> None:
    """Explain trouble codes.

    What each says, of which module, and who blames whom.

    Example: casebase codes U0121-87 "SPN 639 FMI 9"
    """
    from casebase.intake.scan_report import explained_codes, explained_report  # noqa: PLC0415
    from casebase.terminal.readings import print_codes  # noqa: PLC0415

    told = explained_report(sys.stdin.read()) if texts == ["-"] else explained_codes(texts)
    if json:
        print_json(told)
    else:
        print_codes(told, own_page())


@app.command()
def check(library: LibraryOption = None, json: JsonOption = False) -> None:
    """Check that the library is whole.

    The file, the records, the tables made from them, and the attached files.

    Example: casebase check --library shop.db
    """
    with open_library(library) as kept:
        faults, count, left = kept.faults(), kept.count(), kept.left_over_files()
    if json:
        print_json({"cases": count, "faults": faults, "files_of_no_record": left.files})
    else:
        typer.echo("\n".join(faults) if faults else f"{count} records, all whole.")
        if left.files:
            typer.echo(
                f"{left.files} attached files ({left.bytes} bytes) are named by no record; they do no harm."
            )
    if faults:
        raise typer.Exit(1)


@app.command()
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
