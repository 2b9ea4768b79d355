"""The example that fills the template: an invented case, with an entry under every key of the record."""

from __future__ import annotations

from typing import Any, Final

EXAMPLE: Final[dict[str, Any]] = {
    "id": "7k3m9q2x",
    "revision": 1,
    "kind": "fault case",
    "title": "Skarn dies at the lights in the wet",
    "vehicle": {
        "make": "Norrvik",
        "model": "Skarn",
        "model_year": 2019,
        "platform": "K2",
        "powertrain": "diesel",
        "high_voltage": "no",
        "market": "Europe",
        "odometer": "84200 km",
        "vin": "NKKDS41B9K0012345",
    },
    "concern": "Dies at the lights, all lamps on",
    "symptoms": ["no crank at times", "gauges drop to zero"],
    "lamps": ["engine", "anti-lock brake system"],
    "conditions": ["wet", "rough road"],
    "networks": [
        {
            "name": "powertrain CAN",
            "medium": "high-speed CAN",
            "bit_rate": "500 kbit/s",
            "data_bit_rate": "2 Mbit/s",
            "reached": "behind a gateway",
            "gateway": "GWM",
            "terminators_in": ["ECM", "BCM"],
        }
    ],
    "modules": [{"name": "ABS", "network": "powertrain CAN", "answers": "no", "identifiers": ["1A0", "1A4"]}],
    "codes": [
        {
            "module": "BCM",
            "code": "U0121-00",
            "status": "confirmed",
            "text": "Lost communication with the anti-lock brakes",
        }
    ],
    "readings": [
        {
            "network": "powertrain CAN",
            "quantity": "resistance",
            "line": "CAN high",
            "against": "CAN low",
            "at": "DLC",
            "pins": "6 and 14",
            "ignition": "off",
            "battery": "disconnected",
            "unplugged": "nothing",
            "value": "122 ohm",
            "note": "steady while the harness was moved",
        },
        {
            "quantity": "voltage",
            "line": "CAN high",
            "against": "ground",
            "ignition": "on",
            "battery": "connected",
            "unplugged": ["ABS", "EPS"],
            "tester": "silent",
            "stage": "isolation",
            "value": "2.9 V",
        },
        {
            "quantity": "waveform",
            "ignition": "on",
            "waveform": {
                "traffic": "yes",
                "recessive": {"CAN high": "2.5 V", "CAN low": "2.5 V"},
                "dominant": {"CAN high": "3.9 V", "CAN low": "1.1 V"},
                "looks": ["too tall", "ringing"],
                "dominant_share": 0.21,
                "whole_frames": 0.97,
                "note": "worse when the carpet is pressed",
            },
        },
    ],
    "steps": [{"did": "bridged splice S204", "found": "61 ohm at the DLC", "minutes": "15 min"}],
    "cause": {
        "fault": "terminator_missing",
        "network": "powertrain CAN",
        "where": {"place": "splice", "text": "S204, under the left carpet"},
        "module": "ABS",
        "mechanism": "water",
        "proof": "61 ohm with the splice bridged, 122 ohm without",
    },
    "fix": {
        "done": "new splice, soldered and sealed",
        "parts": [{"name": "splice sleeve", "cost": "12.00 EUR"}],
        "minutes": "1.5 h",
        "cost": "184.50 EUR",
    },
    "verification": {
        "codes_cleared": "yes",
        "rescan": "clean",
        "road_test": "12 km",
        "days_without_return": 30,
        "came_back": "no",
        "note": "carpet left to dry for a day",
    },
    "leftover": "U0155 came back once in the cold",
    "note": "same harness as in the estate model",
    "attachments": [
        {
            "file": "splice.jpg",
            "shows": "green copper in S204",
            "for_others": "yes",
            "sha256": "6f0e2c41b7a9583d" * 4,
        }
    ],
    "provenance": {
        "author": "lead.tech",
        "shop": "Quay Street Garage",
        "opened": "2026-03-02",
        "ended": "2026-03-03",
        "invented": "yes",
    },
    "review": {"state": "not read yet", "by": "lead.tech", "on": "2026-03-06"},
}
"""Norrvik, Skarn, the shop, its people and the VIN are invented."""

_HEALTHY_READINGS: Final[list[dict[str, Any]]] = [
    {**EXAMPLE["readings"][0], "value": "60.2 ohm"},
    {**EXAMPLE["readings"][1], "unplugged": "nothing", "stage": "as found", "value": "2.6 V"},
    {
        **EXAMPLE["readings"][2],
        "waveform": {
            "traffic": "yes",
            "recessive": {"CAN high": "2.5 V", "CAN low": "2.5 V"},
            "dominant": {"CAN high": "3.5 V", "CAN low": "1.5 V"},
            "looks": ["clean"],
            "dominant_share": 0.21,
            "whole_frames": 1.0,
        },
    },
]
_OF_FAULT_CASES: Final = frozenset(
    {"concern", "symptoms", "lamps", "conditions", "modules", "codes", "steps"}
    | {"cause", "fix", "verification", "leftover"}
)

HEALTHY_EXAMPLE: Final[dict[str, Any]] = {
    **{key: value for key, value in EXAMPLE.items() if key not in _OF_FAULT_CASES},
    "kind": "known good",
    "title": "Skarn, healthy powertrain CAN",
    "readings": _HEALTHY_READINGS,
}
"""The same vehicle in health, with the textbook levels of high-speed CAN (ISO 11898-2, typical values)."""
