"""The library's cases as a collection to compare with, and the match index beside the file.

The index is brought up to date with the records piece by piece, each kept as soon as it is made.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Final, Protocol

from casebase.library.engine import Database
from casebase.library.records import (
    NumberedRecord,
    count_records_between,
    profiles_of_numbers,
    records_between,
    rows_of_case,
    sha256_of_number,
)
from casebase.library.sources import senders_of_cases
from casebase.match.facets.symptoms import has_story
from casebase.match.filling import Filling, batches
from casebase.match.index.building import Batch, IndexBuilder, empty_index, extended
from casebase.match.index.collection import Collection
from casebase.match.index.files import Stamp, append, begin_again, read_index, writing_alone
from casebase.match.index.match_index import Index
from casebase.match.meaning import Embeds
from casebase.match.profile import Profile
from casebase.record.case import Case

AT_ONCE: Final = 5000
"""Cases added to the index before it is stamped: what a stop in between can cost."""


class TextModel(Embeds, Protocol):
    """An embedder that says which vectors its own can be compared with."""

    @property
    def identity(self) -> str:
        """A name that changes whenever the vectors would."""

    @property
    def dimensions(self) -> int:
        """The length of a vector."""


def tell_nobody(done: int, whole: int) -> None:
    """Take note of progress, silently."""


@dataclass(frozen=True)
class Means:
    """What bringing an index up to date needs: simulated buses, an embedder (or none), whom to tell how far it is.

    `processes` share the work where there is much of it.
    """

    buses: Path | None = None
    embedder: TextModel | None = None
    progress: Callable[[int, int], None] = tell_nobody
    processes: int = 1

    def filling(self, expected: int) -> Filling:
        """Return what fills in so many profiles: a context that ends the processes it has started."""
        return Filling(self.buses, self.embedder, self.processes, expected)


@dataclass(frozen=True, eq=False)
class _Piece:
    """Records that are added to the index together, the and the number up to which they go."""

    records: list[NumberedRecord]
    last: int

    @property
    def there(self) -> list[NumberedRecord]:
        return [one for one in self.records if not one.is_removed]


@dataclass
class Update:
    """An index on its way; `folder` is None where it cannot be kept; the answer does not depend on that."""

    db: Database
    index: Index
    stamp: Stamp
    means: Means
    folder: Path | None

    def upto(self, number: int) -> Index:
        """Add every current record that the index lacks, up to a number; return the index."""
        whole = count_records_between(self.db, self.stamp.last_number, number)
        done = 0
        with self.means.filling(whole) as filling:
            filled = filling.in_order(self._read(number))
            for piece, batches in groupby(filled, key=itemgetter(0)):
                profiles = (profile for _, some in batches for profile in some)
                batch = self._batch(
                    piece,
                    profiles,
                    lambda added, done=done: self.means.progress(done + added, whole),  # type: ignore[misc]
                )
                last = piece.last
                self.stamp = replace(
                    self.stamp, last_number=last, last_sha256=sha256_of_number(self.db, last)
                )
                self._keep(batch)
                done += len(piece.records)
        return self.index

    def _read(self, number: int) -> Iterator[tuple[_Piece, list[tuple[str, Case]]]]:
        """Yield the records up to a number, piece by piece, each in batches; a piece without any has an empty one."""
        last = self.stamp.last_number
        while last < number:
            piece = _Piece(*records_between(self.db, last, number, AT_ONCE))
            last = piece.last
            yield from (
                (piece, some) for some in [*batches((one.case_id, one.case) for one in piece.there)] or [[]]
            )

    def _batch(self, piece: _Piece, profiles: Iterable[Profile], tell: Callable[[int], None]) -> Batch:
        builder, untold = IndexBuilder(self.index), 0
        for added, (one, profile) in enumerate(zip(piece.there, profiles, strict=False), start=1):
            builder.add(one.number, profile, one.supersedes)
            untold += bool(profile.story) and not has_story(profile.vector)
            tell(added)
        for one in piece.records:
            if one.is_removed:
                builder.take_out(one.supersedes)
        self.stamp = replace(self.stamp, untold=self.stamp.untold + untold)
        return builder.finished()

    def _keep(self, batch: Batch) -> None:
        kept = None
        if self.folder is not None:
            try:
                append(self.folder, batch, self.index, self.stamp)
                kept = read_index(self.folder)
            except OSError:
                self.folder = None
        self.index = extended(self.index, batch) if kept is None else kept[0]


INDEX_SUFFIX: Final = ".index"


def index_folder(library: Path) -> Path:
    """Return the folder of a library's index, beside the file."""
    return library.with_name(f"{library.name}{INDEX_SUFFIX}")


def collection_in(db: Database, path: Path, library: str, means: Means) -> Collection:
    """Return the cases of a library with an index that holds them all.

    The index is read from its folder; what was logged since is added, and kept there if nobody else is writing.
    `library` is the library's own name for itself, so that no index is taken for that of another file.
    """
    folder, upto = index_folder(path), db.last_number()
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
    kept, embedder = read_index(folder), means.embedder
    if kept is not None:
        _, stamp = kept
        same_records = sha256_of_number(db, stamp.last_number) == stamp.last_sha256
        # Without an embedder at hand, vectors that are there do no harm.
        same_text = embedder is None or (stamp.text == embedder.identity and not stamp.untold)
        if stamp.library == library and same_records and same_text:
            return kept
    text, dimensions = ("", 0) if embedder is None else (embedder.identity, embedder.dimensions)
    return empty_index(dimensions, text), Stamp(library, text, dimensions)
