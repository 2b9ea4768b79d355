"""The command that reads a log of the bus: who fell silent, what is missing, how full the bus was."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Final

import typer

from casebase.commands.opening import open_library
from casebase.commands.shared import JsonOption, LibraryOption, own_page, print_json
from casebase.errors import CaptureError
from casebase.intake.bus_log.report import BitRates, Report, report_of
from casebase.intake.bus_log.report_data import report_data
from casebase.intake.bus_log.senders import modules_of_record, read_module_table
from casebase.intake.bus_log.traffic import Traffic, read_traffic
from casebase.intake.bus_log.words import with_step
from casebase.library.recordings import LOG_OF_BUS, keep_capture, known_good_log, log_as_file, log_of_record
from casebase.record.case import Case
from casebase.record.quantities import BIT_RATE, read_amount
from casebase.terminal.page import Counted
from casebase.terminal.traffic import print_traffic

_READING_GOOD: Final = "Reading the known-good log"


def traffic(  # noqa: PLR0913, PLR0917  one parameter per option
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A log; its content tells the format.")],
    known_good: Annotated[
        str | None,
        typer.Option(
            "--known-good", metavar="LOG|ID", help="A log of the vehicle when it was well, or its record."
        ),
    ] = None,
    bit_rate: Annotated[
        str | None, typer.Option("--bit-rate", metavar="RATE", help="Such as '500 kbit/s'; for the bus load.")
    ] = None,
    data_bit_rate: Annotated[
        str | None, typer.Option("--data-bit-rate", metavar="RATE", help="Of CAN FD's data phase.")
    ] = None,
    modules: Annotated[
        Path | None,
        typer.Option("--modules", metavar="FILE", help="Which module sends which identifier: CSV or YAML."),
    ] = None,
    job: Annotated[
        str | None, typer.Option("--job", metavar="ID", help="Keep what was found as a step of this case.")
    ] = None,
    network: Annotated[
        str | None, typer.Option(help="Which of the job's networks was logged, where it has several.")
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="All identifiers, and all that was found.")] = False,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Read a log of the bus.

    Who fell silent and when, error frames, bus load, every identifier with its period; with a known-good log what is
    missing, late or new. With --job the case gets a step that tells it and keeps the log, and lends its bit rate and
    its modules; the log is held against that of a known good record of the same model, where one is kept.

    Example: casebase traffic drive.log --bit-rate '500 kbit/s' --known-good healthy.log
    """
    case = _case(job, library)
    rates = _rates(bit_rate, data_bit_rate, case, _network_logged(case, network))
    of_record = modules_of_record(case.modules) if case else {}
    table = of_record | read_module_table(modules) if modules else of_record
    good = _known_good(known_good, case, library)
    report = report_of(_read(file, "Reading the log"), good, table, rates)
    kept = _keep(report, case, file, library) if case else None
    if json:
        return print_json(report_data(report) | ({"job": kept} if kept else {}))
    print_traffic(report, own_page(), every=every)
    if kept:
        own_page().line(f"Kept as a step of case {kept['case_id']}, revision {kept['revision']}.")
    return None


def _known_good(named: str | None, case: Case | None, library: str | None) -> Traffic | None:
    """Return the log to compare with: a file, the log of the record named, or that of a record of the job's model."""
    if named is not None and (Path(named).exists() or Path(named).suffix):
        return _read(Path(named), _READING_GOOD)
    if named is None and (case is None or case.kind == "known good"):
        return None
    with open_library(library) as kept:
        log = log_of_record(kept, named) if named else known_good_log(kept, case) if case else None
        if log is None:
            return None
        typer.echo(f"Compared with {log.attachment.file} of record {log.case_id}.", err=True)
        with log_as_file(kept, log) as path:
            return _read(path, _READING_GOOD)


def _case(job: str | None, library: str | None) -> Case | None:
    """Return the case that `--job` names, before a long log is read for it."""
    if job is None:
        return None
    with open_library(library) as kept:
        found = kept.get(job)
        return found.case.model_copy(update={"id": found.case_id, "revision": found.revision})


def _read(path: Path, title: str) -> Traffic:
    return read_traffic(path, Counted(title).tell)


def _network_logged(case: Case | None, named: str | None) -> str | None:
    """Return which of the job's networks a log is of: as named, as answered in a terminal; None where it has one."""
    if case is None or (named is None and len(case.networks) < 2):
        return named
    names = [one.name or str(one.medium) for one in case.networks]
    if named is None and sys.stdin.isatty():
        question = f"Which network was logged ({', '.join(names)})? Enter: not known"
        named = str(typer.prompt(question, default="", show_default=False, err=True)).strip() or None
    if named is None:
        typer.echo(
            f"The job has several networks: say which was logged with --network ({', '.join(names)}).",
            err=True,
        )
    elif case.network_of(named) is None:
        raise CaptureError(f"the job has no network '{named}': expected one of {', '.join(names)}")
    return named


def _rates(nominal: str | None, data: str | None, case: Case | None, logged: str | None) -> BitRates:
    told = [read_amount(text, BIT_RATE).number if text else None for text in (nominal, data)]
    network = case.network_of(logged) if case and (logged or len(case.networks) < 2) else None
    if network is not None:
        held = (network.bit_rate, network.data_bit_rate)
        told = [
            rate if rate is not None else (one.number if one else None)
            for rate, one in zip(told, held, strict=True)
        ]
    return BitRates(*told)


def _keep(report: Report, case: Case, file: Path, library: str | None) -> dict[str, object]:
    """Keep a new revision of the case with the step that tells the log, and the log itself."""
    with open_library(library) as kept:
        files = keep_capture(kept, case.attachments, file, None, "as logged", LOG_OF_BUS)
        told = with_step(case, report).model_copy(update={"attachments": files.attachments})
        logged = kept.log([told])[0]
    if files.too_large:
        typer.echo(f"{file.name} is too large to be kept with the job: keep it yourself.", err=True)
    return {"case_id": logged.case_id, "revision": logged.revision, "outcome": str(logged.outcome)}
