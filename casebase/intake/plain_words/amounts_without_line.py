"""Amounts that no line is named for, where there is one usual answer: a supply, the one before again, the pair's ohms.

Whatever was taken as usual without being said is told with the amount.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Final

from casebase.intake.plain_words.amounts import Measured, changed_from
from casebase.intake.plain_words.marks import Marks, last_before, within
from casebase.intake.plain_words.named_modules import Named
from casebase.intake.plain_words.not_measured import NOMINAL_OHMS, SAID_OF_THIS
from casebase.intake.plain_words.points import default_lines
from casebase.intake.plain_words.taken_amounts import (
    LEAST_OHMS_BARE,
    MOST_VOLTS_BARE,
    TakenAmount,
    medium_of,
    without_states,
)
from casebase.intake.plain_words.written import Clause, rule
from casebase.record.vocabulary import POWER_LINES, Line, Quantity

_CARRIES: Final = rule(
    r"\b(?:normally|usually|otherwise|then|now|still|again|goes|drops?|jumps|back|got|same|comes|there"
    r"|it'?s (?=[0-9])|it is (?=[0-9])|they (?:read"
    r"|are|show|give)|also|too|with"
    r"|without|put|once|when|hot|warm|cold|in|before|after|behind|earlier|later|afterwards"
    r"|mine|but|i (?:have|get|got|measured?|see|read)|only)\b|:|=",
    re.IGNORECASE,
)
_OF_RESISTANCE: Final = rule(
    r"\b(?:(?-i:R)(?= ?[=:])|resistance|resistor|termination|(?<![0-9] )(?<![0-9])ohms?)\b", re.IGNORECASE
)


def without_subject(
    marks: Marks, clause: Clause, amount: Measured, before: list[TakenAmount]
) -> list[TakenAmount]:
    """Return an amount that no line is named for, where there is one usual answer; none else."""
    volts = amount.quantity is Quantity.VOLTAGE
    module = _feed_of(marks, clause, amount)
    if module and (volts or _could_feed(amount)):
        said = f"{amount.number} V taken as the supply of {module}"
        return [_usual(amount, Quantity.VOLTAGE, (Line.SUPPLY, Line.GROUND), said)]
    earlier = _goes_on_from(marks, clause, amount, before)
    if earlier:
        said = f"{amount.number} taken as the same measurement as the one before it"
        return [replace(earlier, amount=amount, spans=((amount.start, amount.end),), assumed=(said,))]
    lines = default_lines(medium_of(marks, amount))
    if volts and len(lines) == 1 and not _names_other_line(marks, clause, amount, lines):
        return [_usual(amount, Quantity.VOLTAGE, (lines[0], Line.GROUND), f"taken as of {lines[0]}")]
    on_network = within(marks.networks, clause.start, amount.start)
    ohms = (
        amount.quantity is Quantity.RESISTANCE
        and (
            not amount.is_open
            or bool(on_network)
            or (amount.number == "OL" and _is_called_resistance(marks, clause, amount))
        )
        and not _may_be_distance(marks, amount)
    )
    taken = len(lines) > 1 and (ohms or _stands_for_ohms(marks, clause, amount))
    if not taken or not (amount.start in marks.not_read or _is_told(marks, clause, amount)):
        return []
    said = f"{amount.number} taken as ohms between {lines[0]} and {lines[1]}"
    return [_usual(amount, Quantity.RESISTANCE, lines, said)]


def _is_called_resistance(marks: Marks, clause: Clause, amount: Measured) -> bool:
    return _OF_RESISTANCE.search(marks.message.text, clause.start, amount.start) is not None


_READ: Final = rule(
    r"\b(?:i|we|you|it|meter|mine|pair|bus|network|resistance|termination) (?:still |only |now |just )?(?:get|got"
    r"|have|had|see|saw"
    r"|is|was|reads?|shows?|measured?|drops?|goes|went)\b|\b(?:got|getting|measured?|measures|measuring|reads|rises|climbs|falls"
    r"|reading|found"
    r"|shows|showing|showed|saw|dropp?(?:s|ed|ing)|goes|went)\b",
    re.IGNORECASE,
)
_OF_A_LIST: Final = rule(r"[A-Za-z']{2,}")
_MOST_OTHER_WORDS: Final = 3
_SHORT: Final = rule(
    r"k?ohms?|ol|open|circuit|can|bus|lines?|pair|wires|resistance|network|between|across|and|the|at|on|in|with|now"
    r"|still|then"
    r"|only|about|around|steady|terminat(?:or|ors|ion)|resistor|ok|good|fine|perfect|batt(?:ery)?|off|key|ignition"
    r"|isolator"
    r"|power|out|(?:dis)?connected|(?:un)?plugged|unpowered|dlc|plug|connector|is|was|it|no|all|t?here|again|both|to"
    r"|from"
    r"|hot|cold|when|measured|total",
    re.IGNORECASE,
)
"""Words of a measurement told shortly; more than a few others make it a sentence that has to say that it was read."""


_TO_SOMETHING: Final = rule(
    r"(?<![\w.])(?:[A-K]|[0-9]{1,2}|high|low|H|L) (?:to|against|zu) (?:the )?[a-z]{2,12}[ :=]*\Z",
    re.IGNORECASE,
)
"""Before an amount between a line and what nobody knows: `D to bracket 2.2 M`."""


def _is_told(marks: Marks, clause: Clause, amount: Measured) -> bool:
    """Return whether a clause says that ohms of no line were read: by a verb, or by being as short as a job card."""
    text = marks.message.text
    if _TO_SOMETHING.search(text, clause.start, amount.start):
        return False
    at_place = amount.quantity is not None and within(marks.places, amount.end, amount.end + _NEAR)
    if at_place or _READ.search(text, clause.start, clause.end):
        return True
    if _LABELLED.search(text, clause.start, amount.start):
        return True
    named = {at for one in marks.modules for at in range(one.start, one.end)}
    words = [
        word
        for word in _OF_A_LIST.finditer(text, clause.start, clause.end)
        if word.start() not in named and not _SHORT.fullmatch(word[0])
    ]
    return len(words) <= _MOST_OTHER_WORDS


_LABELLED: Final = rule(r":\s*\Z")


def _may_be_distance(marks: Marks, amount: Measured) -> bool:
    """Return whether a number with `k` alone is as likely the thousands of a mileage."""
    return amount.low >= _MOST_OHMS_OF_K and marks.message.text[amount.start : amount.end].endswith(
        ("k", "K")
    )


_MOST_OHMS_OF_K: Final = 10_000.0
"""Ohms; `1.2k` of nothing else is a resistance, `74k` may be a mileage."""


def _usual(amount: Measured, quantity: Quantity, lines: tuple[Line, ...], said: str) -> TakenAmount:
    return TakenAmount(amount, quantity, lines, None, ((amount.start, amount.end),), (said,))


_IT_IS: Final = rule(r"\b(?:it(?:'s| is| was)|have|car|ist|truck)\b|^\s*$", re.IGNORECASE)
"""Behind what should be, before what is: `should be 60 but it's 40`."""

LOOKED_BACK: Final = 20
"""Readings looked back over for the one that goes on."""


def _goes_on_from(
    marks: Marks, clause: Clause, amount: Measured, before: list[TakenAmount]
) -> TakenAmount | None:
    """Return the measurement that an amount is another value of, as "then 60" or "unplugged ABS: OL" say."""
    text = marks.message.text
    carries = _carries_on(text, clause)
    if before and before[-1].amount.start in marks.not_read:
        carries = (
            carries
            or SAID_OF_THIS.search(text, clause.start, amount.start) is not None
            or _IT_IS.search(text, clause.start, amount.start) is not None
        )
    carries = (
        carries or _is_next_place(marks, clause, amount, before) or _is_next_state(marks, clause, amount)
    )
    if not carries and not within(marks.unplugged, clause.start, clause.end):
        return None
    earlier = next((one for one in before[::-1] if amount.quantity in (None, one.quantity)), None)
    if len(before) > 1 and before[-1] is earlier and before[-2].spans == earlier.spans:
        return None  # of two lines told in one breath nothing says which is meant
    if earlier is None or (
        amount.quantity is Quantity.VOLTAGE and _names_other_line(marks, clause, amount, earlier.lines)
    ):
        return None
    if amount.is_open or amount.quantity is None:
        return earlier if _alike(earlier, amount) else None
    if amount.quantity is Quantity.RESISTANCE and not _LEAST_PAIR <= amount.low <= _MOST_PAIR:
        return earlier if Line.GROUND in earlier.lines or Line.BATTERY_PLUS in earlier.lines else None
    return earlier if amount.quantity is Quantity.VOLTAGE and earlier.lines[1:] == (Line.GROUND,) else None


_AT_PLACE: Final = rule(
    r"(?: ?v| ?volts?| ?ohms?)? (?:at|on) (?:the )?[a-z]+(?: [a-z]+){0,2} (?:end|side|plug|connector)\b",
    re.IGNORECASE,
)


_AT_NEXT_PLACE: Final = rule(
    r"\W*(?:and |then )?(?:at|in|by|behind|under|near"
    r"|from) the (?:[a-z]{2,14} ){0,6}[a-z]{2,14}[:=]? ?(?:it is |it's )?",
    re.IGNORECASE,
)
_FARTHEST_PLACE: Final = 80
"""Characters between what was read at one place and the words for the next."""


def _is_next_place(marks: Marks, clause: Clause, amount: Measured, before: list[TakenAmount]) -> bool:
    """Return whether an amount is what was read at the next place: `12.2 at the BCM end, 7.5 at the sensor end`."""
    text = marks.message.text
    same = bool(before) and clause.sentence[0] <= before[-1].amount.start
    near = bool(before) and 0 < clause.start - before[-1].amount.end <= _FARTHEST_PLACE
    if near and amount.quantity is None and _AT_NEXT_PLACE.fullmatch(text, clause.start, amount.start):
        return before[-1].quantity is Quantity.RESISTANCE and amount.low >= LEAST_OHMS_BARE
    return bool(same and _AT_PLACE.match(text, before[-1].amount.end) and _AT_PLACE.match(text, amount.end))


def _is_next_state(marks: Marks, clause: Clause, amount: Measured) -> bool:
    """Return whether a clause is an amount and a state alone: `12.6 resting, 10.1 while cranking, 14.2 running`."""
    if not marks.clauses or clause.start == clause.sentence[0]:
        return False
    before, stated = without_states(marks, clause.start, amount.start)
    behind, stated_behind = without_states(marks, amount.end, clause.end)
    told = before + behind
    return bool(stated or stated_behind) and not any(map(str.isalnum, told))


@lru_cache(maxsize=64)
def _carries_on(text: str, clause: Clause) -> bool:
    return _CARRIES.search(text, clause.start, clause.end) is not None


def _names_other_line(marks: Marks, clause: Clause, amount: Measured, lines: Sequence[Line]) -> bool:
    """Return whether a sentence names another line than `lines` before an amount: that is what the amount is of."""
    named = {
        point.line
        for point in within(marks.points, clause.sentence[0], amount.start)
        if isinstance(point.line, Line)
    }
    return bool(named - {*lines, *POWER_LINES})


def _alike(earlier: TakenAmount, amount: Measured) -> bool:
    """Return whether a bare number can be the same measurement again: ohms after ohms, volts after volts."""
    if amount.is_open:
        return earlier.quantity is Quantity.RESISTANCE
    if earlier.quantity is Quantity.RESISTANCE:
        return (
            earlier.amount.is_open or amount.low >= LEAST_OHMS_BARE or amount.number == earlier.amount.number
        )
    return amount.low <= MOST_VOLTS_BARE


def _stands_for_ohms(marks: Marks, clause: Clause, amount: Measured) -> bool:
    """Return whether a bare number can only be the ohms of the pair: called resistance, or 60.4 alone in its clause."""
    text = marks.message.text
    if amount.is_open or amount.quantity is not None:
        return False
    network = within(marks.networks, clause.start, amount.start)
    of_network = network and not any(map(str.isalnum, text[network[-1].end : amount.start]))
    if of_network and _LEAST_PAIR <= amount.low <= _MOST_PAIR:
        return True
    is_nominal = amount.start in marks.not_read and amount.number in NOMINAL_OHMS
    changed = changed_from(text, amount) and _LEAST_PAIR <= amount.low <= _MOST_PAIR
    called = _is_called_resistance(marks, clause, amount) or _is_resistance_of_clause_before(
        marks, clause, amount
    )
    is_of_pair = _LEAST_PAIR <= amount.low <= _MOST_PAIR
    if is_nominal or changed or called or (is_of_pair and _is_labelled_by_what_is_in(marks, clause, amount)):
        return True
    index = last_before(marks.amounts, amount.start + 1)
    following = marks.amounts[index + 1] if index + 1 < len(marks.amounts) else None
    if (
        following
        and following.quantity is Quantity.RESISTANCE
        and _OR_THEN.fullmatch(text, amount.end, following.start)
    ):
        return True
    place = within(marks.places, amount.end, amount.end + _NEAR)
    at = last_before(marks.places, amount.start)
    in_front = at >= 0 and not any(map(str.isalnum, text[marks.places[at].end : amount.start]))
    if (place or in_front) and _LEAST_PAIR <= amount.low <= _MOST_PAIR:
        return True
    start = max((one.end for one in within(marks.amounts, clause.start, amount.start)), default=clause.start)
    end = min((one.start for one in within(marks.amounts, amount.end, clause.end)), default=clause.end)
    before, stated = without_states(marks, start, amount.start)
    behind, stated_behind = without_states(marks, amount.end, end)
    alone = _MEASURED.fullmatch(before) and not any(map(str.isalnum, behind))
    told = "." in amount.number or stated or stated_behind
    return bool(alone and told) and _LEAST_PAIR <= amount.low <= _MOST_PAIR


_PLUGGED_WORDS: Final = rule(
    r"(?:\W|\b(?:with|without|the|only|just|all|everything|nothing|both|modules?|units?|plugs?|in|out|on|off|back|again"
    r"|un-?plugged|plugged|connected|disconnected|removed|pulled|refitted|too|also|as well|and|then|now|alone"
    r"|bus|of|except|but|plug|refit"
    r"|network)\b)*[:=>]\W*",
    re.IGNORECASE,
)


def _is_labelled_by_what_is_in(marks: Marks, clause: Clause, amount: Measured) -> bool:
    """Return whether what stands before an amount is a label of what was plugged: `with ECM in: 121`."""
    text = marks.message.text
    named = within(marks.modules, clause.start, amount.start)
    said = within(marks.unplugged, clause.start, amount.start)
    if not named and not said:
        return False
    inside = [*((one.start, one.end) for one in named), *((one.start, one.end) for one in said)]
    rest = "".join(
        " " if any(first <= at < last for first, last in inside) else text[at]
        for at in range(clause.start, amount.start)
    )
    return _PLUGGED_WORDS.fullmatch(rest) is not None


def _is_resistance_of_clause_before(marks: Marks, clause: Clause, amount: Measured) -> bool:
    """Return whether an amount alone is what the clause before speaks of: `the resistance I did measure, 62`."""
    text = marks.message.text
    if any(map(str.isalnum, text[clause.start : amount.start] + text[amount.end : clause.end])):
        return False
    before = within(marks.clauses, clause.sentence[0], clause.start)
    told = before and not within(marks.amounts, before[-1].start, before[-1].end)
    return bool(told and _OF_RESISTANCE.search(text, before[-1].start, before[-1].end))


_MEASURED: Final = rule(
    r"\W*(?:(?:i|we|it|get|got|have|had|reads?|measured?|sees?|shows?|is|was|now|only|still|about|here|today|meter"
    r"|the|my|and|then|if|when|went|goes|go|to|took|take|comes|came|back|up|down|drops|dropped|jumps|jumped"
    r"|climbs|climbed|rises"
    r"|rose|resistance|bus|network|can|total|loop|gives?|gave|getting|first|second|third|next|last|reading|value"
    r"|measurement)"
    r"\b\W*){0,6}",
    re.IGNORECASE,
)
_NEAR: Final = 9
_LEAST_PAIR: Final = 40
_MOST_PAIR: Final = 140
"""Ohms that a pair shows with three terminators, or with one (ISO 11898-2: two of 120 ohm), about."""


_OR_THEN: Final = rule(r"\s?(?:then|or|and|now|/|goes to|drops to|jumps to)\s{1,2}(?:then )?", re.IGNORECASE)
AT_MODULE: Final = rule(r"(?: dc)? (?:at|on|to|across|in) (?:the |its )?", re.IGNORECASE)


def _feed_of(marks: Marks, clause: Clause, amount: Measured) -> str | None:
    """Return the module that volts right before its name are the supply of, `12.1 V at the amp`, or that has them."""
    leads = AT_MODULE.match(marks.message.text, amount.end)
    named = within(marks.modules, leads.end(), leads.end() + 1) if leads else ()
    if named:
        return named[0].name if amount.low > _LEAST_SUPPLY and not _plug_at(marks, named[0]) else None
    at = last_before(marks.modules, amount.start)
    before = marks.modules[at] if at >= 0 else None
    has = before and _HAS.fullmatch(marks.message.text, before.end, amount.start)
    return before.name if before and has and amount.low > _LEAST_SUPPLY else None


def _could_feed(amount: Measured) -> bool:
    """Return whether a bare number with a point can only be the volts of a supply (12 V, common practice)."""
    return amount.quantity is None and "." in amount.number and _LEAST_FEED <= amount.low <= _MOST_FEED


_LEAST_FEED: Final = 9.0
_MOST_FEED: Final = 15.5
_HAS: Final = rule(
    r"(?: unit| module| ecu)? (?:has|have|gets|got|sees)(?: got)? (?:only |its |the )?", re.IGNORECASE
)
_LEAST_SUPPLY: Final = 3.5
"""Volts; less than this at a module is as likely a bus line as its supply (ISO 11898-2: lines up to 3.5 V)."""


def _plug_at(marks: Marks, module: Named) -> bool:
    return any(place.end > module.end for place in within(marks.places, module.start, module.start + 1))
