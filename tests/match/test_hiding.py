"""A solved case asked again: nothing that came later may help to find it."""

from typing import get_args

import pytest
from pydantic import BaseModel

from casebase.errors import InputError
from casebase.match.evaluation.asking import as_stuck_job
from casebase.match.profile_of_case import profile_of
from casebase.record.case import Case, status_of
from casebase.record.loading import case_from_data
from casebase.record.vocabulary import Kind, Stage, Status

KEPT = """
id kind concern symptoms lamps conditions
vehicle.make vehicle.model vehicle.model_year vehicle.platform vehicle.powertrain vehicle.engine
vehicle.high_voltage vehicle.market
vehicle.odometer vehicle.vin
networks.name networks.medium networks.bit_rate networks.data_bit_rate networks.reached networks.gateway
networks.terminators_in
modules.name modules.network modules.answers modules.identifiers others_answer
codes.module codes.code codes.status codes.text
readings.network readings.quantity readings.line readings.against readings.at readings.pins readings.ignition
readings.battery readings.unplugged readings.swapped readings.into readings.to readings.loaded
readings.tester readings.traffic readings.stage readings.value readings.waveform.traffic
readings.waveform.recessive readings.waveform.dominant readings.waveform.looks readings.waveform.dominant_share
readings.waveform.whole_frames
trials.did trials.what trials.at trials.used_part trials.configured trials.outcome
provenance.author provenance.shop provenance.opened provenance.invented
""".split()  # noqa: SIM905
"""Known before the cause was."""

HIDDEN = """
revision title leftover note why_normal
readings.note readings.waveform.note
steps.did steps.found steps.minutes
trials.minutes trials.note
cause.fault cause.network cause.where.place cause.where.text cause.module cause.mechanism
cause.mechanism_text cause.proof
more_causes.fault more_causes.network more_causes.where.place more_causes.where.text more_causes.module
more_causes.mechanism more_causes.mechanism_text more_causes.proof
fix.done fix.parts.name fix.parts.cost fix.minutes fix.cost
verification.codes_cleared verification.rescan verification.road_test verification.days_without_return
verification.came_back verification.behaviour verification.note
attachments.file attachments.shows attachments.for_others attachments.sha256
provenance.ended
review.state review.by review.on
""".split()  # noqa: SIM905
"""Written after the cause was known, or nobody can tell when."""

READING = {
    "quantity": "resistance",
    "line": "CAN high",
    "against": "CAN low",
    "pins": "6 and 14",
    "battery": "disconnected",
}
VOLTS = {
    "quantity": "voltage",
    "line": "CAN high",
    "against": "ground",
    "ignition": "on",
    "unplugged": ["ABS"],
    "loaded": "yes",
}
END_TO_END = {
    "quantity": "resistance",
    "line": "CAN high",
    "at": "connector of ABS",
    "into": "harness",
    "to": "DLC",
    "swapped": ["ABS"],
    "value": "0.4 ohm",
}
SCOPE = {
    "traffic": "yes",
    "recessive": {"CAN high": "2.5 V"},
    "dominant": {"CAN high": "3.5 V"},
    "looks": ["clean"],
    "dominant_share": 0.2,
    "whole_frames": 1.0,
    "note": "hidden ten",
}
FULL = {
    "id": "0123456789",
    "revision": 3,
    "kind": "fault case",
    "title": "hidden one",
    "vehicle": {
        "make": "Norrvik",
        "model": "Fjellet",
        "model_year": 2014,
        "platform": "K4",
        "powertrain": "diesel",
        "engine": "V6",
        "high_voltage": "no",
        "market": "Europe",
        "odometer": "203800 km",
        "vin": "1M8GDM9AXKP042788",
    },
    "concern": "lamps on",
    "symptoms": ["speedo at zero"],
    "lamps": ["steering"],
    "conditions": ["wet"],
    "networks": [
        {
            "name": "bus",
            "medium": "high-speed CAN",
            "bit_rate": "500 kbit/s",
            "data_bit_rate": "2 Mbit/s",
            "reached": "behind a gateway",
            "gateway": "GW",
            "terminators_in": ["ECM"],
        }
    ],
    "modules": [{"name": "ABS", "network": "bus", "answers": "no", "identifiers": ["1A0"]}],
    "others_answer": "yes",
    "codes": [{"module": "ECM", "code": "U0121", "status": "confirmed", "text": "lost"}],
    "readings": [
        {**READING, "network": "bus", "unplugged": "nothing", "value": 60, "note": "hidden two"},
        {
            **VOLTS,
            "at": "connector of ABS",
            "stage": "isolation",
            "battery": "connected",
            "tester": "talking",
            "traffic": "yes",
            "value": 2.6,
        },
        {"quantity": "waveform", "line": "CAN high", "waveform": SCOPE},
        END_TO_END,
        {**READING, "at": "hidden three", "stage": "after repair", "value": 61.7},
    ],
    "steps": [{"did": "hidden four", "found": "hidden five", "minutes": 77}],
    "trials": [
        {
            "did": "swapped",
            "what": ["ABS"],
            "at": "yard",
            "used_part": "yes",
            "configured": "no",
            "outcome": "no change",
            "minutes": 77,
            "note": "hidden trial",
        },
        {"did": "bypassed", "what": ["hidden splice"], "outcome": "restored"},
    ],
    "cause": {
        "fault": "low_open",
        "network": "bus",
        "where": {"place": "splice", "text": "hidden six"},
        "module": "hidden seven",
        "mechanism": "rodent",
        "mechanism_text": "hidden mouse",
        "proof": "hidden eight",
    },
    "more_causes": [
        {
            "fault": "none",
            "network": "bus",
            "where": {"place": "battery", "text": "hidden clamp"},
            "module": "hidden module",
            "mechanism": "age",
            "mechanism_text": "hidden age",
            "proof": "hidden proof",
        }
    ],
    "fix": {
        "done": "hidden nine",
        "parts": [{"name": "hidden splice", "cost": "9 EUR"}],
        "minutes": 77,
        "cost": "214 EUR",
    },
    "verification": {
        "codes_cleared": "yes",
        "rescan": "clean",
        "road_test": "77 km",
        "days_without_return": 77,
        "came_back": "no",
        "behaviour": "hidden behaviour",
        "note": "hidden eleven",
    },
    "leftover": "hidden twelve",
    "note": "hidden thirteen",
    "why_normal": "hidden reason",
    "attachments": [
        {"file": "hidden.png", "shows": "hidden fourteen", "for_others": "yes", "sha256": "1d" * 32}
    ],
    "provenance": {
        "author": "brede",
        "shop": "Havnegata",
        "opened": "2025-03-03",
        "ended": "2025-03-04",
        "invented": "yes",
    },
    "review": {"state": "read and agreed", "by": "hidden lead", "on": "2025-03-09"},
}


@pytest.fixture
def full():
    """A record with every field filled; what must not survive says `hidden`, or is 77, or a word of the cause."""
    return case_from_data(FULL, "a test")


def fields_of(model, path=""):
    """Return the paths of every field of a model, through lists and choices, down to plain values."""
    found = []
    for name, field in model.model_fields.items():
        inner = next(iter(models_in(field.annotation)), None)
        found += fields_of(inner, f"{path}{name}.") if inner else [f"{path}{name}"]
    return found


def models_in(annotation):
    """Return every model that a type speaks of."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for inner in get_args(annotation) for model in models_in(inner)]


def told(case):
    """Return everything that a record tells, as plain data."""
    return case.model_dump(mode="json", exclude_defaults=True)


def filled(data, path=""):
    """Return the paths of every plain value in a record's data."""
    if isinstance(data, list) and any(isinstance(item, dict) for item in data):
        return {found for item in data for found in filled(item, path)}
    if isinstance(data, dict) and not path.endswith(("recessive", "dominant")):
        return {
            found for key, value in data.items() for found in filled(value, f"{path}.{key}" if path else key)
        }
    return {path}


def test_every_field_of_a_record_is_kept_or_hidden():
    """A field added to the record is not in either list: decide whether a stuck technician has it already."""
    assert sorted(fields_of(Case)) == sorted(KEPT + HIDDEN)
    assert not set(KEPT) & set(HIDDEN)


def test_the_full_record_fills_every_field(full):
    """The record used here leaves no field untested."""
    assert filled(told(full)) == set(KEPT + HIDDEN)


def test_only_what_was_known_while_stuck_is_left(full):
    """Exactly the kept fields are left; the review is back at `not read yet`."""
    left = filled(told(as_stuck_job(full)))
    assert left - {"review.state"} == set(KEPT)


def test_no_word_of_what_came_later_survives(full):
    """Neither a hidden text, nor a number of the repair, nor the fault, its place or mechanism."""
    left = str(told(as_stuck_job(full))).casefold()
    for later in (
        "hidden",
        "77",
        "low_open",
        "splice",
        "rodent",
        "61.7",
        "after repair",
        "2025-03-04",
        "agreed",
    ):
        assert later in str(told(full)).casefold()
        assert later not in left


def test_what_was_known_stays_as_it_was(full):
    """Kept values are the same ones, and the ID stays, so that the case can be left out of its own answer."""
    stuck = as_stuck_job(full)
    assert stuck.id == full.id
    for name in ("vehicle", "concern", "symptoms", "lamps", "conditions", "networks", "modules", "codes"):
        assert getattr(stuck, name) == getattr(full, name)
    assert [reading.value for reading in stuck.readings] == [reading.value for reading in full.readings[:4]]


def test_a_trial_that_cured_the_fault_is_hidden(full):
    """What changed nothing was known while stuck; what restored the network told the cause."""
    assert [trial.line() for trial in as_stuck_job(full).trials] == [
        "swapped ABS at yard (used part, not configured): no change"
    ]


def test_without_isolation_only_readings_as_found_are_left(full):
    """The harder question: what was read before anything was unplugged."""
    stages = {reading.stage for reading in as_stuck_job(full, isolation=False).readings}
    assert stages == {Stage.AS_FOUND}


def test_every_demo_case_becomes_an_open_job(demo_cases):
    """Of no invented case is a cause left, in the record or in what is compared; hiding twice changes nothing more."""
    faults = [case for case in demo_cases.values() if case.kind is Kind.FAULT_CASE]
    for case in faults:
        stuck = as_stuck_job(case)
        profile = profile_of(stuck, "a")
        assert status_of(stuck) is Status.OPEN
        assert (profile.fault, profile.cause_module, profile.cause_place, profile.settled_by) == (None,) * 4
        assert as_stuck_job(stuck) == stuck
    assert len(faults) > 20


def test_a_healthy_vehicle_was_never_stuck(demo_cases):
    """A known good record is refused, with its kind in the sentence."""
    healthy = next(case for case in demo_cases.values() if case.kind is Kind.KNOWN_GOOD)
    with pytest.raises(InputError, match="known good"):
        as_stuck_job(healthy)
