"""The attached files that go with a copy of a library: brought over where they are lacking, each by its SHA-256.

They lie in a folder beside the copy. Copies that bear a day in their name share one folder, for a file is named by its
content and never changes.
"""

from __future__ import annotations

import hashlib
import re
import shutil
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from casebase.library.attached_files import files_folder
from casebase.library.placing import folder_of_parts, put

_SHA256: Final = re.compile(r"[0-9a-f]{64}")
_DATED: Final = re.compile(r"(?P<stem>.+)-\d{4}-\d\d-\d\dT\d{4}(?P<suffix>\.[^.]*)?")


@dataclass(frozen=True)
class BroughtOver:
    """How many files were brought over, and what is wrong with others, in sentences."""

    count: int
    faults: list[str]


def folder_beside_copy(copy: Path) -> Path:
    """Return the folder of the files that go with a copy."""
    dated = _DATED.fullmatch(copy.name)
    return files_folder(copy.with_name(f"{dated['stem']}{dated['suffix'] or ''}") if dated else copy)


def folders_of_copy(copy: Path) -> list[Path]:
    """Return where the files of a copy may lie: beside it, by the name it has or by that without a day."""
    return list(dict.fromkeys((files_folder(copy), folder_beside_copy(copy))))


def bring_over(sources: Iterable[Path], target: Path, *, look_closely: bool = False) -> BroughtOver:
    """Bring over every file that the folder `target` lacks; one that is not what its name says is left and told.

    With `look_closely` a file that is there is read, and brought over again where it is not what its name says.
    """
    is_there = _is_right if look_closely else _is_as_long
    found = (path for source in sources for path in _files_in(source))
    wanted = [path for path in found if not is_there(path, target / path.parent.name / path.name)]
    if not wanted:
        return BroughtOver(0, [])
    target.mkdir(parents=True, exist_ok=True)
    with folder_of_parts(target) as parts:
        wrong = [path for path in wanted if not _is_brought(path, target, parts)]
    faults = [
        f"{path}: the file does not match its SHA-256: it was changed outside casebase" for path in wrong
    ]
    return BroughtOver(len(wanted) - len(wrong), faults)


def lacking(folder: Path, named: Collection[str]) -> list[str]:
    """Return the SHA-256 of every file that records name and that is not in the folder."""
    return sorted(sha256 for sha256 in named if not (folder / sha256[:2] / sha256).is_file())


def _files_in(folder: Path) -> Iterator[Path]:
    for path in sorted(folder.glob("??/*")):
        if _SHA256.fullmatch(path.name) and path.name[:2] == path.parent.name:
            yield path


def _is_as_long(path: Path, place: Path) -> bool:
    return place.is_file() and place.stat().st_size == path.stat().st_size


def _is_right(_path: Path, place: Path) -> bool:
    return place.is_file() and _digest(place) == place.name


def _is_brought(path: Path, target: Path, parts: Path) -> bool:
    made = parts / path.name
    shutil.copy(path, made)  # with its rights: whoever may not read the file may not read its copy
    if _digest(made) != path.name:
        return False
    (target / path.parent.name).mkdir(exist_ok=True)
    put(made, target / path.parent.name / path.name)
    return True


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
