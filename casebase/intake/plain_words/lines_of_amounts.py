"""Which line each amount of a clause is of: the line named before it or behind it, and what a bare number is of it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from casebase.intake.plain_words.amounts import Measured
from casebase.intake.plain_words.amounts_without_line import LOOKED_BACK, without_subject
from casebase.intake.plain_words.line_read import with_subject, words_for_quantity
from casebase.intake.plain_words.marks import Marks, last_before, within
from casebase.intake.plain_words.points import BLACK_LEAD, BOTH, PAIR, Subject
from casebase.intake.plain_words.taken_amounts import (
    BETWEEN_TWO,
    LEAST_OHMS_BARE,
    MOST_VOLTS_BARE,
    TakenAmount,
    are_high_and_low,
    high_and_low,
    without_states,
)
from casebase.intake.plain_words.written import Clause, rule
from casebase.record.vocabulary import POWER_LINES, Line, Quantity


def amounts_of_clause(marks: Marks, clause: Clause, before: list[TakenAmount]) -> list[TakenAmount]:
    """Return the amounts of one clause with what each is of."""
    subjects = within(marks.subjects, clause.start, clause.end)
    amounts = within(marks.amounts, clause.start, clause.end)
    found: list[TakenAmount] = []
    if not amounts and subjects and before:
        return _the_same_again(marks, clause, subjects, before[-1])
    if not subjects and len(amounts) == 1 and (amounts[0].quantity is not None or "." in amounts[0].number):
        subjects = _named_before(marks, clause, amounts[0])
    if not subjects and amounts and amounts[0].quantity is Quantity.RESISTANCE:
        first, *levels = amounts
        if are_high_and_low(marks, clause, levels):
            return without_subject(marks, clause, first, before) + high_and_low(marks, levels[:2])
    if len(subjects) == 1 and len(amounts) == 1 and before:
        subjects = [_from_the_line_before(marks, clause, subjects[0], before[-1])]
    if len(subjects) == 1 and _are_of_two_lines(marks, subjects[0], amounts):
        return [
            one
            for amount, point in zip(amounts, subjects[0].points, strict=True)
            for one in with_subject(marks, clause, amount, replace(subjects[0], points=(point,)), before)
        ]
    if not subjects and are_high_and_low(marks, clause, amounts):
        return high_and_low(marks, amounts) + [
            one for amount in amounts[2:] for one in without_subject(marks, clause, amount, before)
        ]
    for amount, subject in _subject_of_each(marks, subjects, amounts):
        other = _the_same_on(marks, clause, amount, subjects)
        if subject and other:
            found += with_subject(marks, clause, amount, subject, [*before, *found][-LOOKED_BACK:])
            found += with_subject(marks, clause, amount, other, [*before, *found][-LOOKED_BACK:])
        elif subject is None or (found and _is_of_the_pair(marks, found[-1], amount, subject)):
            found += without_subject(marks, clause, amount, [*before, *found][-LOOKED_BACK:])
        else:
            for one in (*_as_well(marks, clause, amount, subject, subjects), subject):
                found += with_subject(marks, clause, amount, one, [*before, *found][-LOOKED_BACK:])
    return found


_BEGINS_WITH_TO: Final = rule(r"\s*(?:and )?(?:to|against) (?:the |pin )?", re.IGNORECASE)


def _from_the_line_before(marks: Marks, clause: Clause, subject: Subject, before: TakenAmount) -> Subject:
    """Return a line that a clause begins with behind a `to`, with that measured before: `K to ground 0.2, to B+ 12`."""
    same = clause.sentence[0] <= before.spans[0][0] and before.subject is not None
    leads = _BEGINS_WITH_TO.fullmatch(marks.message.text, clause.start, subject.start)
    if not (same and leads and before.subject and len(subject.points) == 1):
        return subject
    first = before.subject.points[0]
    return replace(subject, points=(first, *subject.points), is_between=True)


def _are_of_two_lines(marks: Marks, subject: Subject, amounts: Sequence[Measured]) -> bool:
    """Return whether two amounts are the levels of two lines in their order: `pins 6 and 14: 2.7 and 2.3`."""
    lines = subject.lines
    if len(lines) != len(amounts) or len(lines) != _TWO_ENDS or {*lines} & {None, PAIR, BOTH, *POWER_LINES}:
        return False
    joined = BETWEEN_TWO.fullmatch(marks.message.text, amounts[0].end, amounts[1].start)
    levels = all(one.quantity in (None, Quantity.VOLTAGE) and one.low <= MOST_VOLTS_BARE for one in amounts)
    return bool(joined and levels and min(one.low for one in amounts) < LEAST_OHMS_BARE)


def _the_same_again(
    marks: Marks, clause: Clause, subjects: Sequence[Subject], before: TakenAmount
) -> list[TakenAmount]:
    """Return the amount before once more for the line of a clause that says it is the same: `same on 14`."""
    text = marks.message.text
    said = _SAME_ON.search(text, clause.start, subjects[0].start) or _SAME_BEHIND.match(
        text, subjects[-1].end
    )
    if not said or subjects[0].lines[0] not in set(Line):
        return []
    lines = (Line(subjects[0].lines[0]), *before.lines[1:])
    return [replace(before, lines=lines, subject=None, spans=((clause.start, subjects[0].end),))]


_SO_IS: Final = rule(
    r"(?: ?v| ?volts?)?,? (?:(?:and|as) )?(?:so (?:is|does|has)|(?:is|does|reads)|also|likewise|ditto|(?:the )?same)"
    r"(?: too| also)?(?: on| for| at)?(?: the)? \Z",
    re.IGNORECASE,
)


def _the_same_on(
    marks: Marks, clause: Clause, amount: Measured, subjects: Sequence[Subject]
) -> Subject | None:
    """Return the line behind an amount that has the same: `CAN high 2.5 and so is CAN low`."""
    following = within(subjects, amount.end, clause.end)
    if not following or within(marks.amounts, amount.end, clause.end):
        return None
    said = _SO_IS.fullmatch(marks.message.text, amount.end, following[0].start)
    return following[0] if said and following[0].lines[0] in set(Line) else None


def _named_before(marks: Marks, clause: Clause, amount: Measured) -> Sequence[Subject]:
    """Return the line that the clause before ends with, of an amount alone: `I checked CAN high, 2.6 volts`."""
    text = marks.message.text
    around = (
        without_states(marks, clause.start, amount.start)[0]
        + without_states(marks, amount.end, clause.end)[0]
    )
    if not _VERB_ALONE.fullmatch(around):
        return ()
    subjects = within(marks.subjects, clause.sentence[0], clause.start)
    if not subjects:
        return ()
    others = within(marks.amounts, marks.clause_at(subjects[-1].start).start, clause.start)
    told = BLACK_LEAD.sub("", without_states(marks, subjects[-1].end, clause.start)[0])
    begins = not any(map(str.isalnum, text[marks.clause_at(subjects[-1].start).start : subjects[-1].start]))
    of_line = begins and amount.quantity is Quantity.VOLTAGE and Line.GROUND not in subjects[-1].lines
    of_ends = len(told.split()) <= _MOST_SAID_OF_IT and (len(subjects[-1].points) == _TWO_ENDS or of_line)
    return subjects[-1:] if not others and (of_ends or not any(map(str.isalnum, told))) else ()


_VERB_ALONE: Final = rule(
    r"(?:\W|\b(?:is|was|it|reads?|shows?|gives?|has|have|i|we|get|got|see|measured?|stays|steady|at)\b)*",
    re.IGNORECASE,
)
_MOST_SAID_OF_IT: Final = 5
"""Words between two ends and their amount in the next clause: `low to ground is a dead short, 0.3 ohm`."""


def _is_of_the_pair(marks: Marks, last: TakenAmount, amount: Measured, subject: Subject) -> bool:
    """Return whether ohms behind the volts of one line are the pair's: `hi 2.5 lo 2.5 60 ohm`."""
    between = marks.message.text[last.amount.end : amount.start]
    return (
        Quantity.RESISTANCE in (amount.quantity, words_for_quantity(between))
        and last.quantity is Quantity.VOLTAGE
        and last.subject is subject
        and len(subject.points) == 1
        and subject.end <= last.amount.start
    )


_IN_BOTH: Final = rule(r"[^,.;\n]{0,20}\b(?:in |on |for )?(?:both|each)\b", re.IGNORECASE)
_AND: Final = rule(r"\s?(?:and|&|,)\s(?:between )?", re.IGNORECASE)


def _as_well(
    marks: Marks, clause: Clause, amount: Measured, subject: Subject, subjects: Sequence[Subject]
) -> list[Subject]:
    """Return the pair in front of one that an amount is said of as well: `H to ground and L to ground OL in both`."""
    text = marks.message.text
    at = last_before(subjects, subject.start)
    before = subjects[at] if at >= 0 else None
    both = before and len(before.points) == len(subject.points) == 2 and amount.start > subject.end
    joined = before and both and _AND.fullmatch(text, before.end, subject.start)
    said = _IN_BOTH.match(text, amount.end, clause.end) or re.search(
        r"\bboth\b", text[subject.end : amount.start]
    )
    return [before] if before and joined and said else []


_SAME_ON: Final = rule(
    r"\b(?:same|ditto)(?: (?:thing|value|again))?(?: (?:on|for|with|at))? (?:the |pin )?$", re.IGNORECASE
)
_SAME_BEHIND: Final = rule(
    r"\s(?:is |reads |also |has )?(?:the )?(?:same|ditto)\b(?! (?:as|module))", re.IGNORECASE
)
_LEADS_TO: Final = rule(
    r"\s{0,2}(?:are |is |each |both )?(?:dc )?(?P<by>on|from|between|across|at|of|for"
    r"|in|\()?\s{0,2}(?:the )?(?:pins? )?",
    re.IGNORECASE,
)
_TO: Final = rule(r"\s{0,2}(?:to|against)\s{0,2}(?:the )?", re.IGNORECASE)


def _subject_of_each(
    marks: Marks, subjects: Sequence[Subject], amounts: Sequence[Measured]
) -> Iterator[tuple[Measured, Subject | None]]:
    """Yield each amount with its subject: that before it, or that behind it where the clause begins with amounts."""
    text = marks.message.text
    behind_first = bool(amounts and subjects and amounts[0].start < subjects[0].start)
    for index, amount in enumerate(amounts):
        until = amounts[index + 1].start if index + 1 < len(amounts) else len(text)
        at = last_before(subjects, amount.start)
        previous = subjects[at] if at >= 0 else None
        following = subjects[at + 1] if at + 1 < len(subjects) and subjects[at + 1].start < until else None
        wire = subjects[at + 2] if following and at + 2 < len(subjects) else None
        if following and wire and _is_wire(wire) and wire.start - following.end <= _NEAR:
            following = wire
        is_next = not index or previous is None or amounts[index - 1].start < previous.start
        other = _OF_THE_VEHICLE.search(text, max(0, amount.start - 20), amount.start)
        if other and previous and previous.end <= other.start():
            continue
        around = _around(text, previous, amount, following) if is_next else None
        yield amount, around or _subject_of(text, previous, amount, following, behind_first=behind_first)


def _subject_of(
    text: str, previous: Subject | None, amount: Measured, following: Subject | None, *, behind_first: bool
) -> Subject | None:
    if (
        previous is None
        and following is not None
        and _OTHER_THING.fullmatch(text, amount.end, following.start)
    ):
        return None
    if following is None or previous is None:
        return previous or following
    of_either = previous.lines[0] in (PAIR, BOTH) and following.lines == (Line.GROUND,)
    if of_either and _TO.fullmatch(text, amount.end, following.start):
        return Subject(following.start, following.end, (replace(following.points[0], line=BOTH),))
    leads = _LEADS_TO.fullmatch(text, amount.end, following.start)
    if following.lines == (Line.BATTERY_PLUS,) and text[amount.end : following.start] == " ":
        return following
    linked = leads and (behind_first or leads["by"] or _says_between(text, following) or following.is_between)
    goes_first = behind_first or following.lines == (BOTH,) or not _said_right_before(text, previous, amount)
    return following if _is_wire(following) or (linked and goes_first) else previous


def _around(
    text: str, previous: Subject | None, amount: Measured, following: Subject | None
) -> Subject | None:
    """Return the subject of an amount between its two ends: `CAN low 0 ohms to ground`."""
    if not previous or not following or len(previous.points) + len(following.points) > _TWO_ENDS:
        return None
    words = (PAIR, BOTH, previous.lines[0])
    if previous.lines[0] in (PAIR, BOTH) or following.lines[0] in words:
        return None
    if not _TO.fullmatch(text, amount.end, following.start):
        return None
    return Subject(previous.start, following.end, (*previous.points, *following.points), is_between=True)


_OF_THE_VEHICLE: Final = rule(
    r"(?:\b(?:vehicle|tractor|truck|car|van|system) (?:on|at) |(?<![\w'])[A-BE-K] )\Z"
)
"""Before an amount that is of no line named before: the vehicle's supply, a pin that nobody knows."""

_OTHER_THING: Final = rule(r"[^,.;:]* and (?:the |a |its |good |ok |solid |clean )*", re.IGNORECASE)
"""Between an amount and what is named next, of which something else is said."""

_TWO_ENDS: Final = 2
_NEAR: Final = 12
"""Characters between the name of a line and the two plugs that tell which wire of it."""


def _is_wire(subject: Subject) -> bool:
    """Return whether a subject is one wire by the plugs at its ends."""
    return len(subject.points) == 2 and all(point.place for point in subject.points)


def _says_between(text: str, subject: Subject | None) -> bool:
    """Return whether a subject begins with the word that says what an amount in front of it lies between."""
    return subject is not None and (
        subject.lines[0] in (PAIR, BOTH)
        or text.startswith(("between", "across", "at ", "on "), subject.start)
    )


_RIGHT_BEFORE: Final = rule(
    r"[\s:=(@]{0,3}(?:(?:battery voltage|voltage|is|was|at|has|reads?|sits at|are|around|about|shows?|nothing"
    r"|of|stays at)\b\s{0,2}){0,3}",
    re.IGNORECASE,
)


def _said_right_before(text: str, subject: Subject | None, amount: Measured) -> bool:
    return subject is not None and _RIGHT_BEFORE.fullmatch(text, subject.end, amount.start) is not None
