"""From what is typed to what stands in a record: fixed words, lists, fields, dates, the vehicle's state, readings.

Every field is checked by the same models as a record file, so that the interview accepts what a file may hold.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, timedelta
from difflib import get_close_matches
from typing import Any, Final

from pydantic import ValidationError

from casebase.errors import InputError, QuantityError
from casebase.record.case import Case
from casebase.record.problems import problems_of
from casebase.record.quantities import RESISTANCE, VOLTAGE
from casebase.record.reading import Reading
from casebase.record.reading_value import read_reading_value
from casebase.record.vocabulary import LINES_OF_MEDIUM, Battery, Ignition, Line, Medium, Quantity, Stage
from casebase.record.word_list import Word, plain_form

Reader = Callable[[str], Any]

_MOST_SHOWN: Final = 8
_BETWEEN_ENTRIES: Final = re.compile(r"\s*[;\n]\s*|\s*,(?!\d{3}(?!\d))\s*")
"""A comma within 188,000 parts nothing."""
_BETWEEN_TEXTS: Final = re.compile(r"\s*[;\n]\s*")
_BETWEEN_WORDS: Final = re.compile(r"[\s_/-]+")


def field_reader(field: str, beside: Mapping[str, Any] | None = None) -> Reader:
    """Return a reader that checks a text as the record's `field`, such as `readings[0].value`.

    `beside` holds the fields of the same part that the check depends on, such as the quantity of a value.
    """

    def read(text: str) -> str:
        check_field(field, text, beside)
        return text

    return read


def check_field(field: str, value: object, beside: Mapping[str, Any] | None = None) -> None:
    """Raise `InputError` with one sentence when `value` cannot stand in the record's `field`."""
    # A record that holds nothing but the field; the other problems it has are not looked at.
    *steps, last = field.split(".")
    data: dict[str, Any] = {**(beside or {}), **_under(last, value)}
    for step in reversed(steps):
        data = _under(step, data)
    try:
        Case.model_validate(data)
    except ValidationError as error:
        inside = (f"{field}.", f"{field}[")
        for problem in problems_of(error, data):
            if problem.field == field or problem.field.startswith(inside):
                hint = f"; did you mean '{problem.suggestion}'?" if problem.suggestion else ""
                raise InputError(f"{problem.expected}{hint}") from None


def _under(step: str, value: object) -> dict[str, Any]:
    return {step.removesuffix("[0]"): [value] if step.endswith("[0]") else value}


def entries_of(text: str) -> list[str]:
    """Return what commas, semicolons and line ends part.

    >>> entries_of("2019, K2; 188,000 km")
    ['2019', 'K2', '188,000 km']
    """
    return [entry for entry in map(str.strip, _BETWEEN_ENTRIES.split(text)) if entry]


def sentences_of(text: str) -> list[str]:
    """Return what semicolons and line ends part; a comma belongs to what is said."""
    return [entry for entry in map(str.strip, _BETWEEN_TEXTS.split(text)) if entry]


def word_in(kind: type[Word], text: str) -> Any:
    """Return the word of a list that `text` is in any usual spelling; None where it is none."""
    with suppress(ValueError):
        return kind(text)
    return None


def word_reader(words: Sequence[str], labels: Sequence[str] = ()) -> Reader:
    """Return a reader of one of `words`, typed in full, by its number, by its beginning or a usual short form.

    `labels` are shown instead of the words, in the same order; the word itself is handed on.
    """

    def read(text: str) -> str:
        if not text.isdecimal():
            return _by_name(text, words, labels or words)
        number = int(text) if len(text) < 6 else 0
        if 1 <= number <= len(words):
            return words[number - 1]
        raise InputError(f"there is no number {text} on this list: expected 1 to {len(words)}")

    return read


def word_or_words_reader(words: Sequence[str], labels: Sequence[str] = ()) -> Reader:
    """Return a reader of one of `words`, or of anything said in two words or more that is none of them."""
    read_word = word_reader(words, labels)

    def read(text: str) -> str:
        try:
            return str(read_word(text))
        except InputError as refused:
            if len(text.split()) < 2 or "did you mean" in str(refused) or "could be" in str(refused):
                raise
            return text

    return read


def word_list_reader(words: Sequence[str]) -> Reader:
    """Return a reader of several of `words`, separated by commas (numbers also by spaces)."""
    read_one = word_reader(words)

    def read(text: str) -> list[str]:
        numbers_only = text.replace(" ", "").isdecimal()
        entries = text.split() if numbers_only else _BETWEEN_ENTRIES.split(text)
        return list(dict.fromkeys(read_one(entry) for entry in entries if entry))

    return read


def day_reader(field: str, today: date, not_before: str | None = None) -> Reader:
    """Return a reader of dates that knows `today` and `yesterday`; `not_before` is an ISO date."""
    near = {"today": today, "yesterday": today - timedelta(days=1)}

    def read(text: str) -> str:
        day = near[text.casefold()].isoformat() if text.casefold() in near else text
        check_field(field, day)
        if not_before and day < not_before:
            raise InputError(
                f"lies before the day the job was opened ({not_before}): expected that day or later"
            )
        return day

    return read


def _by_name(text: str, words: Sequence[str], labels: Sequence[str]) -> str:
    """Return the word that `text` names, by the first of the ways to name one that fits any label."""
    for spelling, word in (*zip(labels, words, strict=True), *zip(words, words, strict=True)):
        if spelling.casefold() == text.casefold():
            return word
    kind, form = type(words[0]), plain_form(text)
    if issubclass(kind, Word):
        try:
            meant = kind(text)
        except ValueError:
            pass
        else:
            if meant in words:
                return meant
    for fits in _WAYS_TO_NAME:
        found = [
            (label, word) for label, word in zip(labels, words, strict=True) if form and fits(label, form)
        ]
        if len(found) == 1:
            return found[0][1]
        if found:
            could_be = " or ".join(f"'{label}'" for label, _ in found[:4])
            more = f" or {len(found) - 4} more" if len(found) > 4 else ""
            raise InputError(f"'{text[:60]}' could be {could_be}{more}: type more of it, or its number")
    raise InputError(_not_on_list(text, labels))


_WAYS_TO_NAME: Final[tuple[Callable[[str, str], bool], ...]] = (
    lambda label, form: plain_form(label) == form,
    lambda label, form: form in map(plain_form, _BETWEEN_WORDS.split(label)),
    lambda label, form: plain_form(label).startswith(form),
    lambda label, form: any(plain_form(word).startswith(form) for word in _BETWEEN_WORDS.split(label)),
)
"""From a label and the plain form of what was typed: the same, one of its words, its beginning, that of a word."""


def _not_on_list(text: str, labels: Sequence[str]) -> str:
    by_folded = {label.casefold(): label for label in labels}
    close = get_close_matches(text.casefold(), by_folded, n=1, cutoff=0.5)
    if close:
        return f"'{text[:60]}' is not on this list; did you mean '{by_folded[close[0]]}'?"
    expected = (
        f"one of {', '.join(labels)}" if len(labels) <= _MOST_SHOWN else "one of its words; ? shows them"
    )
    return f"'{text[:60]}' is not on this list: expected {expected}"


STATE_KEYS: Final = ("ignition", "battery", "unplugged", "tester", "stage")


def state_in_words(reading: dict[str, Any]) -> str:
    """Return the state of the vehicle in words, from the plain data of a reading."""
    unplugged = unplugged_text(reading)
    parts = [
        f"{name} {reading[key]}"
        for key, name in (("ignition", "ignition"), ("battery", "battery"), ("tester", "tester"))
        if key in reading
    ]
    parts += [f"{unplugged} unplugged"] if unplugged else []
    parts += [str(reading["stage"])] if reading.get("stage") == Stage.ISOLATION else []
    return ", ".join(parts) or "not stated"


def unplugged_text(reading: dict[str, Any]) -> str | None:
    """Return what was unplugged as it is typed; None where it is not known."""
    unplugged = reading.get("unplugged")
    return ", ".join(unplugged) or "nothing" if isinstance(unplugged, list) else unplugged


def read_unplugged(text: str) -> str | list[str]:
    """Return the names typed, or the word nothing; raises `InputError` for what is no name."""
    if text.casefold() in {"nothing", "none", "no"}:
        return "nothing"
    names = [name.strip() for name in text.replace(";", ",").split(",") if name.strip()]
    check_field("readings[0].unplugged", names)
    return names


_OHMS: Final = {"quantity": Quantity.RESISTANCE, "battery": Battery.DISCONNECTED, "unplugged": []}
_VOLTS: Final = {
    "quantity": Quantity.VOLTAGE,
    "ignition": Ignition.ON,
    "unplugged": [],
    "against": Line.GROUND,
}


@dataclass(frozen=True)
class QuickReadings:
    """Readings on one bus of a medium."""

    medium: Medium
    readings: tuple[Reading, ...]


def quick_readings(medium: str, **given: str | None) -> QuickReadings:
    """Return the readings that the options `pair`, `high`, `low`, `high_ohms`, `low_ohms` give.

    Raises `InputError` for a value that cannot be read, or a medium that is none.
    """
    try:
        of_medium = Medium(medium)
    except ValueError:
        raise InputError(f"--medium '{medium}': expected one of {', '.join(Medium)}") from None
    lines = LINES_OF_MEDIUM[of_medium]
    upper, lower = lines[0], lines[-1]
    shapes: dict[str, dict[str, Any]] = {
        "pair": {**_OHMS, "line": upper, "against": lower},
        "high": {**_VOLTS, "line": upper},
        "low": {**_VOLTS, "line": lower},
        "high_ohms": {**_OHMS, "line": upper, "against": Line.GROUND},
        "low_ohms": {**_OHMS, "line": lower, "against": Line.GROUND},
    }
    readings = []
    for option, text in given.items():
        if text is None:
            continue
        dimension = RESISTANCE if shapes[option]["quantity"] is Quantity.RESISTANCE else VOLTAGE
        try:
            value = read_reading_value(text, dimension)
        except QuantityError as error:
            raise InputError(f"--{option.replace('_', '-')} '{text}': {error}") from None
        readings.append(Reading(**shapes[option], value=value))
    return QuickReadings(of_medium, tuple(readings))
