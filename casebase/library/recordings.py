"""Captures and logs of the bus kept with cases.

Of a capture the file itself, which stays inside, and its trace, from which pictures are drawn. A log kept with a known
good record is what a later log of the same model is held against.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Final

from casebase.errors import InputError, LibraryError
from casebase.intake.bus_log.open_log import ENDINGS
from casebase.intake.capture.trace import ENDING, Trace, trace_text
from casebase.library.accepted_files import LARGEST_GIVEN_BYTES, MOST_OF_A_CASE
from casebase.library.derived import StoredRecord
from casebase.library.store import Library
from casebase.record.case import Attachment, Case
from casebase.record.vehicle import Vehicle
from casebase.record.vocabulary import Kind, YesNo

CAPTURE, LOG_OF_BUS = "capture", "log of the bus"
"""What an attachment shows."""

LARGEST_KEPT_BYTES: Final = LARGEST_GIVEN_BYTES


@dataclass(frozen=True)
class KeptCapture:
    """The attachments of a case with those of a capture; `too_large` where the capture itself was not kept."""

    attachments: list[Attachment]
    too_large: bool


def keep_capture(  # noqa: PLR0913, PLR0917  where, beside what, what and how it is told
    library: Library,
    there: list[Attachment],
    file: Path,
    trace: Trace | None,
    about: str,
    what: str = CAPTURE,
) -> KeptCapture:
    """Keep the bytes of a capture (or a log) and of its trace; return the attachments that name them and those there.

    A trace holds figures and fixed words alone and is for others; a capture larger than 20 MB is not kept. `about`
    tells when and where it was taken. Raises `InputError` where the case holds too many files.
    """
    files, told = library.files, []
    too_large = file.stat().st_size > LARGEST_KEPT_BYTES
    if trace is not None:
        told.append(
            Attachment(
                file=f"{file.stem}{ENDING}",
                shows=f"scope trace, {about}",
                for_others=YesNo.YES,
                sha256=files.keep(trace_text(trace).encode()),
            )
        )
    if not too_large:
        told.append(
            Attachment(file=file.name, shows=f"{what}, {about}", sha256=files.keep(file.read_bytes()))
        )
    new = [one for one in told if one.sha256 not in {old.sha256 for old in there}]
    if len(there) + len(new) > MOST_OF_A_CASE:
        raise InputError(
            f"{file.name}: the case holds {len(there)} files already, and at most {MOST_OF_A_CASE} go with one: take"
            " some off with casebase attach ID --remove NAME"
        )
    return KeptCapture([*there, *_named_apart(there, new)], too_large)


def _named_apart(there: list[Attachment], new: list[Attachment]) -> list[Attachment]:
    """Return the new ones under names that no other file of the case has: `pair-2.trace.csv`."""
    taken, found = {one.file for one in there}, []
    for one in new:
        stem, dot, endings = one.file.partition(".")
        name, number = one.file, 1
        while name in taken:
            number += 1
            name = f"{stem}-{number}{dot}{endings}"
        taken.add(name)
        found.append(one.model_copy(update={"file": name}))
    return found


@dataclass(frozen=True)
class KeptLog:
    """A log that is kept with a record."""

    case_id: str
    attachment: Attachment


def logs_of(kept: StoredRecord) -> list[KeptLog]:
    """Return the logs that are kept with a record, the last attached first."""
    return [
        KeptLog(kept.case_id, one) for one in reversed(kept.case.attachments) if one.sha256 and _is_log(one)
    ]


def _is_log(one: Attachment) -> bool:
    """Whether an attachment is a log of the bus: said to be one, or named as one and not said to be a capture."""
    told = one.shows or ""
    named = PurePath(one.file).suffix.casefold() in ENDINGS and not one.file.endswith(ENDING)
    return told.startswith(LOG_OF_BUS) or (named and not told.startswith(CAPTURE))


def log_of_record(library: Library, prefix: str) -> KeptLog:
    """Return the log kept with the record that `prefix` begins; raise `LibraryError` where there is none."""
    kept = library.get(prefix)
    found = logs_of(kept)
    if not found:
        raise LibraryError(
            f"case {kept.case_id}: no log of the bus is kept with it: keep one with casebase traffic FILE --job"
            f" {kept.case_id}"
        )
    return found[0]


def known_good_log(library: Library, case: Case) -> KeptLog | None:
    """Return the log of the known good record nearest to a case's vehicle: of its model, its platform and year first.

    None where no known good record of that model holds a log.
    """
    if not case.vehicle.model:
        return None
    rows = library.summaries(kind=str(Kind.KNOWN_GOOD), make=case.vehicle.make, model=case.vehicle.model)
    there = [library.get(row["id"]) for row in rows if row["id"] != case.id]
    logs = [(_distance(case.vehicle, kept.case.vehicle), log) for kept in there for log in logs_of(kept)[:1]]
    return min(logs, key=lambda one: one[0])[1] if logs else None


@contextmanager
def log_as_file(library: Library, log: KeptLog) -> Iterator[Path]:
    """Yield the path of a kept log under its own name, for those that read files; it is gone afterwards."""
    content = library.files.read(str(log.attachment.sha256))
    with tempfile.TemporaryDirectory(prefix="casebase-log-") as folder:
        path = Path(folder) / log.attachment.file
        path.write_bytes(content)
        yield path


def _distance(here: Vehicle, there: Vehicle) -> tuple[bool, int]:
    """Return how far apart two vehicles of one model are: whether of another platform, and the years between."""
    years = abs(here.model_year - there.model_year) if here.model_year and there.model_year else 100
    return here.platform != there.platform, years
