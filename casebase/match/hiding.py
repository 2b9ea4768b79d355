"""A solved case as it stood while it was a stuck job: everything that came later is taken away.

What stays is named field by field. A field that is added to the record stays hidden until somebody names it here, so
that no evaluation can be helped by an answer that a stuck technician does not have.
"""

from __future__ import annotations

from typing import Final

from casebase.errors import InputError
from casebase.record.case import Case, Provenance
from casebase.record.reading import Reading
from casebase.record.vocabulary import Kind, Stage

KEPT_WHOLE: Final = (
    "id",
    "kind",
    "vehicle",
    "concern",
    "symptoms",
    "lamps",
    "conditions",
    "networks",
    "modules",
    "codes",
)
"""Known when the vehicle came in, or read off it before any repair."""

KEPT_OF_PROVENANCE: Final = ("author", "shop", "opened", "invented")

KEPT_OF_READING: Final = (
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
    "stage",
    "value",
)
KEPT_OF_WAVEFORM: Final = ("traffic", "recessive", "dominant", "looks", "dominant_share", "whole_frames")
"""Notes are left out here as everywhere else: nothing says whether they were written before the cause was known."""


def as_stuck_job(case: Case, isolation: bool = True) -> Case:
    """Return `case` as it stood before its cause was known, under its own ID.

    Steps go too: nothing tells those of the search from those of the repair. With `isolation` false only the readings
    as found are left, which is the harder question. Raises InputError for a known good record: it was never stuck.
    """
    if case.kind is not Kind.FAULT_CASE:
        raise InputError(
            f"{case.id or 'this record'} is a {case.kind} record: only a fault case was ever a stuck job"
        )
    stages = (Stage.AS_FOUND, Stage.ISOLATION) if isolation else (Stage.AS_FOUND,)
    return Case.model_validate(
        {name: getattr(case, name) for name in KEPT_WHOLE}
        | {
            "readings": [_without_notes(reading) for reading in case.readings if reading.stage in stages],
            "provenance": Provenance.model_validate(
                {name: getattr(case.provenance, name) for name in KEPT_OF_PROVENANCE}
            ),
        }
    )


def _without_notes(reading: Reading) -> Reading:
    seen = reading.waveform
    hidden = dict.fromkeys(reading.__class__.model_fields.keys() - {*KEPT_OF_READING, "waveform"})
    if seen is not None:
        levels = seen.model_copy(
            update=dict.fromkeys(seen.__class__.model_fields.keys() - {*KEPT_OF_WAVEFORM})
        )
        return reading.model_copy(update=hidden | {"waveform": levels})
    return reading.model_copy(update=hidden)
