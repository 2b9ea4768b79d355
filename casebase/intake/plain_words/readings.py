"""Readings out of a message: each amount with the line, the place and the state that the words around it tell.

An amount whose line the words do not tell is taken for one only where there is one usual answer, and says so; all
other numbers stay in the story.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from casebase.intake.plain_words.amounts import Measured, changed_from
from casebase.intake.plain_words.amounts_without_line import AT_MODULE, LOOKED_BACK
from casebase.intake.plain_words.lines_of_amounts import amounts_of_clause
from casebase.intake.plain_words.marks import Marks, last_before, within
from casebase.intake.plain_words.named_modules import Named, Unplugged
from casebase.intake.plain_words.plugs import Place
from casebase.intake.plain_words.states import StateSaid, load_said, tester_said
from casebase.intake.plain_words.taken_amounts import TakenAmount
from casebase.intake.plain_words.told_readings import (
    Data,
    ToldReading,
    each_once,
    of_several_networks,
    shaken,
)
from casebase.intake.plain_words.written import Clause, Span, rule
from casebase.record.reading import PLACE_NOT_NAMED
from casebase.record.vocabulary import POWER_LINES, Battery, Ignition, Line, Look, Quantity


def readings_in(marks: Marks) -> list[ToldReading]:
    """Return the readings that a message tells, in order."""
    taken: list[TakenAmount] = []
    for clause in marks.clauses:
        told_before = _EARLIER.search(marks.message.text, clause.start, clause.end)
        if not told_before and not _SCOPE.search(marks.message.text, *clause.sentence):
            taken += amounts_of_clause(marks, clause, taken[-LOOKED_BACK:])
    told = [
        _told(marks, one)
        for one in taken
        if one.amount.fits(one.quantity) and one.amount.start not in marks.not_read
    ]
    named = {one.name for one in marks.networks}
    return each_once(shaken(marks, told if len(named) > 1 else of_several_networks(told)))


_EARLIER: Final = rule(
    r"\b(?:last (?:week|month|year|time)|yesterday|before the (?:crash|accident|repair))\b", re.IGNORECASE
)
"""Of another day: no reading of the fault."""

_SCOPE: Final = rule(r"\b(?:scope|oscilloscope|waveform|trace)\b", re.IGNORECASE)
_QUIET: Final = rule(
    r"\bno (?:traffic|activity|signal|data|frames|messages)\b|\bflat ?lines?\b|\bnothing moving\b|\bdead flat\b",
    re.IGNORECASE,
)
_BUSY: Final = rule(
    r"\b(?:traffic (?:yes|ok|seen|there|present|good)|data moving|frames seen|clean frames|traffic on)\b",
    re.IGNORECASE,
)
_LOOKS: Final = (
    (
        Look.ONE_LINE_FLAT,
        rule(
            r"\b(?:can[ -]?[hl]|high|low|one line|can high|can low|1 line)\b[^,.;]{0,12}\b(?:flat|stuck"
            r"|not moving)\b",
            re.IGNORECASE,
        ),
    ),
    (
        Look.BOTH_TOGETHER,
        rule(
            r"\bboth (?:lines )?(?:move )?together\b|\bmirror\w* gone\b|\bsame shape on both\b", re.IGNORECASE
        ),
    ),
    (Look.RINGING, rule(r"\b(?:ringing|overshoot)\b", re.IGNORECASE)),
    (Look.SLOW_EDGES, rule(r"\b(?:slow|rounded|lazy) edges\b|\bshark fin\w*", re.IGNORECASE)),
    (Look.NOISE, rule(r"\b(?:noisy|noise|hash)\b", re.IGNORECASE)),
    (Look.CLEAN, rule(r"\b(?:clean|square|textbook)\b", re.IGNORECASE)),
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
            found.append(
                ToldReading(
                    {"quantity": str(Quantity.WAVEFORM), "at": "DLC", "waveform": told}, ((start, end),)
                )
            )
    return found


# --- where and in which state -----------------------------------------------------------------------------------------


_NOT_AT_DLC: Final = (Line.LIN, Line.BUS_PLUS, Line.BUS_MINUS)
"""Lines that the diagnostic connector does not have (ISO 15031-3)."""


def _told(marks: Marks, taken: TakenAmount) -> ToldReading:
    amount, quantity = taken.amount, taken.quantity
    data: Data = {"quantity": str(quantity), "line": str(taken.lines[0])}
    clause = marks.clause_at(amount.start)
    place, place_span = _place(marks, clause, taken)
    points = taken.subject.points if taken.subject else ()
    if taken.lines[0] is not taken.lines[-1]:
        data["against"] = str(taken.lines[-1])
    elif len(points) == 2:
        place, data["to"] = points[0].place or "DLC", points[1].place or "DLC"
    if taken.lines[0] is Line.BATTERY_PLUS and place and place.startswith("connector"):
        data["line"] = str(Line.SUPPLY)
    data["at"] = place or (PLACE_NOT_NAMED if taken.lines[0] in _NOT_AT_DLC else "DLC")
    pins = [point.pin for point in points if point.pin]
    if pins:
        data["pins"] = " and ".join(pins)
    data["value"] = amount.as_value(quantity)
    named = within(marks.networks, clause.sentence[0], amount.start)
    if named:
        data["network"] = named[-1].name
    state, state_spans = _state(marks, clause, taken, place or "")
    spans = (*taken.spans, *place_span, *state_spans)
    return ToldReading(data | state, spans, taken.assumed, marks.medium_at(amount.start))


def _place(marks: Marks, clause: Clause, taken: TakenAmount) -> tuple[str | None, tuple[Span, ...]]:
    """Return the place of a reading, and the words that tell it."""
    start, end = min(first for first, _ in taken.spans), max(last for _, last in taken.spans)
    own = (
        next((point.place for point in taken.subject.points if point.place), None) if taken.subject else None
    )
    if own:
        return own, ()
    places = [one for one in within(marks.places, *clause.sentence) if not _is_pulled(marks, one)]
    inside = next((one for one in places if start <= one.start < end), None)
    if inside:
        return inside.name, ((inside.start, inside.end),)
    following = next((one for one in places if end <= one.start < clause.end), None)
    next_amount = next((one.start for one in within(marks.amounts, end, clause.end)), clause.end)
    if (
        following
        and following.start < next_amount
        and not _has_its_own(marks, clause, places, taken, following)
    ):
        return following.name, ((following.start, following.end),)
    before = [
        one for one in places if one.start < start and marks.message.text[one.start - 1 : one.start] != "("
    ]
    before = before or [one for one in places if one.start < start]
    if not places and _OTHER_SIDE.search(marks.message.text, clause.start, clause.end):
        earlier = last_before(marks.places, start)
        before = marks.places[earlier : earlier + 1] if earlier >= 0 else []
    alone = places[0] if len(places) == 1 and not _amounts_beside(marks, places[0]) else None
    told = before[-1] if before else alone
    if told:
        return told.name, ((told.start, told.end),)
    lines = within(marks.subjects, clause.start, taken.subject.end) if taken.subject else ()
    is_there = any(_THERE.match(marks.message.text, one.end) for one in lines)
    of_supply = taken.lines[0] in (Line.SUPPLY, Line.GROUND, Line.BATTERY_PLUS)
    is_at_module = (of_supply or is_there) and not _is_of_dlc(taken)
    return _module_supplied(marks, clause, taken) if is_at_module else (None, ())


_THERE: Final = rule(r" there\b", re.IGNORECASE)
"""At the module named before: `ABS has power, CAN high there is 2.9`."""


def _has_its_own(
    marks: Marks, clause: Clause, places: list[Place], taken: TakenAmount, following: Place
) -> bool:
    """Return whether place and value take turns, so that the place behind an amount is of the next one."""
    start = taken.amount.start
    own = [one for one in places if clause.start <= one.start < start]
    turns = own and not within(marks.amounts, own[-1].start, start)
    return bool(turns and within(marks.amounts, following.end, clause.end))


def _is_pulled(marks: Marks, place: Place) -> bool:
    """Return whether a plug is only what was pulled: `pulled the EPS connector`."""
    at = last_before(marks.unplugged, place.start)
    return at >= 0 and place.start < marks.unplugged[at].end


_OTHER_SIDE: Final = rule(
    r"\b(?:harness|loom|wiring|vehicle|car) side\b|\b(?:the |that )same (?:plug|connector|socket|place|spot)\b"
    r"|(?<!is )(?<!was )\bthere(?! (?:is|are|was|were|should|must)\b)",
    re.IGNORECASE,
)
"""Said of the plug named last."""


def _amounts_beside(marks: Marks, place: Place) -> bool:
    clause = marks.clause_at(place.start)
    return bool(within(marks.amounts, clause.start, clause.end))


def _is_of_dlc(taken: TakenAmount) -> bool:
    return bool(taken.subject and any(point.pin and not point.place for point in taken.subject.points))


def _module_supplied(marks: Marks, clause: Clause, taken: TakenAmount) -> tuple[str | None, tuple[Span, ...]]:
    """Return the plug of the module whose supply or ground was read: the last named, else the next of the sentence."""
    if taken.lines == (Line.BATTERY_PLUS, Line.GROUND):
        at_line = last_before(marks.modules, taken.subject.start) if taken.subject else -1
        own = marks.modules[at_line] if at_line >= 0 else None
        if own and taken.subject and not marks.message.text[own.end : taken.subject.start].strip(" :"):
            return f"connector of {own.name}", ((own.start, own.end),)
        leads = AT_MODULE.match(marks.message.text, taken.amount.end)
        at = within(marks.modules, leads.end(), leads.end() + 1) if leads else ()
        return (f"connector of {at[0].name}", ((at[0].start, at[0].end),)) if at else ("battery", ())
    start = taken.amount.start
    modules = within(marks.modules, *clause.sentence)
    near = [one for one in modules if clause.start <= one.start < clause.end]
    before = [one for one in modules if one.start < start]
    named = (
        min(near, key=lambda one: abs(one.start - start))
        if near
        else before[-1]
        if before
        else modules[0]
        if modules
        else _meant_by_it(marks, clause)
    )
    return (f"connector of {named.name}", ((named.start, named.end),)) if named else (None, ())


_ITS: Final = rule(r"\s*(?:(?:and |but )?its?|(?:the )?(?:ground|earth|supply|feed))\b", re.IGNORECASE)


def _meant_by_it(marks: Marks, clause: Clause) -> Named | None:
    """Return the module named last before a sentence that begins with `it`; None where it begins otherwise."""
    at = last_before(marks.modules, clause.sentence[0])
    return marks.modules[at] if at >= 0 and _ITS.match(marks.message.text, clause.sentence[0]) else None


_PLUG_IS_OFF: Final = rule(
    r"(?:^|[,(:;] ?)(?:with )?(?:the |its )?(?:(?:plug|connector) (?:is |was )?(?:off|out|pulled|unplugged"
    r"|disconnected)"
    r"|unplugged)(?=\s*[,.;:)])",
    re.IGNORECASE,
)
_CONNECTOR_OF: Final = "connector of "


def _plug_read(marks: Marks, clause: Clause, place: str) -> Unplugged | None:
    """Return the module whose plug was read, where the sentence says it was off: `at the PCM plug, plug off, 118`."""
    off = _PLUG_IS_OFF.search(marks.message.text, *clause.sentence)
    if not off or not place.startswith(_CONNECTOR_OF) or within(marks.unplugged, *clause.sentence):
        return None
    return Unplugged(*off.span(), (place.removeprefix(_CONNECTOR_OF),))


def _state(marks: Marks, clause: Clause, taken: TakenAmount, place: str) -> tuple[Data, tuple[Span, ...]]:
    """Return the state of the vehicle for a reading, and the words that tell it."""
    data: Data = {}
    spans: list[Span] = []
    said = _state_said(marks, clause, taken)
    if said:
        spans.append((said.start, said.end))
        if said.value is Battery.DISCONNECTED:
            data |= {"ignition": str(Ignition.OFF), "battery": str(Battery.DISCONNECTED)}
        elif said.value is Battery.CONNECTED:
            data["battery"] = str(Battery.CONNECTED)
        else:
            data["ignition"] = str(said.value)
    unplugged = _unplugged(marks, clause, taken) or _plug_read(marks, clause, place)
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
    amounts = within(marks.amounts, clause.start, clause.end)
    first = not amounts or amounts[0] is amount
    following = next((one.start for one in amounts if one.start > amount.start), clause.end)
    return clause.start if first else amount.start, following


def _state_said(marks: Marks, clause: Clause, taken: TakenAmount) -> StateSaid | None:
    """Return what is said of the state of the vehicle where it matters to the reading.

    In its own clause, else in its sentence, else before it, else the first said behind it.
    """
    amount = taken.amount
    is_ohms = taken.quantity is Quantity.RESISTANCE
    fitting = marks.ohm_states if is_ohms else marks.volt_states
    own = within(fitting, *_stretch(marks, clause, amount))
    if own:
        return _told_together(within(fitting, own[-1].start, clause.sentence[1]))
    if is_ohms:
        first = _stretch(marks, clause, amount)[0] == clause.start
        contrast = () if first else within(marks.states, *_stretch(marks, clause, amount))
        if contrast:
            return contrast[-1]
        live = [
            one
            for one in within(marks.states, clause.start, clause.end)
            if one.value in (Ignition.ON, Ignition.RUNNING)
        ]
        only = len(within(marks.amounts, clause.start, clause.end)) == 1
        if live and only:
            return live[0]
    in_sentence = within(fitting, clause.sentence[0], amount.start)
    behind = within(fitting, amount.start, clause.sentence[1])
    in_brackets = [
        one
        for one in within(fitting, amount.end, clause.end)
        if marks.message.text[one.start - 1 : one.start] == "("
    ]
    if in_brackets or in_sentence or behind:
        told = in_brackets or in_sentence[-1:] or [_told_together(behind)]
        return told[0]
    lasting = [one for one in fitting if one.value is not Ignition.CRANKING]
    before = last_before(lasting, amount.start)
    if before >= 0:
        return lasting[before]
    return lasting[0] if len(lasting) == 1 else None


def _told_together(said: Sequence[StateSaid]) -> StateSaid:
    """Return the first state, or that the battery is off, told in one breath with it: `key off and battery off`."""
    second = said[1] if len(said) > 1 and said[1].start - said[0].end <= _ONE_BREATH else said[0]
    return second if second.value is Battery.DISCONNECTED else said[0]


_ONE_BREATH: Final = 8
"""Characters between two states said together."""


def _unplugged(marks: Marks, clause: Clause, taken: TakenAmount) -> Unplugged | None:
    """Return what is said to be unplugged in the clause of a reading; the clause before where it says nothing else."""
    if changed_from(marks.message.text, taken.amount):
        return None
    own = within(marks.unplugged, *_stretch(marks, clause, taken.amount))
    if own:
        return own[-1]
    in_clause = [
        one for one in within(marks.unplugged, clause.start, clause.end) if one.start < taken.amount.start
    ]
    if in_clause:
        return in_clause[-1]
    index = last_before(marks.clauses, clause.start + 1)
    previous = marks.clauses[index - 1] if index else None
    if (
        previous is None
        or previous.sentence != clause.sentence
        or within(marks.amounts, previous.start, previous.end)
    ):
        return None
    said = within(marks.unplugged, previous.start, previous.end)
    return said[-1] if said else None
