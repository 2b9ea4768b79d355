"""The template of a record: YAML to fill in by hand, made from the models and from an invented case as the example.

A line that starts with `#: ` is an example: without those three characters it is part of the record. A line that
starts with `# ` explains. What is left empty at the top loads as not known.
"""

from __future__ import annotations

import textwrap
import types
import typing
from collections.abc import Iterator
from typing import Any, Final

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from casebase.record.case import Case
from casebase.record.vocabulary import Kind
from casebase.record.word_list import Word

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
        "engine": "2.0 diesel",
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
    "others_answer": "yes",
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
            "traffic": "yes",
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
        {
            "quantity": "resistance",
            "line": "CAN high",
            "against": "CAN low",
            "at": "connector of ABS",
            "into": "module",
            "battery": "disconnected",
            "unplugged": ["ABS"],
            "stage": "isolation",
            "value": "31.2 kohm",
        },
        {
            "quantity": "resistance",
            "line": "CAN low",
            "at": "connector of ABS",
            "to": "DLC",
            "battery": "disconnected",
            "unplugged": ["ABS"],
            "stage": "isolation",
            "value": "0.4 ohm; OL when the carpet is pressed",
        },
        {
            "quantity": "voltage",
            "line": "supply",
            "against": "ground",
            "at": "connector of ABS",
            "ignition": "on",
            "unplugged": ["ABS"],
            "loaded": "yes",
            "stage": "isolation",
            "value": "12.2 V",
        },
        {"quantity": "fault", "swapped": ["ABS"], "stage": "isolation", "value": "unchanged"},
    ],
    "steps": [{"did": "bridged splice S204", "found": "61 ohm at the DLC", "minutes": "15 min"}],
    "trials": [
        {
            "did": "swapped",
            "what": ["ABS"],
            "at": "connector of ABS",
            "used_part": "yes",
            "configured": "no",
            "outcome": "no change",
            "minutes": "40 min",
            "note": "from the yard's second vehicle",
        },
        {"did": "bypassed", "what": ["splice S204"], "outcome": "restored"},
    ],
    "cause": {
        "fault": "terminator_missing",
        "network": "powertrain CAN",
        "where": {"place": "splice", "text": "S204, under the left carpet"},
        "module": "ABS",
        "mechanism": "water",
        "mechanism_text": "grommet left out at an earlier repair",
        "proof": "61 ohm with the splice bridged, 122 ohm without",
    },
    "more_causes": [
        {
            "fault": "module_supply_or_ground",
            "network": "powertrain CAN",
            "where": {"place": "battery", "text": "loose clamp"},
            "module": "ECM",
            "mechanism": "loose fit",
            "mechanism_text": "clamp of another size",
            "proof": "9.1 V while cranking, 10.8 V with the clamp tight",
        }
    ],
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
        "behaviour": "starts at once, no lamps",
        "note": "carpet left to dry for a day",
    },
    "leftover": "U0155 came back once in the cold",
    "note": "same harness as in the estate model",
    "why_normal": "quiet at the DLC until a tester asks",
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
    {"concern", "symptoms", "lamps", "conditions", "modules", "codes", "steps", "trials"}
    | {"cause", "more_causes", "fix", "verification", "leftover"}
)

HEALTHY_EXAMPLE: Final[dict[str, Any]] = {
    **{key: value for key, value in EXAMPLE.items() if key not in _OF_FAULT_CASES},
    "kind": "known good",
    "title": "Skarn, healthy powertrain CAN",
    "why_normal": "no codes, every module answers, read again after 200 km",
    "readings": _HEALTHY_READINGS,
}
"""The same vehicle in health, with the textbook levels of high-speed CAN (ISO 11898-2, typical values)."""


EXAMPLE_MARK: Final = "#: "
_WIDTH: Final = 100

_HEAD: Final = """\
# A record for casebase. Fill in what you know and leave the rest as it is.
# A line that starts with "#: " is an example: take these three characters away and put your own in.
# Lines that start with "# " explain. The examples are invented.
"""
_TO_FILL_IN: Final = frozenset({"kind", "vehicle", "vehicle.make", "vehicle.model", "concern"})
_TO_FILL_IN_SHORT: Final = _TO_FILL_IN | {"vehicle.model_year", "vehicle.powertrain", "vehicle.odometer"}
_SHORT: Final = _TO_FILL_IN_SHORT | {
    "symptoms",
    "conditions",
    "networks",
    "networks.name",
    "networks.medium",
    "networks.bit_rate",
    "modules",
    "modules.name",
    "modules.answers",
    "codes",
    "codes.module",
    "codes.code",
    "readings",
    "readings.quantity",
    "readings.line",
    "readings.against",
    "readings.at",
    "readings.ignition",
    "readings.battery",
    "readings.unplugged",
    "readings.value",
    "trials",
    "trials.did",
    "trials.what",
    "trials.outcome",
    "cause",
    "cause.fault",
    "cause.where",
    "cause.where.place",
    "cause.where.text",
    "cause.proof",
    "fix",
    "fix.done",
    "fix.minutes",
    "verification",
    "verification.rescan",
    "leftover",
    "provenance",
    "provenance.author",
    "provenance.ended",
}
_ENTRIES_IN_SHORT: Final = 2
_MOST_WORDS_REPEATED: Final = 4


def template_text(full: bool, kind: str = "fault case") -> str:
    """Return the template: the short form takes five minutes, the full form holds every key of a record.

    Raises `ValueError` for a `kind` that is none of `Kind`.
    """
    example = HEALTHY_EXAMPLE if Kind(kind) is Kind.KNOWN_GOOD else EXAMPLE
    return _HEAD + "\n".join(_Writer(full=full).part(Case, example, "", 0)) + "\n"


class _Writer:
    """Walks the models and the example side by side and writes one line per key."""

    def __init__(self, *, full: bool) -> None:
        self.full = full
        self.to_fill_in = _TO_FILL_IN if full else _TO_FILL_IN_SHORT
        self.explained: set[str] = set()
        self.lists_shown: dict[tuple[str, ...], str] = {}

    def part(self, model: type[BaseModel], example: dict[str, Any], path: str, depth: int) -> Iterator[str]:
        """Yield the lines of one part of the record; keys that `example` lacks are left out."""
        for key, field in model.model_fields.items():
            inner = f"{path}.{key}" if path else key
            if key in example and (self.full or inner in _SHORT):
                yield from self._key(key, field, example[key], inner, depth)

    def _key(self, key: str, field: FieldInfo, value: Any, path: str, depth: int) -> Iterator[str]:
        if not depth:
            yield ""
        yield from self._explanation(key, field, path, depth)
        model = _model_in(field.annotation)
        if model is None:
            text = "" if path in self.to_fill_in and path != "kind" else _inline(value)
            yield self._line(f"{key}: {text}".rstrip(), path, depth)
            return
        yield self._line(f"{key}:", path, depth)
        if isinstance(value, list):
            for entry in value if self.full else value[:_ENTRIES_IN_SHORT]:
                yield from _as_entry(list(self.part(model, entry, path, depth + 2)), depth + 1)
        else:
            yield from self.part(model, value, path, depth + 1)

    def _explanation(self, key: str, field: FieldInfo, path: str, depth: int) -> Iterator[str]:
        """Yield what is said about a key, once: its description and its fixed words."""
        lists = [
            part for part in _types_in(field.annotation) if isinstance(part, type) and issubclass(part, Word)
        ]
        words = tuple(word.value for words in lists for word in words)
        text = " ".join(part for part in (field.description, self._list_of(key, words)) if part)
        if not text or path in self.explained:
            return
        self.explained.add(path)
        margin = f"# {'  ' * depth}"
        yield from textwrap.wrap(
            f"{key}: {text}",
            _WIDTH,
            initial_indent=margin,
            subsequent_indent=f"{margin}  ",
            break_on_hyphens=False,
        )

    def _list_of(self, key: str, words: tuple[str, ...]) -> str:
        """Return the fixed words of a key in one sentence; a long list is not shown twice."""
        shown_at = self.lists_shown.setdefault(words, key)
        if shown_at != key and len(words) > _MOST_WORDS_REPEATED:
            return f"One of the words of {shown_at}."
        return f"One of: {', '.join(words)}." if words else ""

    def _line(self, text: str, path: str, depth: int) -> str:
        mark = "" if path in self.to_fill_in else EXAMPLE_MARK
        return f"{mark}{'  ' * depth}{text}"


def _inline(value: Any) -> str:
    """Return a value as YAML on one line."""
    if isinstance(value, list):
        return f"[{', '.join(_inline(entry) for entry in value)}]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {_inline(entry)}" for key, entry in value.items()) + "}"
    return f'"{value}"' if isinstance(value, str) and "," in value else str(value)


def _as_entry(lines: list[str], depth: int) -> list[str]:
    """Put the dash of a list entry before the first example line."""
    margin = f"{EXAMPLE_MARK}{'  ' * (depth + 1)}"
    first = next(index for index, line in enumerate(lines) if line.startswith(EXAMPLE_MARK))
    lines[first] = f"{EXAMPLE_MARK}{'  ' * depth}- {lines[first].removeprefix(margin)}"
    return lines


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """Return the model that a field holds, once or in a list; None for everything else."""
    models = (
        part for part in _types_in(annotation) if isinstance(part, type) and issubclass(part, BaseModel)
    )
    return next(models, None)


def _types_in(annotation: Any) -> Iterator[Any]:
    """Yield the types within an annotation, `X | None`, lists, mappings and `Annotated` taken apart."""
    origin = typing.get_origin(annotation)
    if origin is None:
        yield annotation
        return
    inside = typing.get_args(annotation)
    if origin is typing.Annotated:
        inside = inside[:1]
    if origin not in (typing.Union, types.UnionType, typing.Annotated, list, dict):
        return
    for part in inside:
        yield from _types_in(part)
