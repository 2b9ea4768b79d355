"""The vehicle, what was seen, networks and modules from a line each: `2019, K2, diesel, 188000`, `can 500, behind GWM`.

What is typed is taken apart at commas and semicolons; each entry says itself what it is.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from difflib import get_close_matches
from typing import Final

from casebase.errors import InputError
from casebase.intake.answers import Reader, check_field, entries_of, sentences_of, word_in
from casebase.intake.question import Data
from casebase.record.vocabulary import Answers, Condition, Lamp, Market, Medium, Powertrain, Reached
from casebase.record.word_list import plain_form

# --- the vehicle ------------------------------------------------------------------------------------------------------

_YEAR: Final = re.compile(r"(?:MY|model year|year)?\s*((?:19[89]|20[0-9])[0-9])", re.IGNORECASE)
_LABELLED: Final = re.compile(
    r"(?P<key>platform|engine|market|vin|odometer|powertrain)\s*:?\s+(?P<text>.+)", re.IGNORECASE
)
_MILEAGE: Final = re.compile(
    r"(?P<number>\d[\d ,.'\u2019]*)\s*(?P<thousand>k(?!m))?\s*(?P<unit>km|mi|miles?)?", re.IGNORECASE
)
_CYLINDERS: Final = re.compile(r"[VRIL]\d{1,2}\b|\d\.\d\b", re.IGNORECASE)


def vehicle_reader(distance_unit: str, platforms: Sequence[str] = ()) -> Reader:
    """Return a reader of year, platform, powertrain, engine, market, odometer and VIN, in any order.

    `distance_unit` is that of an odometer typed without one: what the library's other records have. A platform among
    `platforms` is written as it stands there.
    """
    by_folded = {name.casefold(): name for name in platforms}

    def read(text: str) -> Data:
        told: Data = {}
        for entry in entries_of(text):
            key, value = _of_vehicle(entry, distance_unit, told)
            if key in told:
                raise InputError(f"'{entry[:40]}': {key.replace('_', ' ')} was given already ({told[key]})")
            value = by_folded.get(value.casefold(), value) if key == "platform" else value
            check_field(f"vehicle.{key}", value)
            told[key] = value
        return told

    return read


def _of_vehicle(entry: str, distance_unit: str, told: Collection[str]) -> tuple[str, str]:
    labelled = _LABELLED.fullmatch(entry)
    if labelled:
        return labelled["key"].lower(), labelled["text"]
    year = _YEAR.fullmatch(entry)
    if year and "model_year" not in told:
        return "model_year", year[1]
    mileage = _MILEAGE.fullmatch(entry)
    if mileage:
        digits = re.sub(r"\D", "", mileage["number"]) + ("000" if mileage["thousand"] else "")
        return "odometer", f"{digits} {mileage['unit'] or distance_unit}"
    for key, kind in (("powertrain", Powertrain), ("market", Market)):
        word = word_in(kind, entry)
        if word is not None and word != "other":
            return key, str(word)
    if len(plain_form(entry)) >= 16 and not entry.isalpha() and " " not in entry:
        return "vin", entry
    return "engine" if _CYLINDERS.search(entry) else "platform", entry


# --- lamps, when it shows, what else was seen -------------------------------------------------------------------------

_LAMP_WORDS: Final = re.compile(r"\s+(?:warning\s+)?(?:lamps?|lights?)(?:\s+(?:on|lit))?$", re.IGNORECASE)
_WHEN_WORDS: Final = re.compile(r"^(?:when|if|only|shows|mostly)\s+", re.IGNORECASE)


def read_seen(text: str) -> Data:
    """Return `lamps`, `conditions` and `symptoms`: words of the first two lists, all else in the words typed.

    >>> read_seen("ABS lamp, in rain, no crank")["symptoms"]
    ['in rain', 'no crank']
    """
    seen: Data = {"lamps": [], "conditions": [], "symptoms": []}
    for entry in entries_of(text):
        key, word = _seen(entry)
        if word not in seen[key]:
            seen[key].append(word)
    check_field("symptoms", seen["symptoms"])
    return {key: words for key, words in seen.items() if words}


def _seen(entry: str) -> tuple[str, str]:
    lamp, when = word_in(Lamp, _LAMP_WORDS.sub("", entry)), word_in(Condition, _WHEN_WORDS.sub("", entry))
    if when is not None and lamp is None:
        return "conditions", str(when)
    if lamp is not None:
        return "lamps", str(lamp)
    words = {plain_form(word): str(word) for word in (*Lamp, *Condition)}
    close = get_close_matches(plain_form(entry), words, n=1, cutoff=0.8) if " " not in entry else []
    if close:
        raise InputError(
            f"'{entry[:60]}': did you mean '{words[close[0]]}'? Say it in two words to keep it as a symptom"
        )
    return "symptoms", entry


# --- networks ---------------------------------------------------------------------------------------------------------

_RATE: Final = re.compile(
    r"(?<![\w.,])(?P<number>\d+(?:[.,]\d+)?)\s*(?P<unit>[kM](?:bit/s|bps|bit|baud|Bd|b/s)?|bit/s|bps|baud)?(?![\w])",
    re.IGNORECASE,
)
_GATEWAY: Final = re.compile(r"\bbehind\s+(?:an?\s+|the\s+)?(?:gateway\s*)?(?P<name>[^,]*)", re.IGNORECASE)
_TERMINATORS: Final = re.compile(
    r"\bterminat(?:ors?|ed|ion)\s+(?:are\s+)?(?:in|at|by)\s+(?P<names>[^,]+(?:,[^,]+)*)", re.IGNORECASE
)
_CALLED: Final = re.compile(r"\b(?:called|named)\s+(?P<name>[^,]+)", re.IGNORECASE)
_AND: Final = re.compile(r"\s*(?:,|\band\b|&|\+)\s*")
_CAN: Final = re.compile(r"\bcan\b", re.IGNORECASE)
_MEDIA: Final = sorted(
    {
        **{str(medium): medium for medium in Medium},
        "high speed CAN": Medium.HIGH_SPEED_CAN,
        "HS CAN": Medium.HIGH_SPEED_CAN,
        "HS-CAN": Medium.HIGH_SPEED_CAN,
        "low speed CAN": Medium.FAULT_TOLERANT_CAN,
        "fault tolerant CAN": Medium.FAULT_TOLERANT_CAN,
        "fault-tolerant CAN": Medium.FAULT_TOLERANT_CAN,
        "single wire CAN": Medium.SINGLE_WIRE_CAN,
        "SW CAN": Medium.SINGLE_WIRE_CAN,
        "K line": Medium.K_LINE,
    }.items(),
    key=lambda named: -len(named[0]),
)


def networks_reader(taken: Sequence[str], more: str = "") -> Reader:
    """Return a reader of networks parted by semicolons; `taken` are names that the record has already."""

    def read(text: str) -> list[Data]:
        names, networks = [*taken], []
        for entry in sentences_of(text):
            networks.append(_network(entry, names))
            names.append(networks[-1]["name"])
        return networks

    return read


def _network(text: str, taken: Sequence[str]) -> Data:
    rest, network = text, Data()
    for key, pattern in (("terminators_in", _TERMINATORS), ("gateway", _GATEWAY), ("name", _CALLED)):
        found = pattern.search(rest)
        if found:
            network[key] = found[1].strip()
            rest = f"{rest[: found.start()]}, {rest[found.end() :]}"
    if "gateway" in network:
        network["reached"] = str(Reached.BEHIND_GATEWAY)
    if "terminators_in" in network:
        names = [name for name in _AND.split(network["terminators_in"]) if name]
        network["terminators_in"] = [name for name in names if word_in(Reached, name) is None]
        rest += "".join(f", {name}" for name in names if word_in(Reached, name) is not None)
    medium, rest = _medium(rest)
    network["medium"] = str(medium)
    rate = _RATE.search(rest)
    if rate:
        network["bit_rate"] = _bit_rate(rate)
        rest = f"{rest[: rate.start()]}, {rest[rate.end() :]}"
    for entry in filter(None, map(str.strip, rest.split(","))):
        way = word_in(Reached, entry)
        if way is not None:
            network["reached"] = str(way)
        else:
            network.setdefault(
                "name", f"{entry} {'CAN' if 'CAN' in medium and 'can' not in entry.lower() else ''}".strip()
            )
    network.setdefault("name", str(medium))
    if network["name"] in taken:
        raise InputError(f"'{network['name']}' is already on this record: add 'called' and another name")
    network = {key: value for key, value in network.items() if value}
    for key, value in network.items():
        check_field(f"networks[0].{key}", value)
    return network


def _medium(text: str) -> tuple[Medium, str]:
    """Return the medium that a text names, and the rest; CAN alone is high-speed CAN, as it mostly is."""
    if text.strip().isdecimal() and 1 <= int(text) <= len(Medium):
        return tuple(Medium)[int(text) - 1], ""
    for name, medium in _MEDIA:
        found = re.search(rf"(?<!\w){re.escape(name)}(?!\w)", text, re.IGNORECASE)
        if found:
            return medium, f"{text[: found.start()]} {text[found.end() :]}"
    found = _CAN.search(text)
    if found:
        return Medium.HIGH_SPEED_CAN, f"{text[: found.start()]} {text[found.end() :]}"
    raise InputError(
        f"'{text.strip()[:60]}' names no kind of network: expected one of {', '.join(Medium)};"
        " another kind can be told at the end, as a note"
    )


def _bit_rate(rate: re.Match[str]) -> str:
    """Return the rate with its unit: below 1000 kbit/s is meant, from there bit/s."""
    number = float(rate["number"].replace(",", "."))
    return f"{rate['number']} {rate['unit'] or ('kbit/s' if number < 1000 else 'bit/s')}"


# --- modules ----------------------------------------------------------------------------------------------------------

_HOW: Final = re.compile(
    r"(?P<name>.+?)[\s:]+(?P<how>(?:answers?|does not answer|no answer|silent|no|yes|ok)?"
    r"\s*(?:only\s+)?(?:at times|sometimes|intermittent(?:ly)?)?)",
    re.IGNORECASE,
)


def read_modules(text: str) -> dict[str, str]:
    """Return whether each module named answers; one named alone does not.

    >>> read_modules("ABS, TCM at times, BCM answers")
    {'ABS': 'no', 'TCM': 'intermittent', 'BCM': 'yes'}
    """
    told: dict[str, str] = {}
    for entry in entries_of(text):
        found = _HOW.fullmatch(entry)
        name, how = (found["name"].strip(), found["how"].lower()) if found and found["how"] else (entry, "no")
        check_field("modules[0].name", name)
        if name in told:
            raise InputError(f"'{name}' was named twice: name it once")
        told[name] = str(_answers(how))
    return told


def _answers(how: str) -> Answers:
    if re.search(r"times|intermittent", how):
        return Answers.INTERMITTENT
    return Answers.YES if how.startswith(("answer", "yes", "ok")) else Answers.NO
