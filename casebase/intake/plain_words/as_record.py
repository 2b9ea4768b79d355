"""What was understood of a message as a record, as plain data, and what is still to be asked before it is answered."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from casebase.intake.plain_words.message import Data, Item, Understood
from casebase.intake.plain_words.told_of_modules import ANSWERS, SILENT
from casebase.record.vehicle import NOT_SAID
from casebase.record.vocabulary import Answers, Kind, Line, Medium

_NETWORK: Final = "the network"


def record_of(understood: Understood) -> Data:
    """Return what was understood as a record's plain data; `?` stands for a make or model nobody gave."""
    vehicle: Data = {"make": NOT_SAID, "model": NOT_SAID}
    for item in understood.of("vehicle"):
        vehicle |= item.data
    media = list(dict.fromkeys(item.data for item in understood.of("medium")))
    data: Data = {
        "kind": str(Kind.FAULT_CASE),
        "vehicle": vehicle,
        "concern": _concern(understood),
        "lamps": [item.data for item in understood.of("lamps")],
        "conditions": [item.data for item in understood.of("conditions")],
        "networks": [
            {"name": _NETWORK if len(media) == 1 else f"the {medium}", "medium": medium} for medium in media
        ],
        "modules": [
            *({"name": item.data, "answers": str(Answers.NO)} for item in understood.of(SILENT)),
            *({"name": item.data, "answers": str(Answers.YES)} for item in understood.of(ANSWERS)),
        ],
        "codes": _each_once(item.data for item in understood.of("codes")),
        "readings": [item.data for item in understood.of("readings")],
        "trials": [item.data for item in understood.of("trials")],
    }
    return {key: value for key, value in data.items() if value}


def _concern(understood: Understood) -> str:
    not_so = [item.phrase for item in understood.of("not")]
    return ". ".join(filter(None, [understood.story, *not_so]))


def _each_once(entries: Iterable[Data]) -> list[Data]:
    return list({repr(sorted(entry.items())): entry for entry in entries}.values())


# --- what is still to be asked ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Question:
    """One thing the answer depends on: what it is about (`network`, `key`), the question, the words to choose from."""

    about: str
    question: str
    choices: tuple[str, ...]


_BUS_LINES: Final = frozenset(map(str, Line)) - {
    "supply",
    "ground",
    "battery +",
    "battery -",
    "sensor signal",
    "case",
}


def questions_on(understood: Understood) -> list[Question]:
    """Return at most two questions, only what the answer hangs on: which network, and whether the key was on."""
    readings = [item.data for item in understood.of("readings")]
    found = []
    if understood.medium is None and _could_be_slow(readings):
        found.append(
            Question(
                "network",
                "Which network was read?",
                (str(Medium.HIGH_SPEED_CAN), str(Medium.FAULT_TOLERANT_CAN), str(Medium.J1939)),
            )
        )
    if any(_hangs_on_key(data) for data in readings):
        found.append(Question("key", "Was the key on while the volts were read?", ("on", "off")))
    return found


def _volts(data: Data) -> float | None:
    """Return the volts of one line to ground; None for any other reading, and for words."""
    if data["quantity"] != "voltage" or data["line"] not in _BUS_LINES or data.get("against") != "ground":
        return None
    number = re.match(r"[0-9.]+", data["value"])
    return float(number[0]) if number else None


def _hangs_on_key(data: Data) -> bool:
    """Return whether a level could be a bus asleep as well as a fault: what is said of it hangs on the key."""
    volts = _volts(data)
    return volts is not None and "ignition" not in data and not 1.0 <= volts <= 4.0


def _could_be_slow(readings: list[Data]) -> bool:
    """Return whether CAN levels are such as fault-tolerant CAN has when nothing is wrong (ISO 11898-3)."""
    levels = {data["line"]: volts for data in readings if (volts := _volts(data)) is not None}
    high, low = levels.get("CAN high"), levels.get("CAN low")
    return high is not None and low is not None and high < 1.0 and low > 4.0


def answered(understood: Understood, about: str, choice: str) -> Understood:
    """Return the same with the answer to a question."""
    if about == "network":
        return Understood(
            [Item("medium", choice, "your answer"), *understood.items], understood.story, understood.is_cut
        )
    items = [
        Item(item.kind, item.data | {"ignition": choice}, item.phrase, item.assumed)
        if item.kind == "readings" and _volts(item.data) is not None and "ignition" not in item.data
        else item
        for item in understood.items
    ]
    return Understood(items, understood.story, understood.is_cut)
