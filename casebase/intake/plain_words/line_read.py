"""The readings that an amount of a line stands for: what a number without unit is, and what it was read against."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from casebase.intake.plain_words.amounts import Measured
from casebase.intake.plain_words.marks import Marks, within
from casebase.intake.plain_words.points import BOTH, PAIR, Subject, default_lines
from casebase.intake.plain_words.taken_amounts import (
    LEAST_OHMS_BARE,
    MOST_VOLTS_BARE,
    TakenAmount,
    medium_of,
)
from casebase.intake.plain_words.written import Clause, rule
from casebase.record.vocabulary import POWER_LINES, Line, Quantity

_OHM_WORDS: Final = rule(r"\b(?:ohms?|resistance|resistor|R)\b", re.IGNORECASE)
_VOLT_WORDS: Final = rule(r"\b(?P<ac>ac )?(?:volts?|voltages?|drop)\b", re.IGNORECASE)


_LEAST_SUPPLY: Final = 9.0
"""Volts of a supply while starting, about (common practice, no source)."""


def _quantity(
    marks: Marks, clause: Clause, amount: Measured, subject: Subject | None
) -> tuple[Quantity | None, bool]:
    """Return what an amount is, and whether its unit was said; None where it could be either."""
    if amount.quantity is not None:
        return amount.quantity, True
    lines = subject.lines if subject else ()
    is_supply = {*lines} <= {*POWER_LINES} and _LEAST_SUPPLY <= amount.low <= MOST_VOLTS_BARE
    begin = subject.start if subject and is_supply and subject.end <= amount.start else clause.start
    words = words_for_quantity(marks.message.text[begin : amount.start])
    if not words and (len(lines) == 2 or set(lines) & {PAIR, BOTH}):
        words = words_for_quantity(marks.message.text[clause.sentence[0] : amount.start])
    is_pair = lines == (PAIR,) or (len(lines) == 2 and not set(lines) & {*POWER_LINES})
    if words and not (is_pair and amount.low >= LEAST_OHMS_BARE):
        return words, False
    if is_pair:
        return (
            (Quantity.RESISTANCE, False)
            if amount.low >= LEAST_OHMS_BARE or amount.low == 0
            else (None, False)
        )
    return (Quantity.VOLTAGE, False) if amount.low <= MOST_VOLTS_BARE else (None, False)


def words_for_quantity(before: str) -> Quantity | None:
    """Return the quantity that the last word for one in a text says."""
    words = [(found.end(), Quantity.RESISTANCE) for found in _OHM_WORDS.finditer(before)]
    words += [
        (found.end(), Quantity.AC_VOLTAGE if found["ac"] else Quantity.VOLTAGE)
        for found in _VOLT_WORDS.finditer(before)
    ]
    return max(words)[1] if words else None


def with_subject(
    marks: Marks, clause: Clause, amount: Measured, subject: Subject, before: list[TakenAmount]
) -> list[TakenAmount]:
    """Return an amount of a subject: one reading, two of both lines, none where its line is not known."""
    if None in subject.lines and not any(point.place for point in subject.points):
        return []
    alone = len(subject.points) == 1 and subject.lines[0] is Line.GROUND
    network = default_lines(medium_of(marks, amount))
    if (
        alone
        and len(network) == 1
        and _AGAINST.search(marks.message.text, max(0, subject.start - 16), subject.start)
    ):
        subject = replace(
            subject, points=(replace(subject.points[0], line=network[0]), *subject.points), is_between=True
        )
        alone = False
    if alone and _AGAINST.search(marks.message.text, max(0, subject.start - 16), subject.start):
        return []
    if (amount.number == "open" and _is_asked(marks, clause)) or _NO_RESISTANCE.search(
        marks.message.text, clause.start, amount.end
    ):
        return []
    quantity, said = _quantity(marks, clause, amount, subject)
    if (
        quantity is Quantity.RESISTANCE
        and len(subject.points) == 1
        and (
            _ALONG.search(marks.message.text, clause.start, clause.end)
            or _END_TO_END.search(marks.message.text, *clause.sentence)
        )
    ):
        return []
    if quantity is None or (len(subject.points) == 2 and _EACH.match(marks.message.text, amount.end)):
        return []
    unit = "ohms" if quantity is Quantity.RESISTANCE else "volts"
    assumed = () if said or amount.is_open else (f"{amount.number} taken as {unit}",)
    spans = ((amount.start, amount.end), (subject.start, subject.end))
    of = [lines for lines in _lines(marks, clause, amount, subject, quantity) if set(lines) != {Line.GROUND}]
    return [TakenAmount(amount, quantity, lines, subject, spans, assumed) for lines in of]


_AGAINST: Final = rule(
    r"\b(?:to|against|vs|versus|[0-9] and) (?:the )?\Z|(?<![\w.,])(?:[0-9]{1,2}|[A-K]) ?[-/>] ?\Z",
    re.IGNORECASE,
)
"""Before the ground that something unknown was read against."""

_ALONG: Final = rule(
    r"\b(?:(?:from (?!(?:ground|gnd|earth|chassis)\b)[^,.;]{2,40} to|between [^,.;]{2,40} and) (?:the )?[a-z])",
    re.IGNORECASE,
)
"""Of a wire from one place to another: its ohms are not those to ground."""
_END_TO_END: Final = rule(r"\b(?:end to end|from end to end|wire continuity)\b", re.IGNORECASE)

_EACH: Final = rule(r" each\b", re.IGNORECASE)
"""Said of two wires, each by itself: nothing lies between them."""

_NO_RESISTANCE: Final = rule(
    r"\bno (?:resistance|voltage)\b[^.;]{0,60}\b(?:below|under|above|over)\b", re.IGNORECASE
)
"""A limit that nothing was found beyond is told the other way round; such an amount is left in the story."""


def _is_asked(marks: Marks, clause: Clause) -> bool:
    return marks.message.text[clause.sentence[1] : clause.sentence[1] + 1] == "?"


def _lines(
    marks: Marks, clause: Clause, amount: Measured, subject: Subject, quantity: Quantity
) -> Iterator[tuple[Line, ...]]:
    """Yield (line, against) of every reading that one amount of a subject stands for."""
    default = default_lines(medium_of(marks, amount))
    lines = [Line(line) for line in subject.lines if line in set(Line)]
    is_ohms = quantity is Quantity.RESISTANCE
    if subject.lines == (BOTH,):
        to_ground = not is_ohms or re.search(
            r"\b(?:ground|gnd|earth|chassis)\b", marks.message.text[slice(*clause.sentence)]
        )
        if len(default) == 1 or to_ground:
            yield from ((line, Line.GROUND) for line in default)
        else:
            yield default
    elif subject.lines == (PAIR,):
        yield default
    elif len(lines) == 2 and not subject.is_between and not is_ohms and not set(lines) & set(POWER_LINES):
        yield from ((line, Line.GROUND) for line in lines)
    elif len(lines) == 2:
        yield _in_order(lines[0], lines[1])
    elif len(subject.points) == 2:
        line = lines[0] if lines else _line_of_wire(marks, clause)
        yield from [(line, line)] if line else []
    elif lines:
        until = next((one.start for one in within(marks.amounts, amount.end, clause.end)), clause.end)
        drop = _DROP.search(marks.message.text, clause.start, until) is not None
        yield _of_one(lines[0], is_drop=drop and not is_ohms)


_DROP: Final = rule(r"\b(?:voltage |volt )?drop\b", re.IGNORECASE)


def _line_of_wire(marks: Marks, clause: Clause) -> Line | None:
    """Return the one line that a clause names, of a wire told by the plugs at its ends."""
    said = {
        point.line for point in within(marks.points, clause.start, clause.end) if isinstance(point.line, Line)
    }
    return said.pop() if len(said) == 1 else None


def _in_order(first: Line, second: Line) -> tuple[Line, ...]:
    """Return two lines as a record holds them: signal before power, high before low, power before ground."""
    order = [*Line]
    if first is second:
        return first, first
    power = [line for line in (first, second) if line in POWER_LINES]
    if len(power) == 1:
        against = Line.BATTERY_PLUS if power[0] is Line.SUPPLY else power[0]
        return next(line for line in (first, second) if line not in POWER_LINES), against
    if len(power) == 2:
        return (
            (first, second)
            if second in (Line.GROUND, Line.BATTERY_MINUS) and first is not Line.BATTERY_MINUS
            else (second, first)
        )
    return (first, second) if order.index(first) < order.index(second) else (second, first)


def _of_one(line: Line, *, is_drop: bool) -> tuple[Line, ...]:
    """Return a line with what it was read against: ground, or of a drop along a wire the pole that feeds it."""
    if line in (Line.GROUND, Line.BATTERY_MINUS):
        return Line.GROUND, Line.BATTERY_MINUS
    return (line, Line.BATTERY_PLUS) if is_drop and line is Line.SUPPLY else (line, Line.GROUND)
