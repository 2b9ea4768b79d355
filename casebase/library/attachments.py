"""The files of a case: attached, given out again, taken off; and those that a record file names beside it.

The bytes are kept before the record that names them, so that whoever is stopped in between leaves at worst a file that
no record names.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pydantic import ValidationError

from casebase.errors import InputError, LibraryError
from casebase.library.accepted_files import (
    EXPECTED,
    MOST_OF_A_CASE,
    PICTURE_SUFFIXES,
    TEXT_SUFFIXES,
    TakenFile,
    taken_file,
)
from casebase.library.authorship import Authorship, Made
from casebase.library.derived import StoredRecord
from casebase.library.file_store import Files
from casebase.library.library_file import LibraryFile
from casebase.library.records import known_ids
from casebase.library.store import Library, Logged
from casebase.record.case import Attachment, Case, ReviewState
from casebase.record.json_form import ID_LENGTH
from casebase.record.problems import printable
from casebase.record.vocabulary import YesNo


@dataclass(frozen=True)
class WithFiles:
    """A record on its way into the library, and the files it names that are not beside it."""

    case: Case
    missing: list[str]


@dataclass(frozen=True)
class Told:
    """What is told of files that are attached: what they show, whether they are for others, who attaches them."""

    shows: str | None = None
    for_others: bool = False
    by: str | None = None


def attach(  # noqa: PLR0913  one argument per part of what is told
    library: Library,
    prefix: str,
    paths: Sequence[Path],
    shows: str | None = None,
    *,
    for_others: bool = False,
    by: str | None = None,
) -> Logged:
    """Attach files to a case as a new revision of it; all of them or none.

    One that is there already, under its name, is described anew: what it shows, and whether it is for others.
    """
    return attach_to_each(library, {prefix: paths}, Told(shows, for_others, by))[0]


def attach_to_each(library: Library, paths: Mapping[str, Sequence[Path]], told: Told) -> list[Logged]:
    """Attach files to several cases, by the beginnings of their IDs; all of them or none, in one transaction."""
    taken = [(library.get_there(prefix), [_taken(path) for path in some]) for prefix, some in paths.items()]
    files, revised = library.files, []
    for kept, some in taken:
        attachments = list(kept.case.attachments)
        for one in some:
            named = _named(one.name, told.shows, YesNo.YES if told.for_others else None)
            _put(attachments, named.model_copy(update={"sha256": files.keep(one.content)}), kept.case_id)
        revised.append(_revised(kept, attachments))
    return library.log(revised, Authorship(Made.FILES, told.by))


def _taken(path: Path) -> TakenFile:
    try:
        return taken_file(path)
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such file: check the path") from None


def take_off(library: Library, prefix: str, named: str, by: str | None = None) -> Logged:
    """Take a file off a case as a new revision of it; earlier revisions keep it."""
    kept = library.get_there(prefix)
    gone = attachment_of(kept, named)
    revised = _revised(kept, [one for one in kept.case.attachments if one is not gone])
    return library.log([revised], Authorship(Made.FILES, by))[0]


def attachment_of(kept: StoredRecord, named: str) -> Attachment:
    """Return the attachment of a case by its name or the beginning of its SHA-256; raise `LibraryError` otherwise."""
    there = kept.case.attachments
    found = [one for one in there if one.file == named] or [
        one for one in there if one.sha256 and len(named) >= 4 and one.sha256.startswith(named.casefold())
    ]
    if len(found) == 1:
        return found[0]
    if found:
        told = ", ".join(str(one.sha256)[:12] for one in found)
        raise LibraryError(
            f"case {kept.case_id}: {len(found)} files are called '{named}': name one by {told}"
        )
    names = ", ".join(one.file for one in there) or "none"
    raise LibraryError(
        f"case {kept.case_id}: no file '{printable(named)}' is attached: expected one of {names}"
    )


def content_of(library: Library, kept: StoredRecord, named: str) -> bytes:
    """Return the bytes of a file of a case."""
    attachment = attachment_of(kept, named)
    if attachment.sha256 is None:
        raise LibraryError(
            f"case {kept.case_id}: of '{attachment.file}' only the name is known: attach it with casebase attach"
            f" {kept.case_id} FILE"
        )
    return library.files.read(attachment.sha256)


def with_files_beside(library: Library, case: Case, folder: Path) -> WithFiles:
    """Return a record with the files it names taken in from the folder it lies in, where they are.

    A file that the library holds already is known by its SHA-256. Raises `InputError` for one that is not taken.
    """
    if not case.attachments:
        return WithFiles(case, [])
    _refuse_too_many(case.attachments, str(folder))
    files = library.files
    told = [_found_beside(one, folder, files) for one in case.attachments]
    missing = [one.file for one in told if one.sha256 is None]
    return WithFiles(case.model_copy(update={"attachments": _told_apart(told)}), missing)


def _found_beside(attachment: Attachment, folder: Path, files: Files) -> Attachment:
    if attachment.sha256 is not None and files.bytes_of(attachment.sha256) is not None:
        return attachment
    name = attachment.file
    if name != Path(name).name or name in {".", ".."}:
        raise InputError(
            f"'{printable(name)}': expected the name of a file beside the record, without a folder"
        )
    try:
        taken = taken_file(folder / name, follow_links=False)
    except FileNotFoundError:
        return attachment.model_copy(update={"sha256": None})
    told = _named(taken.name, attachment.shows, attachment.for_others)
    return told.model_copy(update={"sha256": files.keep(taken.content)})


def _told_apart(attachments: Sequence[Attachment]) -> list[Attachment]:
    """Return the files with names of their own: two pictures may have become alike in their ending."""
    given: dict[str, Attachment] = {}
    for one in attachments:
        name, number = one.file, 1
        while name in given and given[name].sha256 != one.sha256:
            number += 1
            name = f"{Path(one.file).stem}-{number}{Path(one.file).suffix}"
        given.setdefault(name, one.model_copy(update={"file": name}))
    return list(given.values())


def _named(name: str, shows: str | None, for_others: YesNo | None) -> Attachment:
    try:
        return Attachment(file=name, shows=shows, for_others=for_others)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        raise InputError(
            f"{printable(name)}: {first['loc'][0]}: {first['msg']}: name or tell it otherwise"
        ) from None


def _put(attachments: list[Attachment], told: Attachment, case_id: str) -> None:
    for place, there in enumerate(attachments):
        if there.file == told.file and there.sha256 in (None, told.sha256):
            shows = told.shows if told.shows is not None else there.shows
            for_others = told.for_others or there.for_others
            attachments[place] = told.model_copy(update={"shows": shows, "for_others": for_others})
            return
        if there.file == told.file:
            raise LibraryError(
                f"case {case_id}: another file called '{told.file}' is attached: rename yours, or take that one off"
                f" with casebase attach {case_id} --remove {told.file}"
            )
    attachments.append(told)


def _revised(kept: StoredRecord, attachments: list[Attachment]) -> Case:
    _refuse_too_many(attachments, f"case {kept.case_id}")
    told = {"id": kept.case_id, "revision": kept.revision, "attachments": attachments}
    if attachments != kept.case.attachments:
        # What the shop lead said was said of a record without this file: this revision waits to be read.
        told["review"] = ReviewState()
    return kept.case.model_copy(update=told)


def _refuse_too_many(attachments: Sequence[Attachment], where: str) -> None:
    if len(attachments) > MOST_OF_A_CASE:
        raise InputError(
            f"{where}: {len(attachments)} attached files: expected at most {MOST_OF_A_CASE}, those that show the point"
        )


_WORD: Final = re.compile(rf"[0-9a-z]{{{ID_LENGTH},26}}")


def newest_files(folder: Path, most: int | None) -> list[Path]:
    """Return the files of kinds that are taken in a folder, those changed last first; at most `most`.

    Raises `InputError` where the folder cannot be read, or holds none.
    """
    suffixes = {*PICTURE_SUFFIXES, *TEXT_SUFFIXES}
    try:
        found = [
            path for path in folder.iterdir() if path.suffix.casefold() in suffixes and path.name[0] != "."
        ]
        found.sort(key=lambda path: (-path.stat().st_mtime_ns, path.name))
    except OSError as error:
        raise InputError(f"{folder}: cannot be read ({error.strerror}): name a folder") from None
    if not found:
        raise InputError(f"{folder}: nothing to attach in this folder: expected {EXPECTED}")
    return found[:most]


def named_cases(library: LibraryFile, paths: Sequence[Path]) -> dict[Path, str]:
    """Return, of the files whose name holds the whole ID of one case, that case's."""
    with library.reading() as db:
        found = {path: known_ids(db, _words(path)) for path in paths}
    return {path: next(iter(ids)) for path, ids in found.items() if len(ids) == 1}


def _words(path: Path) -> Iterator[str]:
    yield from _WORD.findall(path.stem.casefold())
