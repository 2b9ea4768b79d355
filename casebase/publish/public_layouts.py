"""Layouts on their way out: the fields that may leave the shop, what looks private in them, the table of them.

A field that is added to the format of a layout stays inside until somebody lists it here.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable
from typing import Final

from casebase.library.layouts import StoredLayout, stored_layout_row
from casebase.library.privacy import cleared, mark_of, names
from casebase.library.store import Library
from casebase.publish.private_kinds import found_in
from casebase.publish.private_text import WHERE_UNKNOWN, texts_of
from casebase.publish.public_fields import ALL, Fields, only
from casebase.record.json_form import canonical_json, plain_data, sha256_of, stored_layout
from casebase.record.layout import Layout
from casebase.record.problems import printable

_PLACE: Final[Fields] = dict.fromkeys(("name", "at", "minutes", "source"))
_POWER: Final[Fields] = {**_PLACE, **dict.fromkeys(("modules", "through"))}
PUBLIC_LAYOUT_FIELDS: Final[Fields] = {
    **dict.fromkeys(("kind", "title", "source", "partly_known", "missing", "gateways", "note")),
    "vehicles": dict.fromkeys(("make", "models", "platform", "first_year", "last_year", "equipment")),
    "networks": {
        **dict.fromkeys(("name", "medium", "bit_rate", "ring")),
        "terminators": dict.fromkeys(("at", "ohms", "minutes", "source")),
        "wires": dict.fromkeys(("through", "source")),
    },
    "modules": _PLACE,
    "plugs": {**_PLACE, "pins": ALL},
    "splices": {**_PLACE, "can_be_parted": ALL},
    "feeds": {**_POWER, "kind": ALL},
    "grounds": _POWER,
    "provenance": dict.fromkeys(("author", "shop", "opened", "ended", "invented")),
}


def public_layout(layout: Layout) -> Layout:
    """Return the layout with its public fields alone."""
    return stored_layout(json.dumps(only(plain_data(layout), PUBLIC_LAYOUT_FIELDS)))


def private_in_layouts(library: Library, stored: Iterable[StoredLayout]) -> list[str]:
    """Return in sentences what looks private in the public text of layouts, but for what the shop lead cleared."""
    private_names, fine = names(library), cleared(library)
    return [
        f"layout {one.layout_id}, {field}: {hit.kind} in '{printable(text)}': edit it, or mark it as none with casebase"
        f" layout {one.layout_id} --fine {field}"
        for one in stored
        for field, text in texts_of(plain_data(public_layout(one.layout)))
        if mark_of(one.layout_id, field, text) not in fine
        for hit in found_in(text, private_names, WHERE_UNKNOWN)
    ]


TABLE: Final = "layouts"
_MADE: Final = f"CREATE TABLE {TABLE} (layout_id TEXT PRIMARY KEY, revision INTEGER, sha256 TEXT, json TEXT)"


def write_layouts(connection: sqlite3.Connection, stored: Iterable[StoredLayout]) -> None:
    """Write the public part of layouts into a new frozen file, by the order of their IDs."""
    connection.execute(_MADE)
    rows = []
    for one in sorted(stored, key=lambda one: one.layout_id):
        text = canonical_json(public_layout(one.layout))
        rows.append((one.layout_id, one.revision, sha256_of(text), text))
    connection.executemany(f"INSERT INTO {TABLE} VALUES (?, ?, ?, ?)", rows)


def layouts_of(connection: sqlite3.Connection) -> list[StoredLayout]:
    """Return the layouts of a frozen file, by the vehicles they hold for; none where an older casebase made it."""
    there = "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?"
    if connection.execute(there, (TABLE,)).fetchone() is None:
        return []
    rows = connection.execute(f"SELECT layout_id, revision, '', json FROM {TABLE}")
    found = [stored_layout_row(*row) for row in rows]
    return sorted(found, key=lambda one: (one.layout.vehicles.line().casefold(), one.layout_id))
