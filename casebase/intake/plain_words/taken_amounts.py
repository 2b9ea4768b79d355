"""An amount of a message with what it is of; two levels that no line is named for, high first."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from casebase.intake.plain_words.amounts import Measured
from casebase.intake.plain_words.marks import Marks, within
from casebase.intake.plain_words.points import Subject, default_lines
from casebase.intake.plain_words.written import Clause, Span, rule
from casebase.record.vocabulary import Line, Medium, Quantity

MOST_VOLTS_BARE: Final = 32.0
"""The highest a 24 V supply is charged with, about (common practice, no source)."""

LEAST_OHMS_BARE: Final = 8.0
"""A bare number between two lines is ohms from here on: no bus stands so many volts apart (ISO 11898-2)."""


@dataclass(frozen=True)
class TakenAmount:
    """An amount with what it is of: its lines, its quantity, whether these were said, and the words used."""

    amount: Measured
    quantity: Quantity
    lines: tuple[Line, ...]
    subject: Subject | None
    spans: tuple[Span, ...]
    assumed: tuple[str, ...] = ()


def medium_of(marks: Marks, amount: Measured) -> Medium:
    """Return the network that an amount was read on: the one last named, high-speed CAN where none is."""
    usual = Medium.FLEXRAY if marks.names_line_of_flexray else Medium.HIGH_SPEED_CAN
    return marks.medium_at(amount.start) or usual


def without_states(marks: Marks, start: int, end: int) -> tuple[str, bool]:
    """Return a stretch of text without what it says of the battery and of what is plugged in, and whether it did."""
    text = marks.message.text
    said = [(one.start, one.end) for one in within(marks.states, start, end)]
    said += [(one.start, one.end) for one in within(marks.unplugged, start, end)]
    kept = "".join(
        " " if any(first <= at < last for first, last in said) else text[at] for at in range(start, end)
    )
    return _WITH.sub(" ", _AND_LAST.sub("", kept)), bool(said)


_AND_LAST: Final = rule(r"\b(?:and|or|then|but)\s*$", re.IGNORECASE)
_WITH: Final = rule(r"\b(?:with|when|while|and) (?:the )?", re.IGNORECASE)
BETWEEN_TWO: Final = rule(r"\s{0,2}(?:/|,|-|and|over|&)?\s{0,2}", re.IGNORECASE)


def are_high_and_low(marks: Marks, clause: Clause, amounts: Sequence[Measured]) -> bool:
    """Return whether a clause gives two levels and no line, as `2.6/2.4`: high first, then low."""
    if len(amounts) < 2 or not BETWEEN_TWO.fullmatch(marks.message.text, amounts[0].end, amounts[1].start):
        return False
    pair = amounts[:2]
    is_pair = len(default_lines(medium_of(marks, amounts[0]))) == 2
    levels = all(one.quantity in (None, Quantity.VOLTAGE) and one.low <= 5.5 for one in pair)
    pointed = all("." in one.number and "to" not in one.number for one in pair)
    asleep = _ASLEEP.search(marks.message.text, clause.start, pair[0].start)
    return is_pair and levels and bool(pointed or asleep) and amounts[0].low >= amounts[1].low


_ASLEEP: Final = rule(
    r"\b(?:bus|network|can|lines|all) (?:is |was )?(?:asleep|sleeping|dead|off)\b[\s:,]*$", re.IGNORECASE
)
"""Before two levels that need no point to be volts: `bus asleep 0 and 0`."""


def high_and_low(marks: Marks, amounts: Sequence[Measured]) -> list[TakenAmount]:
    """Return the first two amounts as the levels of the two lines."""
    lines = default_lines(medium_of(marks, amounts[0]))
    said = f"{amounts[0].number} and {amounts[1].number} taken as volts of {lines[0]} and {lines[1]}, in this order"
    spans = ((amounts[0].start, amounts[1].end),)
    return [
        TakenAmount(amount, Quantity.VOLTAGE, (line, Line.GROUND), None, spans, (said,))
        for amount, line in zip(amounts, lines, strict=False)
    ]
