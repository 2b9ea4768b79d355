"""A reading told in a message, and what becomes of several: the same twice, two values of one that was shaken."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Any, Final

from casebase.intake.plain_words.marks import Marks
from casebase.intake.plain_words.written import Span, rule
from casebase.record.vocabulary import Medium

Data = dict[str, Any]


@dataclass(frozen=True)
class ToldReading:
    """A reading as a record holds it, the phrase it came from, and what was taken as usual without being said."""

    data: Data
    spans: tuple[Span, ...]
    assumed: tuple[str, ...] = ()
    medium: Medium | None = None
    """The network last named where it was read."""


def of_several_networks(told: list[ToldReading]) -> list[ToldReading]:
    """Return the readings, without the name of their network where all have the same."""
    if len({one.data.get("network") for one in told}) > 1:
        return told
    return [
        replace(one, data={key: value for key, value in one.data.items() if key != "network"}) for one in told
    ]


_CHANGES: Final = rule(
    r"\b(?:drops?|goes|jumps|changes|rises|climbs|falls|swings|flickers)\b|\b(?:when|while|if"
    r"|on) (?:i )?(?:sha(?:ken?|king)|shook|wiggl\w+|mov\w+|touch\w+|flex\w+|tapp?\w*|turn\w*)",
    re.IGNORECASE,
)
_WHEN: Final = rule(
    r"\b(?:when|while|if) (?:i )?(?:sha(?:ken?|king)|shook|wiggl\w+|mov\w+|touch\w+|flex\w+|tapp?\w*)",
    re.IGNORECASE,
)
_SHAKEN: Final = rule(r"\b(?:shook|shaking|wiggled|wiggling|flexed) the\b", re.IGNORECASE)


def shaken(marks: Marks, told: list[ToldReading]) -> list[ToldReading]:
    """Return the readings, with two of one kind that changed when something was moved as one."""
    found: list[ToldReading] = []
    for one in told:
        before = found[-1] if found else None
        if before and one.data["value"] == before.data["value"].split("; ")[0] and _is_again(before, one):
            continue
        if before and _is_change(marks, before, one):
            found[-1] = _together(marks, before, one)
        else:
            found.append(one)
    return found


_SAME_KEYS: Final = ("quantity", "line", "against", "at", "unplugged")


def _is_again(first: ToldReading, second: ToldReading) -> bool:
    """Return whether the value of the start showed again after it had changed."""
    return "; " in first.data["value"] and all(
        first.data.get(key) == second.data.get(key) for key in _SAME_KEYS
    )


def _is_change(marks: Marks, first: ToldReading, second: ToldReading) -> bool:
    if (
        any(first.data.get(key) != second.data.get(key) for key in _SAME_KEYS)
        or " when " in first.data["value"]
    ):
        return False
    start, end = first.spans[0][0], second.spans[0][1]
    sentences = {marks.clause_at(start).sentence, marks.clause_at(end - 1).sentence}
    told = marks.message.text[marks.clause_at(start).start : marks.clause_at(end - 1).end]
    return len(sentences) == 1 and bool(_WHEN.search(told) or _SHAKEN.search(told))


def _together(marks: Marks, first: ToldReading, second: ToldReading) -> ToldReading:
    start, end = first.spans[0][0], second.spans[0][1]
    told = marks.message.text[marks.clause_at(start).start : marks.clause_at(end - 1).end]
    when = _WHEN.search(told)
    moved_first = when and marks.message.text.find(when[0], start) < second.spans[0][0]
    values = (
        (second.data["value"], first.data["value"])
        if moved_first
        else (first.data["value"], second.data["value"])
    )
    words = when[0] if when else "when shaken"
    value = f"{values[0]}; {values[1]} {'when shaken' if 'shak' in words or 'shook' in words else words}"
    return replace(first, data=first.data | {"value": value}, spans=first.spans + second.spans)


def each_once(told: list[ToldReading]) -> list[ToldReading]:
    """Return the readings without those said again in the same words and state."""
    kept: dict[str, ToldReading] = {}
    for one in told:
        kept.setdefault(repr(sorted((key, str(value)) for key, value in one.data.items())), one)
    return list(kept.values())
