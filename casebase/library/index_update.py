"""Bringing a match index up to date with the records: piece by piece, each kept as soon as it is made."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Protocol

from sqlite_utils import Database

from casebase.library.lacking import Lacking, count_lacking, lacking_after, sha256_of_number
from casebase.match.filling import Embeds, filled_profiles
from casebase.match.index import Index
from casebase.match.index_building import Batch, IndexBuilder, extended
from casebase.match.index_files import Stamp, append, read_index
from casebase.match.symptoms_facet import told

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
    """What bringing an index up to date needs: simulated buses, an embedder (or none), whom to tell how far it is."""

    buses: Path | None = None
    embedder: TextModel | None = None
    progress: Callable[[int, int], None] = tell_nobody


@dataclass
class Update:
    """An index on its way; `folder` is None where it cannot be kept, and the answer does not hang on that."""

    db: Database
    index: Index
    stamp: Stamp
    means: Means
    folder: Path | None

    def upto(self, number: int) -> Index:
        """Add every current record that the index lacks, up to a number; return the index."""
        whole = count_lacking(self.db, self.stamp.last_number, number)
        done = 0
        while self.stamp.last_number < number:
            some, last = lacking_after(self.db, self.stamp.last_number, number, AT_ONCE)
            batch = self._batch(some, lambda added, done=done: self.means.progress(done + added, whole))  # type: ignore[misc]
            self.stamp = replace(self.stamp, last_number=last, last_sha256=sha256_of_number(self.db, last))
            self._keep(batch)
            done += len(some)
        return self.index

    def _batch(self, some: list[Lacking], tell: Callable[[int], None]) -> Batch:
        builder, untold = IndexBuilder(self.index), 0
        pairs = ((one.case_id, one.case) for one in some)
        profiles = filled_profiles(pairs, self.means.buses, self.means.embedder)
        for added, (one, profile) in enumerate(zip(some, profiles, strict=True), start=1):
            builder.add(one.number, profile, one.supersedes)
            untold += bool(profile.story) and not told(profile.vector)
            tell(added)
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
