"""A capture kept with its case: the file itself, which stays inside, and its trace, from which pictures are drawn."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from casebase.errors import InputError
from casebase.intake.capture.trace import ENDING, Trace, trace_text
from casebase.library.attached_files import AttachedFiles
from casebase.library.store import Library
from casebase.library.taken_files import LARGEST_GIVEN_BYTES, MOST_OF_A_CASE
from casebase.record.case import Attachment
from casebase.record.vocabulary import YesNo

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
    what: str = "capture",
) -> KeptCapture:
    """Keep the bytes of a capture (or a log) and of its trace; return the attachments that name them and those there.

    A trace holds figures and fixed words alone and is for others; a capture larger than 20 MB is not kept. `about`
    tells when and where it was taken. Raises `InputError` where the case holds too many files.
    """
    files, told = AttachedFiles(library.path), []
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
