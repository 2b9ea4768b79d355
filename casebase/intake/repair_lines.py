"""What was tried, the place of the cause, fix and proof from a line each: `new splice; 90 min; 184.50 EUR`."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import date
from typing import Any, Final

from casebase.errors import InputError
from casebase.intake.answers import Reader, check_field, day_reader, entries_of, sentences_of, word_in
from casebase.intake.question import Data
from casebase.intake.trial_text import read_trial
from casebase.record.modules import modules_named_in
from casebase.record.trial import Outcome
from casebase.record.vocabulary import Mechanism, Place, Rescan, YesNo

# --- what was tried ---------------------------------------------------------------------------------------------------

_MINUTES: Final = re.compile(
    r"[\s,(]+(?P<minutes>\d+(?:[.,]\d+)?\s*(?:min(?:utes)?|h|hours?))\)?$", re.IGNORECASE
)


def read_tried(text: str) -> Data:
    """Return `trials` and `steps`: what is no trial of a part, or showed something measured, is a step.

    >>> sorted(read_tried("swapped TCM: no change; load test of the ground: 1 V drop, 15 min"))
    ['steps', 'trials']
    """
    tried: Data = {}
    for entry in sentences_of(text):
        took = _MINUTES.search(entry)
        said = entry[: took.start()] if took else entry
        minutes = {"minutes": took["minutes"]} if took else {}
        trial = _trial(said)
        kind, told = ("steps", _step(said)) if trial is None else ("trials", trial)
        for key, value in {**told, **minutes}.items():
            check_field(f"{kind}[0].{key}", value, told)
        tried.setdefault(kind, []).append({**told, **minutes})
    return tried


def _trial(said: str) -> Data | None:
    """Return the trial that an entry tells; None where it tells a step: no part, or a finding that is no outcome."""
    try:
        trial = read_trial(said)
    except InputError as refused:
        if ":" in said or "does not say what was done" in str(refused) or "several things" in str(refused):
            return None
        raise
    shows_more = trial.outcome is Outcome.UNKNOWN and ":" in said
    return None if shows_more else trial.model_dump(mode="json", exclude_defaults=True)


def _step(said: str) -> Data:
    did, _, found = said.partition(":")
    return {key: text.strip() for key, text in (("did", did), ("found", found)) if text.strip()}


# --- cause, fix, proof ------------------------------------------------------------------------------------------------


def where_reader(networks: Sequence[str]) -> Reader:
    """Return a reader of where the cause was, on which of the `networks`, and what brought it about."""

    def read(text: str) -> Data:
        cause: Data = {}
        words: list[str] = []
        for entry in sentences_of(text):
            key, value = _of_cause(entry, networks)
            if key and key not in cause:
                cause[key] = value
            else:
                words.append(entry)
        if words:
            cause["mechanism_text"] = "; ".join(words)
        for key, value in cause.items():
            check_field(f"cause.{key}", value)
        return cause

    return read


def _of_cause(entry: str, networks: Sequence[str]) -> tuple[str, Any]:
    named = next((name for name in networks if name.casefold() == entry.casefold()), None)
    if named:
        return "network", named
    mechanism = word_in(Mechanism, entry)
    if mechanism is not None:
        return "mechanism", str(mechanism)
    return "where", _where(entry)


def _where(entry: str) -> Data:
    words = entry.split()
    for length in (2, 1):
        for at in range(len(words) - length + 1):
            place = word_in(Place, " ".join(words[at : at + length]).strip(" ,.:"))
            if place is not None:
                rest = " ".join(words[length:]) if at == 0 else entry
                return {"place": str(place)} | ({"text": rest.strip(" ,:")} if rest.strip(" ,:") else {})
    return {"place": str(Place.OTHER), "text": entry}


def module_concerned(where: Data) -> str | None:
    """Return the module that the place of a cause names: `connector of ABS`; None where none or several are."""
    found = {module.key: module for module in modules_named_in(where.get("text", ""))}
    return where["text"][(one := next(iter(found.values()))).start : one.end] if len(found) == 1 else None


_COST: Final = re.compile(
    r"(?P<name>.*?)\s*(?P<cost>(?:[\u20ac\u00a3$]\s*)?\d+(?:[.,]\d+)?\s*(?:[\u20ac\u00a3]|[A-Z]{3})|[\u20ac\u00a3]\s*\d+(?:[.,]\d+)?)",
)
_TIME: Final = re.compile(r"\d+(?:[.,]\d+)?\s*(?:min(?:utes)?|h|hours?)", re.IGNORECASE)
_PART: Final = re.compile(r"parts?\s*:?\s+(?P<name>.+)", re.IGNORECASE)


def read_fix(text: str) -> Data:
    """Return `done`, `parts`, `minutes` and `cost` of what was done, the words first, the rest in any order.

    >>> read_fix("new splice, soldered; splice sleeve 12.00 EUR; 1.5 h; 184.50 EUR")["cost"]
    '184.50 EUR'
    """
    fix: Data = {}
    done: list[str] = []
    for entry in sentences_of(text):
        cost, part = _COST.fullmatch(entry), _PART.fullmatch(entry)
        if _TIME.fullmatch(entry):
            fix["minutes"] = entry
        elif cost and not cost["name"]:
            fix["cost"] = entry
        elif (cost or part) and done:
            name = cost["name"] if cost else entry
            bare = _PART.fullmatch(name)
            part_used = {"name": (bare["name"] if bare else name).strip(" ,:")}
            fix.setdefault("parts", []).append(part_used | ({"cost": cost["cost"]} if cost else {}))
        else:
            done.append(entry)
    if not done:
        raise InputError("does not say what was done: expected it first, such as 'new splice; 90 min'")
    fix["done"] = "; ".join(done)
    for key, value in fix.items():
        check_field(f"fix.{key}", value)
    return fix


_CLEARED: Final = re.compile(r"(?P<no>not\s+)?(?:codes\s+)?(?P<no2>not\s+)?cleared", re.IGNORECASE)
_DAYS: Final = re.compile(r"(?P<days>\d+)\s*days?(?:\s+.*)?", re.IGNORECASE)
_SCAN: Final = re.compile(r"^(?:re-?scan|scan)\s*:?\s+(?:is\s+|was\s+)?", re.IGNORECASE)
_ROAD: Final = re.compile(
    r"(?:road test\s*:?\s*(?:of\s*)?)?(?P<way>\d+(?:[.,]\d+)?\s*(?:km|mi|miles?))(?:\s+road test)?",
    re.IGNORECASE,
)
_CAME_BACK: Final = re.compile(
    r"(?P<no>(?:did not|has not|not|never)\s+)?c[ao]me\s+back|(?P<no2>not)\s+back", re.IGNORECASE
)


def proof_reader(read_readings: Callable[[str], list[Data]]) -> Reader:
    """Return a reader of what shows that the fix worked; `read_readings` reads those taken after the repair."""

    def read(text: str) -> tuple[Data, list[Data]]:
        shown: Data = {}
        readings: list[Data] = []
        for entry in entries_of(text):
            key, value = _proof(entry)
            if key == "behaviour":
                with suppress(InputError):
                    readings += read_readings(entry)
                    continue
                value = f"{shown[key]}; {value}" if key in shown else value
            shown[key] = value
        for key, value in shown.items():
            check_field(f"verification.{key}", value)
        return shown, readings

    return read


def _proof(entry: str) -> tuple[str, str]:
    cleared, back = _CLEARED.fullmatch(entry), _CAME_BACK.fullmatch(entry)
    if cleared:
        return "codes_cleared", str(YesNo.NO if cleared["no"] or cleared["no2"] else YesNo.YES)
    if back:
        return "came_back", str(YesNo.NO if back["no"] or back["no2"] else YesNo.YES)
    rescan = word_in(Rescan, _SCAN.sub("", entry))
    if rescan is not None:
        return "rescan", str(rescan)
    road, days = _ROAD.fullmatch(entry), _DAYS.fullmatch(entry)
    if road:
        return "road_test", road["way"]
    return ("days_without_return", days["days"]) if days else ("behaviour", entry)


# --- who and when -----------------------------------------------------------------------------------------------------

_DATED: Final = re.compile(r"(?P<which>opened|ended)(?:\s+on)?\s*:?\s+(?P<day>.+)", re.IGNORECASE)
_STILL_OPEN: Final = re.compile(r"(?:still\s+)?open|not ended", re.IGNORECASE)


def who_reader(today: date) -> Reader:
    """Return a reader of handle, shop, the day the job was opened and the day it ended."""

    def read(text: str) -> Data:
        told: Data = {}
        for entry in entries_of(text):
            dated = _DATED.fullmatch(entry)
            if dated:
                key = dated["which"].lower()
                told[key] = day_reader(f"provenance.{key}", today)(dated["day"])
            elif _STILL_OPEN.fullmatch(entry):
                told["ended"] = None
            else:
                key = next((key for key in ("author", "shop") if key not in told), "")
                if not key:
                    raise InputError(f"'{entry[:40]}': expected handle, shop, opened and ended, each once")
                check_field(f"provenance.{key}", entry)
                told[key] = entry
        if "opened" in told and (told.get("ended") or told["opened"]) < told["opened"]:
            raise InputError("ended before it was opened: expected the same day or a later one")
        return told

    return read
