"""The library's cases as a collection to compare with: the match index beside the file, brought up to date."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from sqlite_utils import Database

from casebase.library.index_update import Means, Update
from casebase.library.lacking import last_number, profiles_of_numbers, rows_of_case, sha256_of_number
from casebase.library.sources import senders_of_cases
from casebase.match.collection import Collection
from casebase.match.index import Index
from casebase.match.index_building import empty_index
from casebase.match.index_files import Stamp, begin_again, read_index, writing_alone

INDEX_SUFFIX: Final = ".index"


def index_folder(library: Path) -> Path:
    """Return the folder of a library's index, beside the file."""
    return library.with_name(f"{library.name}{INDEX_SUFFIX}")


def collection_in(db: Database, path: Path, library: str, means: Means) -> Collection:
    """Return the cases of a library with an index that holds them all.

    The index is read from its folder; what was logged since is added, and kept there if nobody else is writing.
    `library` is the library's own name for itself, so that no index is taken for that of another file.
    """
    folder, upto = index_folder(path), last_number(db)
    index, stamp = _index_that_fits(db, folder, library, means)
    if upto != stamp.last_number:
        with writing_alone(folder) as alone:
            if alone:  # another process may have added them meanwhile
                index, stamp = _index_that_fits(db, folder, library, means)
                if not len(index):
                    begin_again(folder)
            index = Update(db, index, stamp, means, folder if alone else None).upto(upto)
    return Collection(
        index,
        lambda numbers: profiles_of_numbers(db, numbers),
        lambda case_id: rows_of_case(db, case_id),
        senders_of_cases(db),
    )


def _index_that_fits(db: Database, folder: Path, library: str, means: Means) -> tuple[Index, Stamp]:
    """Return the index kept, or an empty one where it is of another library, state or embedder."""
    kept = read_index(folder)
    if kept is not None and _fits(db, kept[1], library, means):
        return kept
    embedder = means.embedder
    text, dimensions = ("", 0) if embedder is None else (embedder.identity, embedder.dimensions)
    return empty_index(dimensions, text), Stamp(library, text, dimensions)


def _fits(db: Database, stamp: Stamp, library: str, means: Means) -> bool:
    same_records = sha256_of_number(db, stamp.last_number) == stamp.last_sha256
    # Without an embedder at hand, vectors that are there do no harm.
    same_text = means.embedder is None or (stamp.text == means.embedder.identity and not stamp.untold)
    return stamp.library == library and same_records and same_text
