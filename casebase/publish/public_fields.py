"""What of a record may leave the shop: the fields listed here, and no others.

A field that is added to the format stays inside until somebody lists it.
"""

from __future__ import annotations

import json
from typing import Any, Final

from casebase.record.canonical import plain_data
from casebase.record.case import Case

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
    "modules": dict.fromkeys(("name", "network", "answers")),
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
        "waveform": dict.fromkeys(("traffic", "recessive", "dominant", "looks", "note")),
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
    "provenance": dict.fromkeys(("author", "shop", "opened", "ended", "invented")),
}
"""Not among them: the customer's words, the VIN, what it cost, attachments, what the shop lead remarked."""


def public_case(case: Case) -> Case:
    """Return the record with its public fields alone; its ID and revision stay."""
    public = Case.model_validate_json(json.dumps(_only(plain_data(case), PUBLIC_FIELDS)))
    return public.model_copy(update={"id": case.id, "revision": case.revision})


def _only(data: Any, fields: Fields | None) -> Any:
    """Return of plain data what `fields` lists; lists are gone through entry by entry."""
    if fields is ALL:
        return data
    if isinstance(data, list):
        return [_only(entry, fields) for entry in data]
    return {key: _only(value, fields[key]) for key, value in data.items() if key in fields}
