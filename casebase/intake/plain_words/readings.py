"""Readings out of a message: each amount with the line, the place and the state that the words around it tell.

An amount whose line the words do not tell is taken for one only where there is one usual answer, and says so; all
other numbers stay in the story.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Final

from casebase.intake.plain_words.amounts import Measured, amounts_in
from casebase.intake.plain_words.points import (
    BOTH,
    PAIR,
    Place,
    Point,
    Subject,
    default_lines,
    places_in,
    points_in,
    subjects_in,
)
from casebase.intake.plain_words.states import (
    MediumSaid,
    Named,
    StateSaid,
    Unplugged,
    load_said,
    media_in,
    modules_in,
    states_in,
    tester_said,
    unplugged_in,
)
from casebase.intake.plain_words.written import Clause, Span, Written
from casebase.record.vocabulary import POWER_LINES, Battery, Ignition, Line, Look, Medium, Quantity

Data = dict[str, Any]


@dataclass(frozen=True)
class ToldReading:
    """A reading as a record holds it, the phrase it came from, and what was taken as usual without being said."""

    data: Data
    spans: tuple[Span, ...]
    assumed: tuple[str, ...] = ()


@dataclass
class Marks:
    """Everything in a message that a reading is made of, in order."""

    message: Written
    modules: list[Named] = field(init=False)
    media: list[MediumSaid] = field(init=False)

    def __post_init__(self) -> None:
        self.modules = modules_in(self.message)
        self.media = media_in(self.message)
        self.points = points_in(self.message, {said.medium for said in self.media})
        self.subjects = subjects_in(self.message, self.points)
        self.places = places_in(self.message)
        inside = {place for one in (*self.points, *self.places) for place in range(one.start, one.end)}
        self.amounts = [one for one in amounts_in(self.message) if one.start not in inside]
        self.states = states_in(self.message)
        self.unplugged = unplugged_in(self.message, self.modules)

    @cached_property
    def clauses(self) -> list[Clause]:
        """The clauses of the message."""
        return self.message.clauses()

    def medium_at(self, place: int) -> Medium | None:
        """Return the network last named before `place`, else the first named behind it."""
        before = [said.medium for said in self.media if said.start <= place]
        return before[-1] if before else self.media[0].medium if self.media else None


@dataclass(frozen=True)
class _Taken:
    """An amount with what it is of: its lines, its quantity, whether these were said, and the words used."""

    amount: Measured
    quantity: Quantity
    lines: tuple[Line, ...]
    subject: Subject | None
    spans: tuple[Span, ...]
    assumed: tuple[str, ...] = ()


def readings_in(marks: Marks) -> list[ToldReading]:
    """Return the readings that a message tells, in order."""
    taken: list[_Taken] = []
    for clause in marks.clauses:
        if not _SCOPE.search(marks.message.text, *clause.sentence):
            taken += _of_clause(marks, clause, taken)
    told = [_told(marks, one) for one in taken]
    return _each_once(_shaken(marks, told))


_SCOPE: Final = re.compile(r"\b(?:scope|oscilloscope|waveform|trace)\b", re.IGNORECASE)
_QUIET: Final = re.compile(r"\bno (?:traffic|activity|signal|data|frames|messages)\b|\bflat ?lines?\b|\bnothing moving\b|\bdead flat\b", re.IGNORECASE)
_BUSY: Final = re.compile(r"\b(?:traffic (?:yes|ok|seen|there|present|good)|data moving|frames seen|clean frames|traffic on)\b", re.IGNORECASE)
_LOOKS: Final = (
    (Look.ONE_LINE_FLAT, re.compile(r"\b(?:can[ -]?[hl]|high|low|one line|can high|can low|1 line)\b[^,.;]{0,12}\b(?:flat|stuck|not moving)\b", re.IGNORECASE)),
    (Look.BOTH_TOGETHER, re.compile(r"\bboth (?:lines )?(?:move )?together\b|\bmirror\w* gone\b|\bsame shape on both\b", re.IGNORECASE)),
    (Look.RINGING, re.compile(r"\b(?:ringing|overshoot)\b", re.IGNORECASE)),
    (Look.SLOW_EDGES, re.compile(r"\b(?:slow|rounded|lazy) edges\b|\bshark fin\w*", re.IGNORECASE)),
    (Look.NOISE, re.compile(r"\b(?:noisy|noise|hash)\b", re.IGNORECASE)),
    (Look.CLEAN, re.compile(r"\b(?:clean|square|textbook)\b", re.IGNORECASE)),
)
"""How a waveform is said to look (common practice, no source)."""


def waveforms_in(marks: Marks) -> list[ToldReading]:
    """Return what the message says was seen on a scope, a reading for each sentence that speaks of one."""
    found = []
    text = marks.message.text
    for start, end in dict.fromkeys(clause.sentence for clause in marks.clauses):
        quiet, busy = _QUIET.search(text, start, end), _BUSY.search(text, start, end)
        if not _SCOPE.search(text, start, end):
            continue
        told: Data = {"traffic": "no" if quiet else "yes" if busy else None}
        told["looks"] = [str(look) for look, pattern in _LOOKS if pattern.search(text, start, end)]
        told = {key: value for key, value in told.items() if value}
        if told:
            found.append(ToldReading({"quantity": str(Quantity.WAVEFORM), "at": "DLC", "waveform": told}, ((start, end),)))
    return found


def _within(items: list[Any], start: int, end: int) -> list[Any]:
    return [one for one in items if start <= one.start < end]


def _of_clause(marks: Marks, clause: Clause, before: list[_Taken]) -> list[_Taken]:
    """Return the amounts of one clause with what each is of."""
    subjects: list[Subject] = _within(marks.subjects, clause.start, clause.end)
    amounts: list[Measured] = _within(marks.amounts, clause.start, clause.end)
    found: list[_Taken] = []
    if not amounts and subjects and before and _SAME_ON.search(marks.message.text, clause.start, subjects[0].start):
        return [
            replace(before[-1], lines=(Line(subjects[0].lines[0]), *before[-1].lines[1:]), subject=None,
                    spans=((clause.start, subjects[0].end),))
        ] if subjects[0].lines[0] in set(Line) else []
    if not subjects and _high_and_low(marks, clause, amounts):
        return _as_pair(marks, amounts) + [
            one for amount in amounts[2:] for one in _without_subject(marks, clause, amount, before)
        ]
    for amount, subject in _subject_of_each(marks, subjects, amounts):
        if subject is None:
            found += _without_subject(marks, clause, amount, [*before, *found])
        else:
            found += _with_subject(marks, clause, amount, subject, [*before, *found])
    return found


_SAME_ON: Final = re.compile(r"\bsame (?:on|for|with|at) (?:the )?$", re.IGNORECASE)
_LEADS_TO: Final = re.compile(r"\s{0,2}(?:are |is |each |both )?(?:dc )?(?P<by>on|from|between|across|at|of|for|in)?\s{0,2}(?:the )?(?:pins? )?", re.IGNORECASE)
_TO: Final = re.compile(r"\s{0,2}(?:to|against)\s{0,2}(?:the )?", re.IGNORECASE)


def _subject_of_each(
    marks: Marks, subjects: list[Subject], amounts: list[Measured]
) -> Iterator[tuple[Measured, Subject | None]]:
    """Yield each amount with its subject: the one before it, or the one behind where the clause begins with amounts."""
    text = marks.message.text
    behind_first = bool(amounts and subjects and amounts[0].start < subjects[0].start)
    for index, amount in enumerate(amounts):
        until = amounts[index + 1].start if index + 1 < len(amounts) else len(text)
        previous = next((one for one in reversed(subjects) if one.end <= amount.start), None)
        following = next((one for one in subjects if amount.end <= one.start < until), None)
        leads = following and _LEADS_TO.fullmatch(text, amount.end, following.start)
        linked = leads if leads and (behind_first or leads["by"] or _says_between(text, following)) else None
        if previous and following and len(previous.points) == len(following.points) == 1:
            joined = _TO.fullmatch(text, amount.end, following.start)
            near = not (amounts[index - 1].start > previous.end if index else False)
            if joined and near and _can_be_pair(previous, following):
                yield amount, Subject(previous.start, following.end, (*previous.points, *following.points), True)
                continue
        if following and _is_wire(following):
            yield amount, following
        elif following and (linked and (behind_first or following.lines == (BOTH,)) or (behind_first and not previous)):
            yield amount, following
        elif linked and not _said_right_before(text, previous, amount):
            yield amount, following
        else:
            yield amount, previous or (following if linked or behind_first else None)


def _is_wire(subject: Subject) -> bool:
    """Return whether a subject is one wire by the plugs at its ends."""
    return len(subject.points) == 2 and all(point.place for point in subject.points)


def _says_between(text: str, subject: Subject | None) -> bool:
    """Return whether a subject begins with the word that says what an amount in front of it lies between."""
    return subject is not None and (subject.lines[0] in (PAIR, BOTH) or text.startswith(("between", "across"), subject.start))


def _can_be_pair(previous: Subject, following: Subject) -> bool:
    return previous.lines[0] not in (PAIR, BOTH) and following.lines[0] not in (PAIR, BOTH, previous.lines[0])


_RIGHT_BEFORE: Final = re.compile(r"[\s:=(@]{0,3}(?:(?:battery voltage|voltage|is|was|at|has|reads?|sits at|are|around|about|shows?|nothing|of|stays at)\b\s{0,2}){0,3}", re.IGNORECASE)


def _said_right_before(text: str, subject: Subject | None, amount: Measured) -> bool:
    return subject is not None and _RIGHT_BEFORE.fullmatch(text, subject.end, amount.start) is not None


# --- what an amount without a unit, or without a line, can be ---------------------------------------------------------

_OHM_WORDS: Final = re.compile(r"\b(?:ohms?|resistance|resistor|R)\b", re.IGNORECASE)
_VOLT_WORDS: Final = re.compile(r"\b(?P<ac>ac )?(?:volts?|voltages?|drop)\b", re.IGNORECASE)
_MOST_VOLTS_BARE: Final = 32.0
"""The highest a 24 V supply is charged with, about (common practice, no source)."""

_LEAST_OHMS_BARE: Final = 8.0
"""A bare number between two lines is ohms from here on: no bus stands so many volts apart (ISO 11898-2)."""


def _quantity(marks: Marks, clause: Clause, amount: Measured, subject: Subject | None) -> tuple[Quantity | None, bool]:
    """Return what an amount is, and whether its unit was said; None where it could be either."""
    if amount.quantity is not None:
        return amount.quantity, True
    words = _words_for_quantity(marks.message.text[clause.start : amount.start])
    lines = subject.lines if subject else ()
    if not words and (len(lines) == 2 or set(lines) & {PAIR, BOTH}):
        words = _words_for_quantity(marks.message.text[clause.sentence[0] : amount.start])
    if words:
        return words, False
    is_pair = lines == (PAIR,) or (len(lines) == 2 and not set(lines) & {*POWER_LINES})
    if is_pair:
        return (Quantity.RESISTANCE, False) if amount.low >= _LEAST_OHMS_BARE or amount.low == 0 else (None, False)
    return (Quantity.VOLTAGE, False) if amount.low <= _MOST_VOLTS_BARE else (None, False)


def _words_for_quantity(before: str) -> Quantity | None:
    """Return the quantity that the last word for one in a text says."""
    words = [(found.end(), Quantity.RESISTANCE) for found in _OHM_WORDS.finditer(before)]
    words += [
        (found.end(), Quantity.AC_VOLTAGE if found["ac"] else Quantity.VOLTAGE)
        for found in _VOLT_WORDS.finditer(before)
    ]
    return max(words)[1] if words else None


def _with_subject(
    marks: Marks, clause: Clause, amount: Measured, subject: Subject, before: list[_Taken]
) -> list[_Taken]:
    """Return an amount of a subject: one reading, two of both lines, none where its line is not known."""
    if None in subject.lines and not any(point.place for point in subject.points):
        return []
    if amount.number == "open" and _is_asked(marks, clause):
        return []
    quantity, said = _quantity(marks, clause, amount, subject)
    if quantity is None:
        return []
    assumed = () if said or amount.is_open else (f"{amount.number} taken as {'ohms' if quantity is Quantity.RESISTANCE else 'volts'}",)
    spans = ((amount.start, amount.end), (subject.start, subject.end))
    medium = _medium(marks, amount)
    found = []
    for lines in _lines(marks, clause, subject, quantity, medium):
        found.append(_Taken(amount, quantity, lines, subject, spans, assumed))
    return found


def _is_asked(marks: Marks, clause: Clause) -> bool:
    return marks.message.text[clause.sentence[1] : clause.sentence[1] + 1] == "?"


def _medium(marks: Marks, amount: Measured) -> Medium:
    return marks.medium_at(amount.start) or Medium.HIGH_SPEED_CAN


def _lines(
    marks: Marks, clause: Clause, subject: Subject, quantity: Quantity, medium: Medium
) -> Iterator[tuple[Line, ...]]:
    """Yield (line, against) of every reading that one amount of a subject stands for."""
    default = default_lines(medium)
    lines = [Line(line) for line in subject.lines if line in set(Line)]
    is_ohms = quantity is Quantity.RESISTANCE
    if subject.lines == (BOTH,):
        to_ground = not is_ohms or re.search(r"\b(?:ground|gnd|earth|chassis)\b", marks.message.text[slice(*clause.sentence)])
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
        yield from _of_one(lines[0], subject, is_ohms=is_ohms)


def _line_of_wire(marks: Marks, clause: Clause) -> Line | None:
    """Return the one line that a clause names, of a wire told by the plugs at its ends."""
    said = {point.line for point in _within(marks.points, clause.start, clause.end) if isinstance(point.line, Line)}
    return said.pop() if len(said) == 1 else None


def _in_order(first: Line, second: Line) -> tuple[Line, ...]:
    """Return two lines as a record holds them: signal before power, high before low, power before ground."""
    order = [*Line]
    if first is second:
        return first, first
    power = [line for line in (first, second) if line in POWER_LINES]
    if len(power) == 1:
        return next(line for line in (first, second) if line not in POWER_LINES), power[0]
    if len(power) == 2:
        return (first, second) if second in (Line.GROUND, Line.BATTERY_MINUS) and first is not Line.BATTERY_MINUS else (second, first)
    return (first, second) if order.index(first) < order.index(second) else (second, first)


def _of_one(line: Line, subject: Subject, *, is_ohms: bool) -> Iterator[tuple[Line, ...]]:
    if line in (Line.GROUND, Line.BATTERY_MINUS):
        yield Line.GROUND, Line.BATTERY_MINUS
    else:
        yield line, Line.GROUND


_CARRIES: Final = re.compile(r"\b(?:normally|usually|otherwise|then|now|still|again|goes|drops?|jumps|back|got|same|comes|also|too|with|without|put|once|when|hot|warm|cold|in)\b|:|=", re.IGNORECASE)
_OF_RESISTANCE: Final = re.compile(r"\b(?:resistance|resistor|ohms?)\b", re.IGNORECASE)


def _without_subject(
    marks: Marks, clause: Clause, amount: Measured, before: list[_Taken]
) -> list[_Taken]:
    """Return an amount that no line is named for, where there is one usual answer; none else."""
    text = marks.message.text[clause.start : clause.end]
    spans = ((amount.start, amount.end),)
    medium = _medium(marks, amount)
    lines = default_lines(medium)
    module = _feed_of(marks, clause, amount)
    if module and amount.quantity is Quantity.VOLTAGE:
        return [_Taken(amount, Quantity.VOLTAGE, (Line.SUPPLY, Line.GROUND), None, spans, (f"{amount.number} V taken as the supply of {module}",))]
    earlier = next((one for one in reversed(before) if amount.quantity in (None, one.quantity)), None)
    goes_on = _CARRIES.search(text) or _within(marks.unplugged, clause.start, clause.end)
    if amount.is_open or amount.quantity is None:
        if earlier and goes_on and _alike(earlier, amount):
            return [replace(earlier, amount=amount, spans=spans, assumed=_as_before(amount))]
        if not _stands_for_ohms(marks, clause, amount):
            return []
    elif earlier and goes_on and amount.quantity is Quantity.VOLTAGE and earlier.lines[1:] == (Line.GROUND,):
        return [replace(earlier, amount=amount, spans=spans, assumed=_as_before(amount))]
    if amount.quantity is Quantity.VOLTAGE:
        if len(lines) > 1:
            return []
        return [_Taken(amount, amount.quantity, (lines[0], Line.GROUND), None, spans, (f"taken as of {lines[0]}",))]
    if amount.quantity is Quantity.AC_VOLTAGE or len(lines) == 1:
        return []
    said = f"{amount.number} taken as ohms between {lines[0]} and {lines[1]}"
    return [_Taken(amount, Quantity.RESISTANCE, lines, None, spans, (said,))]


def _as_before(amount: Measured) -> tuple[str, ...]:
    return (f"{amount.number} taken as the same measurement as the one before it",)


def _alike(earlier: _Taken, amount: Measured) -> bool:
    """Return whether a bare number can be the same measurement again: ohms after ohms, volts after volts."""
    if amount.is_open:
        return earlier.quantity is Quantity.RESISTANCE
    if earlier.quantity is Quantity.RESISTANCE:
        return earlier.amount.is_open or amount.low >= _LEAST_OHMS_BARE
    return amount.low <= _MOST_VOLTS_BARE


def _stands_for_ohms(marks: Marks, clause: Clause, amount: Measured) -> bool:
    """Return whether a bare number can only be the ohms of the pair: called resistance, or 60.4 alone in its clause."""
    text = marks.message.text
    if amount.is_open:
        return False
    if _OF_RESISTANCE.search(text, clause.start, amount.start):
        return True
    index = marks.amounts.index(amount)
    following = marks.amounts[index + 1] if index + 1 < len(marks.amounts) else None
    if following and following.quantity is Quantity.RESISTANCE and _OR_THEN.fullmatch(text, amount.end, following.start):
        return True
    alone = not any(map(str.isalnum, text[clause.start : amount.start] + text[amount.end : clause.end]))
    return alone and "." in amount.number and 40 <= amount.low <= 140


_OR_THEN: Final = re.compile(r"\s?(?:,|then|or|and|now|/|goes to|drops to|jumps to)\s{1,2}(?:then )?", re.IGNORECASE)
_AT_MODULE: Final = re.compile(r"(?: dc)? (?:at|on|to|across|in) (?:the |its )?", re.IGNORECASE)
_FEED: Final = re.compile(r"(?:feed|supply)?", re.IGNORECASE)


def _feed_of(marks: Marks, clause: Clause, amount: Measured) -> str | None:
    """Return the module that volts right before its name are the supply of: `12.1 V at the amp`."""
    leads = _AT_MODULE.match(marks.message.text, amount.end)
    if not leads:
        return None
    return next((one.name for one in marks.modules if one.start == leads.end() and amount.low > 3.5 and not _plug_at(marks, one)), None)


def _plug_at(marks: Marks, module: Named) -> bool:
    return any(place.start <= module.start < place.end and place.end > module.end for place in marks.places)


_BETWEEN_TWO: Final = re.compile(r"\s{0,2}(?:/|,|-|and|&)?\s{0,2}", re.IGNORECASE)


def _high_and_low(marks: Marks, clause: Clause, amounts: list[Measured]) -> bool:
    """Return whether a clause gives two levels and no line, as `2.6/2.4`: high first, then low."""
    if len(amounts) < 2 or not _BETWEEN_TWO.fullmatch(marks.message.text, amounts[0].end, amounts[1].start):
        return False
    pair = amounts[:2]
    is_pair = len(default_lines(_medium(marks, amounts[0]))) == 2
    levels = all(one.quantity in (None, Quantity.VOLTAGE) and one.low <= 5.5 for one in pair)
    pointed = all("." in one.number and "to" not in one.number for one in pair)
    return is_pair and levels and pointed and amounts[0].low >= amounts[1].low


def _as_pair(marks: Marks, amounts: list[Measured]) -> list[_Taken]:
    lines = default_lines(_medium(marks, amounts[0]))
    said = f"{amounts[0].number} and {amounts[1].number} taken as volts of {lines[0]} and {lines[1]}, in this order"
    spans = ((amounts[0].start, amounts[1].end),)
    return [
        _Taken(amount, Quantity.VOLTAGE, (line, Line.GROUND), None, spans, (said,))
        for amount, line in zip(amounts, lines, strict=False)
    ]


# --- where and in which state -----------------------------------------------------------------------------------------


def _told(marks: Marks, taken: _Taken) -> ToldReading:
    amount, quantity = taken.amount, taken.quantity
    data: Data = {"quantity": str(quantity), "line": str(taken.lines[0])}
    clause = _clause_at(marks, amount.start)
    place, place_span = _place(marks, clause, taken)
    points = taken.subject.points if taken.subject else ()
    if taken.lines[0] is not taken.lines[-1]:
        data["against"] = str(taken.lines[-1])
    elif len(points) == 2:
        place, data["to"] = points[0].place or "DLC", points[1].place or "DLC"
    if taken.lines[0] is Line.BATTERY_PLUS and place and place.startswith("connector"):
        data["line"] = str(Line.SUPPLY)
    data["at"] = place or "DLC"
    pins = [point.pin for point in points if point.pin]
    if pins:
        data["pins"] = " and ".join(pins)
    data["value"] = amount.as_value(quantity)
    state, state_spans = _state(marks, clause, taken)
    spans = (*taken.spans, *place_span, *state_spans)
    return ToldReading(data | state, spans, taken.assumed)


def _clause_at(marks: Marks, place: int) -> Clause:
    return next(clause for clause in reversed(marks.clauses) if clause.start <= place)


def _place(marks: Marks, clause: Clause, taken: _Taken) -> tuple[str | None, tuple[Span, ...]]:
    """Return the place of a reading, and the words that tell it."""
    start, end = min(first for first, _ in taken.spans), max(last for _, last in taken.spans)
    own = next((point.place for point in taken.subject.points if point.place), None) if taken.subject else None
    if own:
        return own, ()
    within: list[Place] = _within(marks.places, *clause.sentence)
    following = next((one for one in within if end <= one.start < clause.end), None)
    next_amount = next((one.start for one in marks.amounts if one.start >= end), clause.end)
    if following and following.start < next_amount:
        return following.name, ((following.start, following.end),)
    before = [one for one in within if one.start < start]
    alone = within[0] if len(within) == 1 and not _amounts_beside(marks, within[0]) else None
    told = before[-1] if before else alone
    if told:
        return told.name, ((told.start, told.end),)
    if taken.lines[0] in (Line.SUPPLY, Line.GROUND, Line.BATTERY_PLUS) and not _is_of_dlc(taken):
        return _module_supplied(marks, clause, taken)
    return None, ()


def _amounts_beside(marks: Marks, place: Place) -> bool:
    clause = _clause_at(marks, place.start)
    return bool(_within(marks.amounts, clause.start, clause.end))


def _is_of_dlc(taken: _Taken) -> bool:
    return bool(taken.subject and any(point.pin and not point.place for point in taken.subject.points))


def _module_supplied(marks: Marks, clause: Clause, taken: _Taken) -> tuple[str | None, tuple[Span, ...]]:
    """Return the plug of the module whose supply or ground was read: the last named, else the next of the sentence."""
    if taken.lines == (Line.BATTERY_PLUS, Line.GROUND):
        return "battery", ()
    start = taken.amount.start
    modules: list[Named] = _within(marks.modules, *clause.sentence)
    near = [one for one in modules if clause.start <= one.start < clause.end]
    before = [one for one in modules if one.start < start]
    named = min(near, key=lambda one: abs(one.start - start)) if near else before[-1] if before else modules[0] if modules else None
    return (f"connector of {named.name}", ((named.start, named.end),)) if named else (None, ())


def _state(marks: Marks, clause: Clause, taken: _Taken) -> tuple[Data, tuple[Span, ...]]:
    """Return the state of the vehicle for a reading, and the words that tell it."""
    data: Data = {}
    spans: list[Span] = []
    said = _state_said(marks, clause, taken)
    if said:
        spans.append((said.start, said.end))
        if said.value is Battery.DISCONNECTED:
            data |= {"ignition": str(Ignition.OFF), "battery": str(Battery.DISCONNECTED)}
        else:
            data["ignition"] = str(said.value)
    unplugged = _unplugged(marks, clause, taken)
    if unplugged:
        spans.append((unplugged.start, unplugged.end))
        data["unplugged"] = list(unplugged.names)
        data |= {"stage": "isolation"} if unplugged.names else {}
    tester = tester_said(marks.message, *_stretch(marks, clause, taken.amount))
    if tester and taken.quantity is not Quantity.RESISTANCE:
        data["tester"] = tester
    if taken.lines[0] in POWER_LINES and taken.quantity is Quantity.VOLTAGE:
        loaded = load_said(marks.message, *_stretch(marks, clause, taken.amount))
        data |= {} if loaded is None else {"loaded": "yes" if loaded else "no"}
    return data, tuple(spans)


def _stretch(marks: Marks, clause: Clause, amount: Measured) -> Span:
    """Return the part of a clause that belongs to one amount: up to the next."""
    within: list[Measured] = _within(marks.amounts, clause.start, clause.end)
    first = not within or within[0] is amount
    following = next((one.start for one in within if one.start > amount.start), clause.end)
    return clause.start if first else amount.start, following


def _state_said(marks: Marks, clause: Clause, taken: _Taken) -> StateSaid | None:
    """Return what is said of the state of the vehicle where it matters to the reading.

    In its own clause, else in its sentence, else before it, else the first said behind it.
    """
    amount = taken.amount
    is_ohms = taken.quantity is Quantity.RESISTANCE
    fitting = [one for one in marks.states if _matters(one, is_ohms=is_ohms)]
    own: list[StateSaid] = _within(fitting, *_stretch(marks, clause, amount))
    if own:
        return own[-1]
    if is_ohms:
        live = [one for one in _within(marks.states, clause.start, clause.end) if one.value in (Ignition.ON, Ignition.RUNNING)]
        only = len(_within(marks.amounts, clause.start, clause.end)) == 1
        if live and only:
            return live[0]
    before = [one for one in fitting if one.start < amount.start]
    behind = [one for one in fitting if clause.sentence[0] <= one.start < clause.sentence[1] and one.start > amount.start]
    in_sentence = [one for one in before if one.start >= clause.sentence[0]]
    if in_sentence:
        return in_sentence[-1]
    if behind:
        return behind[0]
    if before:
        return before[-1]
    return fitting[0] if fitting and len(fitting) == 1 else None


def _matters(said: StateSaid, *, is_ohms: bool) -> bool:
    if is_ohms:
        return said.value in (Battery.DISCONNECTED, Ignition.OFF)
    return isinstance(said.value, Ignition)


def _unplugged(marks: Marks, clause: Clause, taken: _Taken) -> Unplugged | None:
    """Return what is said to be unplugged in the clause of a reading; the clause before where it says nothing else."""
    own: list[Unplugged] = _within(marks.unplugged, *_stretch(marks, clause, taken.amount))
    if own:
        return own[-1]
    in_clause = [one for one in _within(marks.unplugged, clause.start, clause.end) if one.start < taken.amount.start]
    if in_clause:
        return in_clause[-1]
    index = marks.clauses.index(clause)
    previous = marks.clauses[index - 1] if index else None
    if previous is None or previous.sentence != clause.sentence or _within(marks.amounts, previous.start, previous.end):
        return None
    said: list[Unplugged] = _within(marks.unplugged, previous.start, previous.end)
    return said[-1] if said else None


# --- the same twice, and two in one state -----------------------------------------------------------------------------

_CHANGES: Final = re.compile(
    r"\b(?:drops?|goes|jumps|changes|rises|climbs|falls|swings|flickers)\b|\b(?:when|while|if|on) (?:i )?(?:sha(?:ken?|king)|shook|wiggl\w+|mov\w+|touch\w+|flex\w+|tapp?\w*|turn\w*)",
    re.IGNORECASE,
)
_WHEN: Final = re.compile(r"\b(?:when|while|if) (?:i )?(?:sha(?:ken?|king)|shook|wiggl\w+|mov\w+|touch\w+|flex\w+|tapp?\w*)", re.IGNORECASE)
_SHAKEN: Final = re.compile(r"\b(?:shook|shaking|wiggled|wiggling|flexed) the\b", re.IGNORECASE)


def _shaken(marks: Marks, told: list[ToldReading]) -> list[ToldReading]:
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
    return "; " in first.data["value"] and all(first.data.get(key) == second.data.get(key) for key in _SAME_KEYS)


def _is_change(marks: Marks, first: ToldReading, second: ToldReading) -> bool:
    if any(first.data.get(key) != second.data.get(key) for key in _SAME_KEYS) or " when " in first.data["value"]:
        return False
    start, end = first.spans[0][0], second.spans[0][1]
    sentences = {_clause_at(marks, start).sentence, _clause_at(marks, end - 1).sentence}
    told = marks.message.text[_clause_at(marks, start).start : _clause_at(marks, end - 1).end]
    return len(sentences) == 1 and bool(_WHEN.search(told) or _SHAKEN.search(told))


def _together(marks: Marks, first: ToldReading, second: ToldReading) -> ToldReading:
    start, end = first.spans[0][0], second.spans[0][1]
    told = marks.message.text[_clause_at(marks, start).start : _clause_at(marks, end - 1).end]
    when = _WHEN.search(told)
    moved_first = when and marks.message.text.find(when[0], start) < second.spans[0][0]
    values = (second.data["value"], first.data["value"]) if moved_first else (first.data["value"], second.data["value"])
    words = when[0] if when else "when shaken"
    value = f"{values[0]}; {values[1]} {'when shaken' if 'shak' in words or 'shook' in words else words}"
    return replace(first, data=first.data | {"value": value}, spans=first.spans + second.spans)


def _each_once(told: list[ToldReading]) -> list[ToldReading]:
    """Return the readings without those said again in the same words and state."""
    kept: dict[str, ToldReading] = {}
    for one in told:
        kept.setdefault(repr(sorted((key, str(value)) for key, value in one.data.items())), one)
    return list(kept.values())
