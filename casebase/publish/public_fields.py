"""What of a record may leave the shop: the fields listed here, and no others, and the bytes of its public attachments.

A field that is added to the format stays inside until somebody lists it. Attachments are examined once more before they
leave the shop.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from typing import Any, Final

from casebase.errors import EditionError
from casebase.library.accepted_files import kind_of, size_in_pixels, what_is_wrong
from casebase.library.derived import StoredRecord
from casebase.record.case import Attachment, Case
from casebase.record.json_form import plain_data, stored_case

ALL: Final = None
"""A value that goes out whole: a word, a number, a list of words."""

Fields = dict[str, "Fields | None"]

_CAUSE: Final[Fields] = {
    **dict.fromkeys(("fault", "network", "module", "mechanism", "mechanism_text", "proof")),
    "where": dict.fromkeys(("place", "text")),
}
PUBLIC_FIELDS: Final[Fields] = {
    "kind": ALL,
    "title": ALL,
    "vehicle": dict.fromkeys(
        (
            "make",
            "model",
            "model_year",
            "platform",
            "powertrain",
            "engine",
            "high_voltage",
            "market",
            "odometer",
        )
    ),
    "symptoms": ALL,
    "lamps": ALL,
    "conditions": ALL,
    "networks": dict.fromkeys(
        ("name", "medium", "bit_rate", "data_bit_rate", "reached", "gateway", "terminators_in")
    ),
    "modules": dict.fromkeys(("name", "network", "answers", "identifiers")),
    "others_answer": ALL,
    "codes": dict.fromkeys(("module", "code", "status", "text")),
    "readings": {
        **dict.fromkeys(
            (
                "network",
                "quantity",
                "line",
                "against",
                "at",
                "to",
                "into",
                "pins",
                "ignition",
                "battery",
                "unplugged",
                "swapped",
                "loaded",
                "tester",
                "traffic",
            )
        ),
        **dict.fromkeys(("stage", "value", "note")),
        "waveform": dict.fromkeys(
            ("traffic", "recessive", "dominant", "looks", "dominant_share", "whole_frames", "note")
        ),
    },
    "steps": dict.fromkeys(("did", "found", "minutes")),
    "trials": dict.fromkeys(("did", "what", "at", "used_part", "configured", "outcome", "minutes", "note")),
    "cause": _CAUSE,
    "more_causes": _CAUSE,
    "fix": {"done": ALL, "minutes": ALL, "parts": {"name": ALL}},
    "verification": dict.fromkeys(
        ("codes_cleared", "rescan", "road_test", "days_without_return", "came_back", "behaviour", "note")
    ),
    "leftover": ALL,
    "note": ALL,
    "why_normal": ALL,
    "attachments": dict.fromkeys(("file", "shows", "for_others", "sha256")),
    "provenance": dict.fromkeys(("author", "shop", "opened", "ended", "invented")),
}
"""Not among them: the customer's words, the VIN, what it cost, what the shop lead remarked.

Of the attachments only those that are said to be for others (`public_case`).
"""


def public_case(case: Case) -> Case:
    """Return the record with its public fields alone; its ID and revision stay."""
    if case.attachments:
        case = case.model_copy(update={"attachments": public_attachments(case)})
    public = stored_case(json.dumps(only(plain_data(case), PUBLIC_FIELDS)))
    return public.model_copy(update={"id": case.id, "revision": case.revision})


def public_attachments(case: Case) -> list[Attachment]:
    """Return the attachments of a record that may leave the shop."""
    return [one for one in case.attachments if one.goes_out]


def only(data: Any, fields: Fields | None) -> Any:
    """Return of plain data what `fields` lists; lists are gone through entry by entry."""
    if fields is ALL:
        return data
    if isinstance(data, list):
        return [only(entry, fields) for entry in data]
    return {key: only(value, fields[key]) for key, value in data.items() if key in fields}


def with_what_stays_inside(public: Case, ours: Case) -> Case:
    """Return another shop's version of a case with what the shop itself kept inside of its own.

    What the shop lead said is not carried over: it was of another version.
    """
    theirs, kept = plain_data(public), plain_data(ours)
    kept.pop("review", None)
    kept.pop("attachments", None)
    whole = stored_case(json.dumps(_laid_over(theirs, kept, PUBLIC_FIELDS)))
    # Our attachments that stay inside; one whose bytes the other shop has is none.
    known = {one.sha256 for one in public.attachments}
    inside = [one for one in ours.attachments if not one.goes_out and (one.sha256 or one.file) not in known]
    return whole.model_copy(update={"attachments": [*public.attachments, *inside]})


def _laid_over(theirs: Any, ours: Any, fields: Fields | None) -> Any:
    """Return plain data of theirs with the keys of ours that `fields` does not list; entries of lists where alike."""
    if fields is ALL:
        return theirs
    if isinstance(theirs, list):
        left = list(ours) if isinstance(ours, list) else []
        return [_laid_over(entry, _taken_out(left, entry, fields), fields) for entry in theirs]
    inside = {key: value for key, value in ours.items() if key not in fields}
    return inside | {
        key: _laid_over(value, ours[key], fields[key]) if key in ours else value
        for key, value in theirs.items()
    }


def _taken_out(left: list[Any], entry: Any, fields: Fields) -> Any:
    """Take out of a list the entry whose public part is this one, and return it; else one that holds nothing."""
    for place, ours in enumerate(left):
        if only(ours, fields) == entry:
            return left.pop(place)
    return {}


Contents = Callable[[str], bytes]
"""Gives the bytes of an attached file by its SHA-256; raises `LibraryError` where it cannot."""

TABLE: Final = "files"

_MADE: Final = (
    f"CREATE TABLE {TABLE}"
    " (sha256 TEXT PRIMARY KEY, kind TEXT, bytes INTEGER, width INTEGER, height INTEGER, content BLOB)"
)


def public_contents(
    records: Iterable[StoredRecord], contents: Contents | None
) -> Iterator[tuple[str, bytes]]:
    """Yield SHA-256 and bytes of every public attachment of records, each once, by the order of their SHA-256.

    Raises `EditionError` for one that holds more than a picture or plain text, and where nothing gives their bytes.
    """
    told = {
        str(attachment.sha256): f"case {one.case_id}, attachment '{attachment.file}'"
        for one in records
        for attachment in public_attachments(one.case)
    }
    for sha256, where in sorted(told.items()):
        if contents is None:
            raise EditionError(
                f"{where}: its bytes are not at hand: freeze it from the library that holds them"
            )
        content = contents(sha256)
        if wrong := what_is_wrong(content):
            raise EditionError(f"{where}: {wrong}: attach the file again, or keep it inside")
        yield sha256, content


def write_files(connection: sqlite3.Connection, files: Iterable[tuple[str, bytes]]) -> None:
    """Write the bytes of attachments into a new file."""
    connection.execute(_MADE)
    rows = (
        (sha256, str(kind_of(content)), len(content), *(size_in_pixels(content) or (None, None)), content)
        for sha256, content in files
    )
    connection.executemany(f"INSERT INTO {TABLE} VALUES (?, ?, ?, ?, ?, ?)", rows)
