"""The command that reads a scope capture, and puts what it tells into a record."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, TypeVar

import typer

from casebase.commands.opening import open_library
from casebase.commands.shared import JsonOption, LibraryOption, own_page, print_json
from casebase.errors import CaptureError
from casebase.intake.capture.facts import CaptureFacts, capture_data, read_capture
from casebase.intake.capture.samples import Wanted
from casebase.intake.capture.trace import Trace, read_with_trace
from casebase.intake.capture.waveform_readings import Where, readings_from
from casebase.library.recordings import keep_capture
from casebase.library.store import Library, Logged
from casebase.record.case import Case
from casebase.record.json_form import plain_data
from casebase.record.loading import case_from_data
from casebase.record.reading import Reading
from casebase.record.vocabulary import Ignition, Medium, Stage
from casebase.record.word_list import Word
from casebase.terminal.capture import print_capture, print_frame
from casebase.terminal.page import Shared

AnyWord = TypeVar("AnyWord", bound=Word)

SecondFile = Annotated[
    Path | None,
    typer.Argument(metavar="FILE2", help="The other line, where the scope wrote a file for each."),
]
MediumOption = Annotated[str | None, typer.Option(help="What was captured, such as 'high-speed CAN' or LIN.")]
ColumnsOption = Annotated[
    str | None,
    typer.Option(metavar="TIME,HIGH,LOW", help="Columns by number or name; - for no time: -,1,2."),
]
SampleRateOption = Annotated[
    float | None, typer.Option("--samples-per-second", metavar="N", help="How fast it was sampled: 10e6.")
]
FullScaleOption = Annotated[
    float | None,
    typer.Option("--full-scale", metavar="VOLTS", help="What the largest whole number stands for."),
]
JobOption = Annotated[
    str | None, typer.Option("--job", metavar="ID", help="Add what it tells to this job, as readings.")
]
UnpluggedOption = Annotated[
    str | None, typer.Option(metavar="NAMES", help="Modules unplugged, separated by commas, or nothing.")
]
NetworkOption = Annotated[str | None, typer.Option(help="Which of the job's networks, where it has several.")]


def capture(  # noqa: PLR0913, PLR0917  one parameter per option
    file: Annotated[Path, typer.Argument(metavar="FILE", help="CSV, .npy, .npz, 16-bit .wav, .sr or .vcd.")],
    second: SecondFile = None,
    medium: MediumOption = None,
    columns: ColumnsOption = None,
    samples_per_second: SampleRateOption = None,
    scale: Annotated[float, typer.Option(metavar="X", help="What every level is multiplied by.")] = 1.0,
    full_scale: FullScaleOption = None,
    job: JobOption = None,
    stage: Annotated[str, typer.Option(help="As found, isolation or after repair.")] = "as found",
    at: Annotated[str, typer.Option("--at", help="Where the probes were.")] = "DLC",
    ignition: Annotated[str | None, typer.Option(help="Off, on or running.")] = None,
    unplugged: UnpluggedOption = None,
    network: NetworkOption = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Read a scope capture of a bus.

    Levels, bit rate, frames and the broken ones, senders that stand out, and what is in doubt. With --job the levels
    become readings of that job; the capture stays with it, and a trace of it, which is drawn on the page of the case.
    In a terminal, what was not said of the vehicle's state is asked.

    Example: casebase capture pair.csv --job 7fq --stage "as found" --ignition on
    """
    named = _word(Medium, medium, "--medium") if medium else None
    wanted = _wanted(columns, samples_per_second, scale, full_scale)
    if job is not None:
        ignition = ignition or _asked("Ignition while it was captured: off, on, running")
        unplugged = unplugged or _asked("Unplugged meanwhile: names separated by commas, or nothing")
    where = Where(
        at,
        _word(Stage, stage, "--stage"),
        _word(Ignition, ignition, "--ignition") if ignition else None,
        network,
        _names_in(unplugged),
    )
    if job is None:
        return _tell(*_read((file, second), named, wanted, drawn=not json), None, json)
    with open_library(library) as kept:
        facts, trace, logged, too_large = _added(kept, job, (file, second), (named, wanted, where))
    if too_large:
        typer.echo(
            f"{file.name} is too large to be kept with the job: keep it yourself. Its trace is kept.",
            err=True,
        )
    return _tell(facts, trace, logged, json)


def _asked(question: str) -> str | None:
    """Return what is answered in a terminal; None where it is not known or nobody is there."""
    if not sys.stdin.isatty():
        return None
    answer = str(typer.prompt(f"{question} (Enter: not known)", default="", show_default=False, err=True))
    return answer.strip() or None


def _names_in(unplugged: str | None) -> tuple[str, ...] | None:
    if unplugged is None:
        return None
    names = [name.strip() for name in unplugged.split(",") if name.strip()]
    return () if [name.casefold() for name in names] == ["nothing"] else tuple(names)


def _read(
    files: tuple[Path, Path | None], medium: Medium | None, wanted: Wanted, *, drawn: bool = True
) -> tuple[CaptureFacts, Trace | None]:
    with Shared() as bar:

        def tell(what: str, done: int, whole: int) -> None:
            bar.tell(what, done / max(whole, 1))

        if drawn:
            return read_with_trace(files[0], medium, wanted, tell, files[1])
        return read_capture(files[0], medium, wanted, tell, files[1]), None


def _added(
    library: Library, job: str, files: tuple[Path, Path | None], asked: tuple[Medium | None, Wanted, Where]
) -> tuple[CaptureFacts, Trace | None, Logged, bool]:
    """Read the capture, and keep a new revision of the job with its readings, the capture and its trace."""
    medium, wanted, where = asked
    kept = library.get(job)
    facts, trace = _read(files, medium or _medium_of(kept.case, where.network), wanted)
    readings = [reading.model_dump(exclude_none=True) for reading in readings_from(facts, where)]
    case = _with_readings(kept.case, readings, kept.case_id, kept.revision)
    told, too_large = f"{where.stage}, {where.at}", False
    attachments = case.attachments
    for file, drawn in ((files[0], trace), (files[1], None)):
        if file is not None:
            kept_files = keep_capture(library, attachments, file, drawn, told)
            attachments, too_large = kept_files.attachments, too_large or kept_files.too_large
    case = case.model_copy(update={"attachments": attachments})
    return facts, trace, library.log([case])[0], too_large


def _with_readings(case: Case, readings: list[dict[str, object]], case_id: str, revision: int) -> Case:
    data = plain_data(case)
    new = [Reading.model_validate(one).model_dump(mode="json", exclude_none=True) for one in readings]
    data["readings"] = [*data.get("readings", []), *new]
    return case_from_data({**data, "id": case_id, "revision": revision}, f"job {case_id}")


def _medium_of(case: Case, network: str | None) -> Medium | None:
    """Return the medium of the job's network; raise where it is not told which."""
    if network is None and len(case.networks) > 1:
        names = ", ".join(one.name for one in case.networks)
        raise CaptureError(f"the job has several networks: say which was captured with --network ({names})")
    found = case.network_of(network)
    if network is not None and found is None:
        raise CaptureError(f"the job has no network '{network}'")
    return None if found is None else found.medium


def _tell(facts: CaptureFacts, trace: Trace | None, logged: Logged | None, json: bool) -> None:
    kept = None if logged is None else {"case_id": logged.case_id, "revision": logged.revision}
    if json:
        return print_json(capture_data(facts) | ({"job": kept} if kept else {}))
    print_capture(facts, own_page())
    if trace is not None:
        print_frame(trace, own_page())
    if logged is not None:
        typer.echo(f"\nAdded to job {logged.case_id}: revision {logged.revision}.")
    return None


def _wanted(columns: str | None, rate: float | None, scale: float, full_scale: float | None) -> Wanted:
    parts = [part.strip() for part in (columns or "").split(",")]
    if columns is not None and (len(parts) not in (2, 3) or not all(parts)):
        raise CaptureError(f"--columns {columns}: expected time, high and low, such as 1,2,3 or -,1,2")
    time, high, low = [None if part in ("-", "") else part for part in (*parts, "", "")[:3]]
    return Wanted(time, high, low, rate, scale, full_scale)


def _word(words: type[AnyWord], text: str, option: str) -> AnyWord:
    try:
        return words(text)
    except ValueError:
        raise CaptureError(f"{option} {text}: expected one of {', '.join(words)}") from None
