"""The layouts of a library: every revision kept, what the shop lead said of each, and the one that fits a vehicle."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final

from pydantic import ValidationError

from casebase.errors import LibraryError
from casebase.library.authorship import Made
from casebase.library.engine import Database
from casebase.library.library_file import LibraryFile, now_text
from casebase.library.records import new_id
from casebase.record.json_form import canonical_json, sha256_of, stored_layout
from casebase.record.problems import printable
from casebase.record.vehicle import Vehicle

if TYPE_CHECKING:
    from casebase.record.layout import Layout


@dataclass(frozen=True)
class StoredLayout:
    """A layout as it stands in a library or an edition: one revision of it, and when that was logged."""

    layout_id: str
    revision: int
    logged_at: str
    layout: Layout


class LayoutSaid(StrEnum):
    """What the shop lead said of a revision of a layout."""

    AGREED = "agreed"
    WITHDRAWN = "withdrawn"
    INSIDE = "stays inside"


@dataclass(frozen=True)
class LayoutStanding:
    """The last word on a layout, and the revision that goes out: the last agreed to, unless it was taken out since."""

    said: LayoutSaid | None = None
    by: str | None = None
    agreed: int | None = None
    current: int = 1

    @property
    def waits(self) -> bool:
        """Whether nobody has said anything of the current revision; one kept inside or taken out does not wait."""
        agreed_before = self.said is LayoutSaid.AGREED and (self.agreed or 0) < self.current
        return self.said is None or agreed_before

    def words(self) -> str:
        """Return the standing in one line."""
        if self.said is None:
            return "waits to be read"
        return (
            f"{self.said} by {self.by}{f'; revision {self.current} waits to be read' if self.waits else ''}"
        )


def keep_layouts(db: Database, layouts: Iterable[Layout], now: str) -> Iterator[tuple[str, int, bool]]:
    """Keep layouts within a transaction; yield ID and revision of each, and whether anything was kept.

    A layout without an ID is new, unless the same stands there already. Raises `LibraryError` where the revision that
    one was made from is not the current one.
    """
    for layout in layouts:
        text = canonical_json(layout)
        sha256 = sha256_of(text)
        layout_id, last, known = _there(db, layout, sha256)
        if known == sha256:
            yield layout_id, last, False
            continue
        if layout.revision is not None and last and layout.revision != last:
            raise LibraryError(
                f"layout {layout_id}: this file was made from revision {layout.revision}, and revision {last} is kept"
                f" by now: put your changes into casebase layout {layout_id} --file"
            )
        db.execute(
            "INSERT INTO layouts (layout_id, revision, sha256, json, logged_at) VALUES (?, ?, ?, ?, ?)",
            (layout_id, last + 1, sha256, text, now),
        )
        yield layout_id, last + 1, True


def _there(db: Database, layout: Layout, sha256: str) -> tuple[str, int, str | None]:
    """Return the ID of a layout, its last revision (0 where it is new) and the SHA-256 of that."""
    sql = "SELECT layout_id, revision, sha256 FROM layouts WHERE {} = ? ORDER BY revision DESC LIMIT 1"
    # The ID comes first: whoever takes it for the same layout meanwhile is seen by what follows.
    layout_id = layout.id or new_id(db, sha256)
    key, value = ("layout_id", layout_id) if layout.id else ("sha256", sha256)
    row = db.execute(sql.format(key), (value,)).fetchone()
    if row is None:
        return layout_id, 0, None
    return row[0], row[1], row[2]


_CURRENT: Final = """
    SELECT l.layout_id, l.revision, l.logged_at, l.json FROM layouts l WHERE NOT EXISTS
    (SELECT 1 FROM layouts newer WHERE newer.layout_id = l.layout_id AND newer.revision > l.revision) ORDER BY 1
"""


def stored_layout_row(layout_id: str, revision: int, logged_at: str, text: str) -> StoredLayout:
    """Return a layout from what is kept of it; raise `LibraryError` where it does not fit the format."""
    try:
        return StoredLayout(layout_id, revision, logged_at, stored_layout(text))
    except ValidationError:
        raise LibraryError(
            f"layout {layout_id}, revision {revision}: does not fit the format: put it right with the casebase that"
            " wrote it, or restore a copy (casebase restore)"
        ) from None


def layouts_in(library: LibraryFile) -> list[StoredLayout]:
    """Return the current revision of every layout, by the vehicles that they hold for.

    One that does not fit the format is left to `casebase check`.
    """
    found = []
    with library.reading() as db:
        for row in db.execute(_CURRENT):
            with suppress(LibraryError):
                found.append(stored_layout_row(*row))
    return sorted(found, key=lambda one: (one.layout.vehicles.line().casefold(), one.layout_id))


def layout_named(library: LibraryFile, prefix: str) -> StoredLayout:
    """Return the current revision of the layout whose ID begins so; raise `LibraryError` where none or several do."""
    found = [one for one in layouts_in(library) if one.layout_id.startswith(prefix.strip().casefold())]
    if len(found) == 1 and prefix.strip():
        return found[0]
    if not found:
        raise LibraryError(f"no layout with an ID that begins with '{prefix}': casebase layout lists them")
    raise LibraryError(
        f"'{prefix}' begins several IDs ({', '.join(one.layout_id for one in found[:5])}): type one character more"
    )


def revisions_of(library: LibraryFile, layout_id: str) -> list[dict[str, Any]]:
    """Return every revision of a layout: number, SHA-256, when it was logged, and the layout as plain data."""
    with library.reading() as db:
        rows = db.query(
            "SELECT revision, sha256, logged_at, json FROM layouts WHERE layout_id = ? ORDER BY revision",
            [layout_id],
        )
        return [{**row, "json": json.loads(row["json"])} for row in rows]


def best_fitting(stored: Sequence[StoredLayout], vehicle: Vehicle) -> StoredLayout | None:
    """Return the layout that fits a vehicle best; None where none holds for it."""
    fits = [(one.layout.vehicles.fit(vehicle), one) for one in stored]
    best = max((fit for fit, _ in fits), default=0)
    # Of two that fit alike, the one logged last knows more.
    alike = [one for fit, one in fits if fit == best and best > 0]
    return max(alike, key=lambda one: one.logged_at, default=None)


def layout_for(library: LibraryFile, vehicle: Vehicle) -> tuple[StoredLayout | None, str]:
    """Return the layout that a job of a vehicle is held against, None where none is; and who is to be asked about it.

    What another shop sent and nobody here agreed to counts only where no layout of our own, or agreed to, is of the
    vehicle's model: a stranger's never takes the place of one that somebody here stands for.
    """
    stored, sent = layouts_in(library), _sent_and_not_agreed(library)
    ours = [one for one in stored if one.layout_id not in sent]
    ours += [one for one in agreed_layouts(library) if one.layout_id in sent]
    found = best_fitting(ours, vehicle)
    if found is not None and not found.layout.vehicles.unlike(vehicle):
        return found, ""
    found = best_fitting([*ours, *stored], vehicle)
    if found is None or found in ours:
        return found, ""
    return found, (
        f"This layout came in from {printable(sent[found.layout_id])}, and nobody here agreed to it: hold it against"
        " the vehicle first."
    )


def _sent_and_not_agreed(library: LibraryFile) -> dict[str, str]:
    """Return the senders of layouts whose last revision came in and waits to be agreed to, by ID."""
    with library.reading() as db:
        rows = db.execute(
            "SELECT l.layout_id, l.revision, a.by FROM layouts l JOIN authorship a"
            " ON a.case_id = l.layout_id AND a.revision = l.revision WHERE a.made = ?",
            (Made.TAKEN_IN.value,),
        ).fetchall()
    standings = layout_standings(library)  # read last: whatever was found stands there
    return {
        layout_id: by
        for layout_id, revision, by in rows
        if revision == standings[layout_id].current and revision != standings[layout_id].agreed
    }


def say_of_layout(  # noqa: PLR0913, PLR0917  one argument per part of what is said
    library: LibraryFile,
    layout_id: str,
    said: LayoutSaid,
    by: str,
    remark: str | None = None,
    read: int | None = None,
) -> LayoutStanding:
    """Keep a word on the current revision of a layout; raise `LibraryError` where nobody says so.

    `read` is the revision that was read, where that is known: the word is not kept on another one.
    """
    if not by.strip():
        raise LibraryError(f"layout {layout_id}: say who you are with --by HANDLE")
    with library.changing() as db:
        (current,) = db.execute(
            "SELECT max(revision) FROM layouts WHERE layout_id = ?", (layout_id,)
        ).fetchone()
        if current != (read or current):
            raise LibraryError(f"layout {layout_id}: revised just now: read it again before you speak of it")
        db.execute(
            "INSERT INTO layout_words (layout_id, revision, said, by, at, remark) VALUES (?, ?, ?, ?, ?, ?)",
            (layout_id, current, str(said), by, now_text(), remark),
        )
    return layout_standings(library)[layout_id]


def layout_standings(library: LibraryFile) -> dict[str, LayoutStanding]:
    """Return where each layout stands, by its ID."""
    with library.reading() as db:
        words = db.execute(
            "SELECT layout_id, revision, said, by FROM layout_words"
            " WHERE layout_id IN (SELECT layout_id FROM layouts) ORDER BY rowid"
        ).fetchall()
        # After the words: no layout goes, so each of theirs is among them.
        current = dict(db.execute("SELECT layout_id, max(revision) FROM layouts GROUP BY layout_id"))
        found = {layout_id: LayoutStanding(current=revision) for layout_id, revision in current.items()}
        for layout_id, revision, word, by in words:
            said = LayoutSaid(word)
            agreed = revision if said is LayoutSaid.AGREED else None
            found[layout_id] = LayoutStanding(said, by, agreed, current[layout_id])
    return found


def layouts_waiting(library: LibraryFile) -> list[StoredLayout]:
    """Return the layouts of which the shop lead has yet to say whether the current revision goes out."""
    stored = layouts_in(library)
    standings = layout_standings(library)  # read last: whatever is stored stands there
    return [one for one in stored if standings[one.layout_id].waits]


def agreed_layouts(library: LibraryFile) -> list[StoredLayout]:
    """Return, of every layout that may go out, the last revision that the shop lead has agreed to."""
    agreed = {key: one.agreed for key, one in layout_standings(library).items() if one.agreed is not None}
    with library.reading() as db:
        return [
            stored_layout_row(
                *db.execute(
                    "SELECT layout_id, revision, logged_at, json FROM layouts WHERE layout_id = ? AND revision = ?",
                    pair,
                ).fetchone()
            )
            for pair in sorted(agreed.items())
        ]


def faults_of_layouts(db: Database) -> Iterator[str]:
    """Yield what is wrong with the layouts as they were kept, each in one sentence."""
    orphans = (
        "SELECT DISTINCT layout_id FROM layout_words WHERE layout_id NOT IN (SELECT layout_id FROM layouts)"
    )
    for (layout_id,) in db.execute(orphans):
        yield f"layout {layout_id}: words of the shop lead are kept, the layout is not"
    for layout_id, revision, sha256, text in db.execute(
        "SELECT layout_id, revision, sha256, json FROM layouts ORDER BY layout_id, revision"
    ):
        where = f"layout {layout_id}, revision {revision}"
        if sha256_of(text) != sha256:
            yield f"{where}: does not match its SHA-256: it was changed outside casebase"
            continue
        try:
            stored_layout(text)
        except ValidationError as error:
            yield f"{where}: does not fit the format: {error.errors(include_url=False)[0]['msg']}"
