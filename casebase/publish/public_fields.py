"""What of a record may leave the shop: the fields listed here, and no others.

A field that is added to the format stays inside until somebody lists it.
"""

from __future__ import annotations

import json
from typing import Any, Final

from casebase.record.canonical import plain_data
from casebase.record.case import Attachment, Case

ALL: Final = None
"""A value that goes out whole: a word, a number, a list of words."""

Fields = dict[str, "Fields | None"]

PUBLIC_FIELDS: Final[Fields] = {
    "kind": ALL,
    "title": ALL,
    "vehicle": dict.fromkeys(
        ("make", "model", "model_year", "platform", "powertrain", "high_voltage", "market", "odometer")
    ),
    "symptoms": ALL,
    "lamps": ALL,
    "conditions": ALL,
    "networks": dict.fromkeys(
        ("name", "medium", "bit_rate", "data_bit_rate", "reached", "gateway", "terminators_in")
    ),
    "modules": dict.fromkeys(("name", "network", "answers", "identifiers")),
    "codes": dict.fromkeys(("module", "code", "status", "text")),
    "readings": {
        **dict.fromkeys(
            (
                "network",
                "quantity",
                "line",
                "against",
                "at",
                "pins",
                "ignition",
                "battery",
                "unplugged",
                "tester",
            )
        ),
        **dict.fromkeys(("stage", "value", "note")),
        "waveform": dict.fromkeys(
            ("traffic", "recessive", "dominant", "looks", "dominant_share", "whole_frames", "note")
        ),
    },
    "steps": dict.fromkeys(("did", "found", "minutes")),
    "cause": {
        **dict.fromkeys(("fault", "network", "module", "mechanism", "proof")),
        "where": dict.fromkeys(("place", "text")),
    },
    "fix": {"done": ALL, "minutes": ALL, "parts": {"name": ALL}},
    "verification": dict.fromkeys(
        ("codes_cleared", "rescan", "road_test", "days_without_return", "came_back", "note")
    ),
    "leftover": ALL,
    "note": ALL,
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
    public = Case.model_validate_json(json.dumps(_only(plain_data(case), PUBLIC_FIELDS)))
    return public.model_copy(update={"id": case.id, "revision": case.revision})


def public_attachments(case: Case) -> list[Attachment]:
    """Return the attachments of a record that may leave the shop."""
    return [one for one in case.attachments if one.goes_out]


def _only(data: Any, fields: Fields | None) -> Any:
    """Return of plain data what `fields` lists; lists are gone through entry by entry."""
    if fields is ALL:
        return data
    if isinstance(data, list):
        return [_only(entry, fields) for entry in data]
    return {key: _only(value, fields[key]) for key, value in data.items() if key in fields}


def with_what_stays_inside(public: Case, ours: Case) -> Case:
    """Return another shop's version of a case with what the shop itself kept inside of its own.

    What the shop lead said is not carried over: it was of another version.
    """
    theirs, kept = plain_data(public), plain_data(ours)
    kept.pop("review", None)
    kept.pop("attachments", None)
    whole = Case.model_validate_json(json.dumps(_laid_over(theirs, kept, PUBLIC_FIELDS)))
    return whole.model_copy(update={"attachments": [*public.attachments, *_inside_attachments(ours, public)]})


def _inside_attachments(ours: Case, public: Case) -> list[Attachment]:
    """Return our attachments that stay inside; one whose bytes the other shop has is none."""
    known = {one.sha256 for one in public.attachments}
    return [one for one in ours.attachments if not one.goes_out and (one.sha256 or one.file) not in known]


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
        if _only(ours, fields) == entry:
            return left.pop(place)
    return {}
