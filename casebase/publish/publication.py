"""Publishing: the agreed records as the next edition of a folder, or nothing at all; what leaves it, and what waits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, nullcontext, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, overload

from casebase.errors import EditionError, InputError, LibraryError
from casebase.files import flush_folder
from casebase.library.authorship import removed_ids
from casebase.library.derived import StoredRecord
from casebase.library.layouts import StoredLayout, layout_standings
from casebase.library.matching import Means
from casebase.library.mending import removal_words
from casebase.library.records import earlier_record, in_lots, readable_records
from casebase.library.reviews import Said, Standing, standings
from casebase.library.store import Library
from casebase.match.evaluation.asking import questions_of
from casebase.match.evaluation.evaluate import evaluate
from casebase.publish.changes import Change, Changed, changes_since, read_changes
from casebase.publish.edition import (
    edition_path,
    editions_in,
    keep_digest,
    numbers_in,
    open_frozen,
    remove_unfinished,
    show_edition,
)
from casebase.publish.frozen import freeze
from casebase.publish.public_fields import Contents
from casebase.record.case import Provenance
from casebase.record.edits import Difference, differences


@dataclass(frozen=True)
class Published:
    """An edition that was made: its number, file, SHA-256, how many records, and what it changes."""

    number: int
    path: Path
    sha256: str
    records: int
    changes: list[Change]


@dataclass(frozen=True)
class Imprint:
    """What an edition says of itself: its day (ISO 8601), who signed it off, the collection's name and licence.

    `figures` says how often the collection's own cases are found again.
    """

    day: str
    signed_off_by: str
    name: str | None = None
    licence: str | None = None
    figures: str | None = None

    def facts(self, number: int) -> dict[str, str]:
        """Return what is kept in the file."""
        told = {
            "number": str(number),
            "frozen on": self.day,
            "signed off by": self.signed_off_by,
            "cases from": f"edition {number}, signed off by {self.signed_off_by}",
            "name": self.name,
            "licence": self.licence,
            "own cases asked again": self.figures,
        }
        return {key: value for key, value in told.items() if value}


def publish(  # noqa: PLR0913, PLR0917  what goes out, where to, and how it is described
    kept: Sequence[StoredRecord],
    folder: Path,
    imprint: Imprint,
    means: Means,
    contents: Contents | None = None,
    layouts: Sequence[StoredLayout] = (),
) -> Published:
    """Make the next edition in `folder` and show it; raise `EditionError` where nothing changed or it cannot be made.

    Where the last one holds all there is but another is shown, that one is shown again.
    The records and layouts are expected to have been looked through for what must not leave the shop.
    `contents` gives the bytes of their attachments.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        flush_folder(folder.parent)
    except OSError as error:
        raise EditionError(
            f"{folder}: the folder cannot be made ({error.strerror}): name another place"
        ) from None
    if not kept:
        raise EditionError(
            "no record is agreed to: read those that wait with casebase review, then publish again"
        )
    remove_unfinished(folder)
    last = max(numbers_in(folder), default=0)
    with closing(open_frozen(edition_path(folder, last))) if last else nullcontext() as before:
        changes = changes_since(before, kept, layouts)
    if last and not changes:
        return _shown_again(folder, last)
    number = last + 1
    path = edition_path(folder, number)
    records = freeze(kept, path, imprint.facts(number), means, changes, contents, layouts)
    try:
        sha256 = keep_digest(path)
        show_edition(folder, number)
    except OSError as error:
        with suppress(OSError):
            path.unlink()
        raise EditionError(
            f"{folder}: cannot be written ({error.strerror}): make room, then publish again"
        ) from None
    return Published(number, path, sha256, records, changes)


def _shown_again(folder: Path, number: int) -> Published:
    """Show the last edition, which holds all there is; raise where it is shown already."""
    made = next(one for one in editions_in(folder) if one.number == number)
    if made.is_shown:
        raise EditionError(f"{folder}: nothing changed since edition {number}: none was made")
    show_edition(folder, number)
    with closing(open_frozen(made.path)) as connection:
        return Published(number, made.path, made.sha256, made.records, read_changes(connection))


def counted(changes: Sequence[Change]) -> dict[str, int]:
    """Return how many cases are new, revised and withdrawn."""
    return dict(Counter(str(change.changed) for change in changes))


def with_initials(kept: StoredRecord) -> StoredRecord:
    """Return a record that names the shop's initials in place of its author."""
    changed = {"provenance": _of_initials(kept.case.provenance)}
    return replace(kept, case=kept.case.model_copy(update=changed))


class RecordsWithInitials(Sequence[StoredRecord]):
    """Records that name the shop's initials in place of their author, each changed when somebody comes to it."""

    def __init__(self, records: Sequence[StoredRecord]) -> None:
        self._records = records

    def __len__(self) -> int:
        return len(self._records)

    @overload
    def __getitem__(self, place: int) -> StoredRecord: ...
    @overload
    def __getitem__(self, place: slice) -> Sequence[StoredRecord]: ...
    def __getitem__(self, place: int | slice) -> StoredRecord | Sequence[StoredRecord]:
        if isinstance(place, slice):
            return RecordsWithInitials(self._records[place])
        return with_initials(self._records[place])

    def __iter__(self) -> Iterator[StoredRecord]:
        return map(with_initials, self._records)


def layout_with_initials(kept: StoredLayout) -> StoredLayout:
    """Return a layout that names the shop's initials in place of its author."""
    changed = {"provenance": _of_initials(kept.layout.provenance)}
    return replace(kept, layout=kept.layout.model_copy(update=changed))


def _of_initials(told: Provenance) -> Provenance:
    initials = "".join(word[0] for word in (told.shop or "").split() if word[0].isalnum()).upper()
    return told.model_copy(update={"author": initials or None})


MOST_ASKED_AGAIN: Final = 100
"""About ten seconds; the interval that stands beside the share says what so few are worth."""

FEWEST_TOLD: Final = 10


def figures_of_own_cases(library: Library, means: Means, tell: Callable[[int, int], None]) -> str | None:
    """Return in a sentence how often a library's own solved cases are found again; None where too few can be asked."""
    questions = questions_of(
        library.collection(means),
        lambda case_id: library.get(case_id).case,
        means.buses,
        means.embedder,
        MOST_ASKED_AGAIN,
        tell,
    )
    try:
        found = evaluate(questions, library.measure().weights).full
    except InputError:
        return None
    if found.questions < FEWEST_TOLD:
        return None
    first, three = found.hit_at_1, found.hit_at_3
    return (
        f"of {found.questions} solved cases asked again as stuck jobs a case of the same fault stood first in"
        f" {first.value:.0%} ({first.low:.0%} to {first.high:.0%}), among the first three in {three.value:.0%}"
    )


@dataclass(frozen=True)
class Leaving:
    """A case or layout that the last edition holds and the next one will not, and why."""

    case_id: str
    title: str
    why: str


@dataclass(frozen=True)
class Newer:
    """A revision that waits to be read, while the edition holds an earlier one; what differs between the two."""

    kept: StoredRecord
    standing: Standing
    differences: list[Difference]


def leaving(
    library: Library,
    folder: Path,
    records: Sequence[StoredRecord],
    layouts: Sequence[StoredLayout] = (),
) -> list[Leaving]:
    """Return what the last edition in a folder holds that `records` and `layouts`, those of the next one, do not."""
    remove_unfinished(folder)
    last = max(numbers_in(folder), default=0)
    if not last:
        return []
    with closing(open_frozen(edition_path(folder, last))) as before:
        changes = changes_since(before, records, layouts)
    return [
        Leaving(
            change.case_id,
            change.title,
            _why(library, change.case_id) if change.what == "case" else _why_layout(library, change.case_id),
        )
        for change in changes
        if change.changed is Changed.WITHDRAWN
    ]


def _why_layout(library: Library, layout_id: str) -> str:
    standing = layout_standings(library).get(layout_id)
    return f"layout: {standing.words() if standing else 'not in this library'}"


def _why(library: Library, case_id: str) -> str:
    try:
        kept = library.get(case_id)
    except LibraryError:
        return "not in this library, or not readable: casebase check"
    if removal := removal_words(library, kept):
        return removal
    with library.reading() as db:
        standing = standings(db, [kept])[case_id]
    return "no revision of it is agreed to" if standing.said is Said.WAITS else standing.words()


def newer_than_agreed(library: Library) -> list[Newer]:
    """Return what was revised since it was agreed to, and is not agreed to as it stands."""
    newer = list[Newer]()
    with library.reading() as db:
        for some in in_lots(readable_records(db, removed_ids(db))):
            found = standings(db, some)
            newer += (
                Newer(kept, standing, differences(earlier_record(db, kept.case_id, agreed).case, kept.case))
                for kept, standing in ((kept, found[kept.case_id]) for kept in some)
                if (agreed := standing.agreed) is not None and agreed != kept.revision
            )
    return newer
