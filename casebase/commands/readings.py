"""The commands that need no library: what readings can mean, and what codes say."""

from __future__ import annotations

import sys
from pathlib import Path
from shlex import quote
from typing import Annotated, Final

import typer

from casebase.bus.feed import feeds_of
from casebase.bus.plain_tests import plain_tests
from casebase.commands.opening import (
    job_from_anywhere,
    library_place,
    open_library,
    print_way,
    simulated_buses,
    way_to_layout,
)
from casebase.commands.shared import (
    FullOption,
    JsonOption,
    LibraryOption,
    command_again,
    own_page,
    print_json,
)
from casebase.errors import InputError
from casebase.files import text_of
from casebase.intake.answers import quick_readings
from casebase.intake.plain_words.report_lines import read_pasted
from casebase.intake.scan_report import explained_codes, explained_report
from casebase.match import meaning
from casebase.record.case import Case
from casebase.record.cautions import cautions_of
from casebase.record.inference import taken_as
from casebase.record.vocabulary import BusState
from casebase.terminal.answer import print_cautions
from casebase.terminal.page import Page
from casebase.terminal.readings import print_codes, print_meanings, print_meanings_in_short, print_plain_tests


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
    full: FullOption = False,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Say what readings can mean, and the next test.

    With --full also the levels, what each reading says and every test. Computed from simulated buses; the first run on
    a machine simulates them, which takes some seconds.

    Example: casebase readings --pair 61 --high 2.48 --low 2.47
    """
    cache, prior = simulated_buses(), _base_rates(library) if base_rates else None
    given = quick_readings(medium, pair=pair, high=high, low=low, high_ohms=high_ohms, low_ohms=low_ohms)
    case = job_from_anywhere(job, library) if job else None
    found = (
        meaning.meanings_of(case, cache, prior)
        if case
        else [meaning.meaning_of_readings(given.readings, given.medium, cache, prior)]
    )
    taken = case.readings if case else given.readings
    feeds = feeds_of(taken)
    tests = plain_tests(meaning.stuck_at(taken, found, feeds, case))
    inferred, cautions = (taken_as(case), cautions_of(case)) if case else ([], [])
    if json:
        told = meaning.meanings_data(found, prior, feeds, tests)
        return print_json(told | {"cautions": cautions, "taken_as": inferred})
    page = own_page()
    for sentence in inferred:
        page.line(sentence)
    if full:
        print_meanings(found, feeds, page)
        print_plain_tests(tests, any(each.tests for each in found), page)
    else:
        print_meanings_in_short(found, feeds, tests, page)
    if case is not None:
        print_cautions(cautions, page)
        _print_way_to_layout(case, str(job), library, page)
    return None if full else page.line(f"All of it: {command_again('--full')}")


def _base_rates(library: str | None) -> dict[BusState, float]:
    """Return how often the library found each state of a bus."""
    with open_library(library) as kept:
        return meaning.base_rates(kept.fault_counts())


def _print_way_to_layout(case: Case, typed: str, library: str | None, page: Page) -> None:
    """Print how to see where it lies, where a library is kept that holds a layout of the vehicle."""
    place = library_place(library)
    if not isinstance(place, Path) or place.exists():
        with open_library(library) as kept:
            print_way(way_to_layout(kept, case, quote(typed)), page)


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
    told = explained_report(read_pasted(_on_stdin())) if texts == ["-"] else explained_codes(texts)
    if json:
        print_json(told)
    else:
        page = own_page()
        print_codes(told, page)
        if told["cautions"]:
            print_cautions(told["cautions"], page)


_MOST_PIPED_BYTES: Final = 5_000_000


def _on_stdin() -> str:
    """Return what is piped in; raise `InputError` for more than a scan report holds, which may never end."""
    content = sys.stdin.buffer.read(_MOST_PIPED_BYTES + 1)
    if len(content) > _MOST_PIPED_BYTES:
        raise InputError(f"more than {_MOST_PIPED_BYTES // 1_000_000} MB on stdin: expected a scan report")
    try:
        return text_of(content)
    except UnicodeDecodeError as error:
        raise InputError(f"stdin: not UTF-8 text (byte {error.start}): save it as UTF-8") from None
