"""Logs of the bus kept with records: what a later log of the same model is held against."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePath

from casebase.errors import LibraryError
from casebase.intake.bus_log.reading import FORMATS
from casebase.library.attached_files import AttachedFiles
from casebase.library.derived import Kept
from casebase.library.store import Library
from casebase.record.case import Attachment, Case
from casebase.record.vehicle import Vehicle
from casebase.record.vocabulary import Kind


@dataclass(frozen=True)
class KeptLog:
    """A log that is kept with a record."""

    case_id: str
    attachment: Attachment


def logs_of(kept: Kept) -> list[KeptLog]:
    """Return the logs that are kept with a record, the last attached first."""
    return [
        KeptLog(kept.case_id, one)
        for one in reversed(kept.case.attachments)
        if one.sha256 and PurePath(one.file).suffix.casefold() in FORMATS
    ]


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
    logs = [(_apart(case.vehicle, kept.case.vehicle), log) for kept in there for log in logs_of(kept)[:1]]
    return min(logs, key=lambda one: one[0])[1] if logs else None


@contextmanager
def log_as_file(library: Library, log: KeptLog) -> Iterator[Path]:
    """Yield the path of a kept log under its own name, for those that read files; it is gone afterwards."""
    content = AttachedFiles(library.path).read(str(log.attachment.sha256))
    with tempfile.TemporaryDirectory(prefix="casebase-log-") as folder:
        path = Path(folder) / log.attachment.file
        path.write_bytes(content)
        yield path


def _apart(here: Vehicle, there: Vehicle) -> tuple[bool, int]:
    """Return how far apart two vehicles of one model are: another platform, years between."""
    years = abs(here.model_year - there.model_year) if here.model_year and there.model_year else 100
    return here.platform != there.platform, years
