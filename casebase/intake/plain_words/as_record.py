"""What was understood of a message as a record, as plain data, and what is still to be asked before it is answered."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

from casebase.intake.plain_words.lists_of_modules import ANSWERS, SILENT
from casebase.intake.plain_words.message import OTHERS, Item, Understood
from casebase.intake.plain_words.told_codes import Data
from casebase.record.reading import Reading
from casebase.record.trial import Trial
from casebase.record.vehicle import NOT_SAID
from casebase.record.vocabulary import LINES_OF_MEDIUM, Answers, Kind, Line, Medium, YesNo
from casebase.record.words import OTHERS_WORDS, value_words

_NETWORK: Final = "the network"


def record_of(understood: Understood) -> Data:
    """Return what was understood as a record's plain data; `?` stands for a make or model nobody gave."""
    vehicle: Data = {"make": NOT_SAID, "model": NOT_SAID}
    for item in understood.of("vehicle"):
        vehicle |= item.data
    networks = _networks(understood, media_of(understood))
    data: Data = {
        "kind": str(Kind.FAULT_CASE),
        "vehicle": vehicle,
        "concern": _concern(understood),
        "lamps": [item.data for item in understood.of("lamps")],
        "conditions": [item.data for item in understood.of("conditions")],
        "networks": networks,
        "modules": [
            *({"name": item.data, "answers": str(Answers.NO)} for item in understood.of(SILENT)),
            *({"name": item.data, "answers": str(Answers.YES)} for item in understood.of(ANSWERS)),
        ],
        "others_answer": next((item.data for item in understood.of(OTHERS)), None),
        "codes": _each_once(item.data for item in understood.of("codes")),
        "readings": [_on_its_network(item, networks) for item in understood.of("readings")],
        "trials": [item.data for item in understood.of("trials")],
    }
    return {key: value for key, value in data.items() if value}


def _networks(understood: Understood, media: list[str]) -> list[Data]:
    """Return the networks by their kinds, and those that readings call by a name of their own."""
    named = list(
        dict.fromkeys(item.data["network"] for item in understood.of("readings") if "network" in item.data)
    )
    pairs = [kind for kind in media if Line.CAN_HIGH in LINES_OF_MEDIUM[Medium(kind)]]
    medium = pairs[0] if pairs else str(Medium.HIGH_SPEED_CAN)
    kinds = media or ([medium] if named else [])
    networks: list[Data] = [{"name": _network_name(kind, kinds), "medium": kind} for kind in kinds]
    return networks + [{"name": name, "medium": medium} for name in named]


def _network_name(medium: str, media: list[str]) -> str:
    return _NETWORK if len(media) == 1 else f"the {medium}"


def _on_its_network(item: Item, networks: list[Data]) -> Data:
    """Return a reading with its network where there are several: by its own name, else the one last named by kind."""
    if len(networks) < 2 or "network" in item.data:
        return dict(item.data)
    kinds = [one for one in networks if one["name"].startswith("the ")]
    read_on = network_read(item, [Medium(one["medium"]) for one in kinds])
    name = next((one["name"] for one in kinds if one["medium"] == str(read_on)), None)
    return {**item.data, "network": name} if name else dict(item.data)


def network_read(item: Item, media: list[Medium]) -> Medium | None:
    """Return which of several networks a reading is of: that last named where it was read if it has such a line."""
    of_line = [medium for medium in media if item.data.get("line") in LINES_OF_MEDIUM[medium]]
    return item.medium if item.medium in of_line else next(iter(of_line), None)


def media_of(understood: Understood) -> list[str]:
    """Return the networks that the message names and those that its readings have lines of; none if unnamed."""
    media = [Medium(item.data) for item in understood.of("medium")]
    for item in understood.of("readings") if media else []:
        for line in (item.data.get("line"), item.data.get("against")):
            usual = [medium for medium, lines in LINES_OF_MEDIUM.items() if line in lines]
            if usual and not set(usual) & set(media):
                media.append(usual[0])
    return list(dict.fromkeys(map(str, media)))


def _concern(understood: Understood) -> str:
    """Return the story, with what is not so; of a message of trials alone these, for a job needs words of its own."""
    not_so = [item.phrase for item in understood.of("not")]
    kinds = {item.kind for item in understood.items}
    tried = (
        [item.phrase for item in understood.of("trials")] if kinds <= {"trials", "medium", "vehicle"} else []
    )
    return ". ".join(filter(None, [understood.story, *not_so, *tried]))


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
        replace(item, data=item.data | {"ignition": choice})
        if item.kind == "readings" and _volts(item.data) is not None and "ignition" not in item.data
        else item
        for item in understood.items
    ]
    return Understood(items, understood.story, understood.is_cut)


# --- shown --------------------------------------------------------------------------------------------------------

LABELS: Final = {
    "vehicle": "Vehicle",
    "medium": "Network",
    "readings": "Reading",
    "codes": "Code",
    "silent": "Silent",
    "answers": "Answers",
    OTHERS: "Others",
    "lamps": "Lamp",
    "conditions": "When",
    "trials": "Tried",
    "not": "Not so",
}
"""What each kind of item is called, in the order in which they are shown."""


def item_words(item: Item) -> str:
    """Return what was understood of a phrase in one line, as a record's page words it."""
    if item.kind == "readings":
        reading = Reading.model_validate(item.data)
        state = reading.state()
        on = f" on {reading.network}" if reading.network else ""
        return f"{reading.what()}{on}: {value_words(reading)}{f' ({state})' if state else ''}"
    if item.kind == "codes":
        return (
            f"{item.data['code']} in {item.data['module']}"
            if "module" in item.data
            else str(item.data["code"])
        )
    if item.kind == "trials":
        return Trial.model_validate(item.data).line()
    if item.kind == "vehicle":
        return " ".join(
            str(item.data[key]) for key in ("make", "model", "model_year", "powertrain") if key in item.data
        )
    if item.kind == OTHERS:
        return OTHERS_WORDS[YesNo(item.data)]
    return str(item.data)


def shown_items(understood: Understood) -> list[tuple[str, str, str, str]]:
    """Return (label, what was understood, its phrase, what was taken as usual) of every item, in a fixed order."""
    return [
        (LABELS[kind], item_words(item), item.phrase, "; ".join(item.assumed))
        for kind in LABELS
        for item in understood.of(kind)
    ]


def understood_data(understood: Understood) -> Data:
    """Return what was understood as plain data: readings and codes as in a record, each with its `phrase`."""
    vehicle: Data = {}
    for item in understood.of("vehicle"):
        vehicle |= item.data
    media = [item.data for item in understood.of("medium")]
    return {
        "medium": media[0] if media else None,
        "vehicle": vehicle,
        **{
            kind: [_with_phrase(item) for item in understood.of(kind)]
            for kind in ("readings", "codes", "trials")
        },
        **{
            kind: [item.data for item in understood.of(kind)]
            for kind in (SILENT, ANSWERS, OTHERS, "lamps", "conditions", "not")
        },
    }


def _with_phrase(item: Item) -> Data:
    taken: Data = {"taken_as_usual": list(item.assumed)} if item.assumed else {}
    return {**item.data, "phrase": item.phrase, **taken}


def questions_data(questions: Iterable[Question]) -> list[Data]:
    """Return questions as plain data."""
    return [{"about": one.about, "question": one.question, "choices": list(one.choices)} for one in questions]
