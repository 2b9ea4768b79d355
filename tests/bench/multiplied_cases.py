"""Thousands of records made from the invented demo cases: same shape, changed values, the same on every run."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from casebase.record.json_form import plain_data
from casebase.record.loading import load_file, record_files

DEMO_FOLDER: Final = Path(__file__).parents[2] / "demo_cases"
SEED: Final = 11898

_ONE_NUMBER: Final = re.compile(r"([0-9]+(?:\.[0-9]+)?)( (?:ohm|kohm|Mohm|V|mV))")
_WHEN: Final = [
    "yesterday",
    "on Monday",
    "three weeks ago",
    "since the winter",
    "after a long drive",
    "before the holiday",
]
_WHERE: Final = [
    "on the ferry",
    "in the car wash",
    "at the border",
    "in a ditch",
    "on gravel",
    "uphill",
    "in town",
    "at the farm",
]
_WHAT: Final = [
    "radio cuts out",
    "heater fan surges",
    "one door stays open",
    "clock wrong",
    "horn weak",
    "mirrors fold",
    "wiper parks high",
    "seat forgets",
    "camera black",
    "chime at random",
    "boot light stays on",
    "key not found",
]
_WHO: Final = [
    "the owner",
    "his daughter",
    "the fleet manager",
    "a new driver",
    "the night shift",
    "another shop",
]
_MORE_MODULES: Final = [
    "left seat module",
    "right seat module",
    "roof module",
    "tow module",
    "camera module",
    "charger module",
    "tank module",
    "compass module",
    "steering column module",
    "gear lever module",
    "left lamp module",
    "right lamp module",
]


def demo_data() -> list[dict[str, Any]]:
    """Return every demo case as plain data."""
    return [plain_data(case) for path in record_files([DEMO_FOLDER]) for case in load_file(path)]


def multiplied(count: int) -> Iterator[dict[str, Any]]:
    """Yield `count` records as plain data, no two alike."""
    chance = random.Random(SEED)
    originals = demo_data()
    for number in range(count):
        yield _varied(originals[number % len(originals)], number, chance)


def _varied(original: dict[str, Any], number: int, chance: random.Random) -> dict[str, Any]:
    data = {
        key: value
        for key, value in original.items()
        if key not in ("title", "vehicle", "readings", "modules")
    }
    data["vehicle"] = _another_vehicle(original["vehicle"], number, chance)
    data["concern"] = f"{original.get('concern', '')} {_more_words(chance)}".strip()
    if original.get("readings"):
        data["readings"] = [_another_reading(reading, chance) for reading in original["readings"]]
    data["modules"] = [*original.get("modules", []), *_more_modules(original, chance)]
    return data


def _another_vehicle(vehicle: dict[str, Any], number: int, chance: random.Random) -> dict[str, Any]:
    year = vehicle.get("model_year", 2015) + chance.randint(-4, 4)
    kept = {key: value for key, value in vehicle.items() if key != "vin"}
    # The number makes every record unlike the others, whatever else chance gives.
    return {**kept, "model_year": max(1996, min(2026, year)), "odometer": f"{10_000 + 17 * number} km"}


def _more_words(chance: random.Random) -> str:
    who, when, where = (chance.choice(words) for words in (_WHO, _WHEN, _WHERE))
    return f"Seen by {who} {when} {where}: {', '.join(chance.sample(_WHAT, 2))}."


def _another_reading(reading: dict[str, Any], chance: random.Random) -> dict[str, Any]:
    match = _ONE_NUMBER.fullmatch(str(reading.get("value")))
    if match is None:
        return reading
    decimals = len(match[1].partition(".")[2])
    number = float(match[1]) * chance.uniform(0.96, 1.04)
    return {**reading, "value": f"{number:.{decimals}f}{match[2]}"}


def _more_modules(original: dict[str, Any], chance: random.Random) -> list[dict[str, Any]]:
    there = {module["name"] for module in original.get("modules", [])}
    names = [name for name in chance.sample(_MORE_MODULES, 3) if name not in there]
    return [{"name": name, "answers": chance.choice(["yes", "yes", "yes", "no"])} for name in names]
