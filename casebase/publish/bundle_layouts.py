"""Layouts in a bundle: a line of JSON each, checked whole before anything is stored, and kept beside one's own."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final

from sqlite_utils import Database

from casebase.errors import BundleError, RecordError
from casebase.library.authorship import Authorship, Made, authorships, sign
from casebase.library.layouts import StoredLayout, keep_layouts
from casebase.library.records import new_id
from casebase.publish.bundle_archive import LAYOUTS, LONGEST_LINE, Archive, canonical_text
from casebase.publish.bundle_lines import lines_of
from casebase.publish.public_layouts import public_layout
from casebase.record.json_form import canonical_json, plain_data, sha256_of
from casebase.record.loading import layout_from_data

MOST_LAYOUTS: Final = 2000
_KEYS: Final = {"id", "layout", "revision", "sha256"}


def layout_lines(stored: Iterable[StoredLayout]) -> Iterator[bytes]:
    """Yield the public part of layouts as lines of a bundle, by the order of their IDs."""
    for one in sorted(stored, key=lambda one: one.layout_id):
        public = public_layout(one.layout)
        told = {
            "id": one.layout_id,
            "layout": plain_data(public),
            "revision": one.revision,
            "sha256": sha256_of(canonical_json(public)),
        }
        yield f"{canonical_text(told)}\n".encode()


def checked_layouts(archive: Archive) -> list[StoredLayout]:
    """Return the layouts of a bundle, none where it holds none; raise for the first that is not as it was written."""
    if LAYOUTS not in archive.names:
        return []
    found: dict[str, StoredLayout] = {}
    for number, line in enumerate(lines_of(archive, LAYOUTS), start=1):
        where = f"{archive.path}, {LAYOUTS}, line {number}"
        if number > MOST_LAYOUTS:
            raise BundleError(f"{where}: more than {MOST_LAYOUTS} layouts: ask for the bundle again")
        one = _layout(line, where)
        if one.layout_id in found:
            raise BundleError(f"{where}: layout {one.layout_id} is there twice: ask for the bundle again")
        found[one.layout_id] = one
    return list(found.values())


def _layout(line: str, where: str) -> StoredLayout:
    data = _plain(line, where)
    try:
        layout = layout_from_data({**data["layout"], "id": data["id"]}, where)
    except RecordError as error:
        raise BundleError(str(error)) from None
    bare = layout.model_copy(update={"id": None})
    text = canonical_json(bare)
    if canonical_text(data["layout"]) != text or canonical_json(public_layout(bare)) != text:
        raise BundleError(f"{where}: not as casebase export writes a layout: ask for the bundle again")
    if sha256_of(text) != data["sha256"]:
        raise BundleError(f"{where}: does not match its SHA-256: it was changed outside casebase")
    return StoredLayout(data["id"], data["revision"], "", bare)


def _plain(line: str, where: str) -> dict[str, Any]:
    """Return a line as plain data; raise `BundleError` unless it is what `layout_lines` writes."""
    try:
        data: Any = json.loads(line) if len(line) <= LONGEST_LINE else None
        sound = (
            isinstance(data, dict)
            and set(data) == _KEYS
            and isinstance(data["layout"], dict)
            and not _KEYS.intersection(data["layout"]) - {"layout"}
            and isinstance(data["id"], str)
            and type(data["revision"]) is int
            and 1 <= data["revision"] < 2**31
            and canonical_text(data) == line
        )
    except (ValueError, RecursionError):
        sound = False
    if not sound:
        raise BundleError(
            f"{where}: expected one layout as casebase export writes it: ask for the bundle again"
        )
    whole: dict[str, Any] = data
    return whole


def take_in_layouts(
    db: Database, layouts: Sequence[StoredLayout], source: str, now: str, *, is_known: bool = True
) -> int:
    """Keep the layouts of a bundle within a transaction; return how many are new or revised here.

    One that was edited here since stays as it is, and the sender's stands beside it under an ID of its own;
    so does what a sender who is not known has to say of another's.
    """
    kept = [_take_in(db, one, source, now, is_known=is_known) for one in layouts]
    return sum(kept)


def _take_in(db: Database, one: StoredLayout, source: str, now: str, *, is_known: bool) -> bool:
    sha256 = sha256_of(canonical_json(one.layout))
    if db.execute("SELECT 1 FROM layouts WHERE sha256 = ?", (sha256,)).fetchone():
        return False
    (last,) = db.execute("SELECT max(revision) FROM layouts WHERE layout_id = ?", (one.layout_id,)).fetchone()
    made = authorships(db, one.layout_id).get(last) if last else None
    was_taken_in = made is not None and made.made is Made.TAKEN_IN and (is_known or made.by == source)
    is_theirs = last is None or was_taken_in
    layout_id = one.layout_id if is_theirs else new_id(db, sha256)
    for its_id, revision, _ in keep_layouts(db, [one.layout.model_copy(update={"id": layout_id})], now):
        sign(db, its_id, revision, Authorship(Made.TAKEN_IN, source))
    return True
