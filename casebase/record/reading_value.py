"""The value of a reading: an amount, OL or open, over or under a limit, several in one state, or a word.

Each is written again as it can be read; what a word or a limit is worth as evidence is not told here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, TypeAlias

from casebase.errors import QuantityError
from casebase.record.quantities import RESISTANCE, Amount, Dimension, read_amount


class Comparison(StrEnum):
    """A value given against an earlier reading of the same kind, or against what is usual."""

    UNCHANGED = "unchanged"
    BACK_TO_NORMAL = "back to normal"
    NORMAL = "normal"
    GONE = "gone"


NEEDS_AN_EARLIER_READING: Final = (Comparison.UNCHANGED, Comparison.BACK_TO_NORMAL)
OF_A_FAULT: Final = (Comparison.GONE, Comparison.UNCHANGED, Comparison.BACK_TO_NORMAL)
"""What can be said of the fault itself; back to normal says the same of it as gone."""


class OverLimit(StrEnum):
    """More ohms than the meter can show."""

    OL = "OL"
    OPEN = "open"


@dataclass(frozen=True)
class Bound:
    """Over or under a limit, the limit as typed."""

    limit: Amount
    is_over: bool

    def __str__(self) -> str:
        return f"{'over' if self.is_over else 'under'} {self.limit}"


@dataclass(frozen=True)
class Several:
    """Two or three values shown in one state, one after the other, and `when` the last of them showed."""

    values: tuple[Amount | OverLimit, ...]
    when: str = ""

    def __str__(self) -> str:
        return " ".join(filter(None, ("; ".join(map(str, self.values)), self.when)))


ReadingValue: TypeAlias = Amount | Comparison | OverLimit | Bound | Several

_OVER: Final = re.compile(r"(?:>=?|\u2265|over|above|more than|at least)\s*(?=[0-9.])", re.IGNORECASE)
_UNDER: Final = re.compile(r"(?:<=?|\u2264|under|below|less than|at most)\s*(?=[0-9.])", re.IGNORECASE)
_BETWEEN_VALUES: Final = re.compile(r"\s*(?:,\s+|;\s*|\s/\s|\s(?:and|or|then)\s)\s*", re.IGNORECASE)
_WHEN: Final = re.compile(r"\s+(?P<when>(?:when|while|if|with|on|after|at)\s\S.{0,80})", re.IGNORECASE)
_BARE: Final = re.compile(r"[+-]?[0-9.,]+")
_MOST_VALUES: Final = 3
_LONGEST: Final = 160
_LONGEST_TEXT: Final = 400

_WORDS: Final[dict[str, Comparison | OverLimit]] = {
    spelling: value
    for value, spellings in (
        (OverLimit.OL, ("ol", "o.l", "o.l.", "0l", "0.l", "over limit", "open line", "infinite", "∞")),
        (OverLimit.OPEN, ("open", "open circuit", "no continuity")),
        (
            Comparison.UNCHANGED,
            ("unchanged", "no change", "same", "same as before", "still there", "not gone"),
        ),
        (Comparison.BACK_TO_NORMAL, ("back to normal", "normal again", "restored")),
        (Comparison.NORMAL, ("normal", "in order", "as it should be", "good", "ok")),
        (Comparison.GONE, ("gone", "fault gone", "cleared")),
    )
    for spelling in spellings
}


def read_comparison(text: object) -> Comparison | None:
    """Return `unchanged`, `back to normal`, `normal` or `gone` where `text` says so in any usual wording."""
    if isinstance(text, Comparison):
        return text
    word = _word(text)
    return word if isinstance(word, Comparison) else None


def read_reading_value(text: object, dimension: Dimension) -> ReadingValue:
    """Return a reading's value; raise `QuantityError` with what would be taken.

    >>> str(read_reading_value("> 10M", RESISTANCE)), str(read_reading_value("60, 120 when shaken", RESISTANCE))
    ('over 10 Mohm', '60 ohm; 120 ohm when shaken')
    """
    if isinstance(text, Comparison | OverLimit | Bound | Several):
        return text
    word = _word(text)
    if isinstance(word, OverLimit) or word is None:
        return _number(text, dimension)
    if word is Comparison.GONE:
        raise QuantityError(
            f"'gone' is said of a fault, not of {dimension.an} {dimension.name}: expected {taken_as(dimension)}"
        )
    return word


def value_and_text(text: object, dimension: Dimension) -> tuple[str, str] | None:
    """Return (value, words) of a value with words behind it; None where it is a value alone, or none at all.

    A number without a unit needs a sign in between, for `60 steady` could hold a unit that nobody knows.

    >>> value_and_text("12.4 V after a night", VOLTAGE), value_and_text("12.4 V", VOLTAGE)
    (('12.4 V', 'after a night'), None)
    """
    if not isinstance(text, str) or len(text) > _LONGEST_TEXT or _is_value(text, dimension):
        return None
    body = text.strip()
    # The longest beginning that is a value counts.
    ends = [found.start() for found in re.finditer(r"[\s(\[,;:]", body)]
    for end in reversed(ends):
        value, words = body[:end].strip(), body[end:].strip(" ,;:-")
        words = words[1:-1].strip() if words[:1] + words[-1:] in {"()", "[]"} else words
        parted = body[end] in "([,;:" or not _BARE.fullmatch(value)
        if parted and words[:1].isalpha() and _is_value(value, dimension):
            return value, words
    return None


def _is_value(text: str, dimension: Dimension) -> bool:
    try:
        read_reading_value(text, dimension)
    except QuantityError:
        return False
    return True


def taken_as(dimension: Dimension) -> str:
    """Return every way in which a value of this kind may be written, as examples in words."""
    over = ", OL, open" if dimension is RESISTANCE and "OL" not in dimension.example else ""
    return (
        f"{dimension.example}{over}, over or under a value, two values such as '2, 3 when shaken',"
        " normal, unchanged or back to normal"
    )


def read_fault_word(value: object) -> Comparison:
    """Return what became of the fault; raise `QuantityError` for anything else."""
    word = read_comparison(value)
    if word not in OF_A_FAULT:
        raise QuantityError("not what became of a fault: expected gone, restored or unchanged")
    return word


def _word(text: object) -> Comparison | OverLimit | None:
    return _WORDS.get(" ".join(text.split()).casefold()) if isinstance(text, str) else None


def _number(text: object, dimension: Dimension) -> ReadingValue:
    """Return what is a number in some way: one, over or under one, or several."""
    if isinstance(text, str) and len(text) <= _LONGEST:
        body = " ".join(text.split())
        for pattern, is_over in ((_OVER, True), (_UNDER, False)):
            found = pattern.match(body)
            if found:
                return _bound(body[found.end() :], dimension, is_over=is_over)
        several = _several(body, dimension)
        if several:
            return several
    return _one(text, dimension)


def _bound(rest: str, dimension: Dimension, *, is_over: bool) -> Bound:
    limit = read_amount(rest, dimension)
    if limit.low != limit.high or limit.about:
        raise QuantityError(
            f"over or under a range says nothing: expected one value such as {dimension.example}"
        )
    return Bound(limit, is_over)


def _several(body: str, dimension: Dimension) -> Several | None:
    """Return two or three values, or one or more `when` something was done; None for a plain value."""
    told = _WHEN.search(body)
    when = told["when"] if told else ""
    parts = _BETWEEN_VALUES.split(body[: told.start()] if told else body)
    if len(parts) == 1 and not told:
        return None
    if not 1 < len(parts) <= _MOST_VALUES:
        raise QuantityError(
            f"not two values in one state: expected such as '{_pair(dimension)} when shaken', or one value"
            " and the rest in the note"
        )
    _check_units(parts, dimension)
    return Several(tuple(_one(part, dimension) for part in parts), when)


def _check_units(parts: list[str], dimension: Dimension) -> None:
    """Refuse a bare number beside one in kilohm or millivolt: it may be meant in either unit."""
    bare = [part for part in parts if _BARE.fullmatch(part)]
    units = {amount.unit for part in parts if part not in bare and (amount := _amount(part, dimension))}
    if bare and units - {dimension.base_unit}:
        raise QuantityError(
            f"{bare[0]} beside a value in {min(units)} can be read two ways: write the unit of each"
        )


def _amount(text: str, dimension: Dimension) -> Amount | None:
    try:
        return read_amount(text, dimension)
    except QuantityError:
        return None


def _pair(dimension: Dimension) -> str:
    return "60, 120" if dimension is RESISTANCE else "2.4, 0.1"


def _one(text: object, dimension: Dimension) -> Amount | OverLimit:
    """Return one amount, or OL or open in ohms."""
    word = text if isinstance(text, OverLimit) else _word(text)
    if not isinstance(word, OverLimit):
        return read_amount(text, dimension)
    if dimension is RESISTANCE:
        return word
    raise QuantityError(
        f"{word} (over limit) is a value of resistance, not of {dimension.name}: expected {dimension.example}"
    )
