"""Files in a folder that a telephone or a camera fills: the newest first, and which case the name of each names."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from casebase.errors import InputError
from casebase.library.accepted_files import EXPECTED, PICTURE_SUFFIXES, TEXT_SUFFIXES
from casebase.library.library_file import LibraryFile
from casebase.library.records import known_ids
from casebase.record.json_form import ID_LENGTH

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
