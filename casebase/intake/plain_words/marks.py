"""Everything in a message that readings, codes and modules are made of, each kind in order, found by place."""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final, Protocol, TypeVar

from casebase.intake.plain_words.amounts import Measured, amounts_in
from casebase.intake.plain_words.named_modules import Named, modules_in, unplugged_in
from casebase.intake.plain_words.not_measured import SAID_OF_THIS, is_not_read_here
from casebase.intake.plain_words.not_of_the_bus import is_of_no_line, measures_the_part
from casebase.intake.plain_words.plugs import places_in
from casebase.intake.plain_words.points import BLACK_LEAD, points_in, subjects_in
from casebase.intake.plain_words.states import MediumSaid, media_in, networks_named_in, states_in
from casebase.intake.plain_words.written import Clause, Span, Written, rule
from casebase.record.vocabulary import LINES_OF_MEDIUM, Battery, Ignition, Medium

_CAN: Final = rule(r"\b(?:CAN|can bus)\b(?![- ]?(?:FD|[HLhl]\b))")
"""CAN called by its name alone; the verb is written small."""
_CAN_MAYBE: Final = rule(r"CAN|can bus")


def _without_pins(message: Written, inside: set[int]) -> Written:
    """Return a message whose numbers of pins are none any more, so that `pin 6 - 2.5 V` is no range."""
    text = "".join("~" if at in inside and char.isdigit() else char for at, char in enumerate(message.text))
    return replace(message, text=text)


_ANOTHER_PLACE: Final = rule(
    r"\s*(?:and )?(?:(?:in|on|that of) the\b|(?:the )?(?:(?:front|rear|left|right|inner|outer|other|second|third|next"
    r"|l[fr]|r[fr]|fl|fr|rl|rr|[a-z]+)\s){1,3}[0-9.]+ ?k?(?:ohms?)?\s*$)",
    re.IGNORECASE,
)


class _Placed(Protocol):
    @property
    def start(self) -> int: ...


_Some = TypeVar("_Some", bound=_Placed)


def _start(one: _Placed) -> int:
    return one.start


def within(items: Sequence[_Some], start: int, end: int) -> Sequence[_Some]:
    """Return those of `items`, which stand in order, that begin from `start` to before `end`."""
    return items[bisect_left(items, start, key=_start) : bisect_left(items, end, key=_start)]


def last_before(items: Sequence[_Some], place: int) -> int:
    """Return the index of the last of `items` that begins before `place`; -1 where there is none."""
    return bisect_left(items, place, key=_start) - 1


@dataclass
class Marks:
    """Everything in a message that a reading is made of, in order."""

    message: Written
    modules: list[Named] = field(init=False)
    media: list[MediumSaid] = field(init=False)

    def __post_init__(self) -> None:
        self.modules = modules_in(self.message)
        self.media = media_in(self.message)
        self.networks = networks_named_in(self.message)
        self.places = places_in(self.message)
        self.points = points_in(self.message, {said.medium for said in self.media}, self.places)
        self.subjects = subjects_in(self.message, self.points)
        spans = [(one.start, one.end) for one in self.points] + [(one.start, one.end) for one in self.places]
        spans += [(one.start, one.end) for one in self.networks]
        spans += [match.span() for match in BLACK_LEAD.finditer(self.message.text)]
        inside = {place for start, end in spans for place in range(start, end)}
        self.amounts = [
            one
            for one in amounts_in(_without_pins(self.message, inside), {point.end for point in self.points})
            if one.start not in inside
        ]
        self.states = states_in(self.message)
        said = {place for one in self.states for place in range(one.start, one.end)}
        self.amounts = [one for one in self.amounts if not (one.is_open and one.start in said)]
        self.modules = [one for one in self.modules if one.start not in said]
        lines = [(one.start, one.end) for one in self.points]
        self.amounts = self._of_the_network(lines)
        self.not_read = {one.start for one in self.amounts if self._is_not_read_here(one)}
        self.ohm_states = [one for one in self.states if one.value in (*Battery, Ignition.OFF)]
        self.volt_states = [one for one in self.states if isinstance(one.value, Ignition)]
        self.unplugged = unplugged_in(self.message, self.modules)

    def _of_the_network(self, lines: list[Span]) -> list[Measured]:
        """Return the amounts without those of parts, and without the counts of these: `2 60 ohm resistors`."""
        kept: list[Measured] = []
        dropped: Measured | None = None
        for one in self.amounts:
            clause = self.clause_at(one.start)
            goes_on = (
                dropped
                and (clause.start <= dropped.start or self._is_next_of_list(clause, dropped))
                and dropped.quantity is one.quantity
                and not any(dropped.end <= start < one.start for start, _ in lines)
                and not SAID_OF_THIS.search(self.message.text, dropped.end, one.start)
            )
            same = dropped and measures_the_part(self.message.text, dropped, one)
            if not (goes_on or same or is_of_no_line(self.message.text, clause, one, lines)):
                kept.append(one)
                continue
            dropped = one
            if kept and kept[-1].end == one.start - 1 and kept[-1].quantity is None:
                kept.pop()
        return kept

    def _is_next_of_list(self, clause: Clause, dropped: Measured) -> bool:
        """Return whether a clause goes on with another part: `the resistor in the ECM 118 ohm, in the TCM 121 ohm`."""
        same = clause.sentence[0] <= dropped.start
        return same and _ANOTHER_PLACE.match(self.message.text[: clause.end], clause.start) is not None

    def _is_not_read_here(self, amount: Measured) -> bool:
        return is_not_read_here(self.message.text, self.clause_at(amount.start), amount)

    @cached_property
    def clauses(self) -> list[Clause]:
        """The clauses of the message."""
        return self.message.clauses()

    @cached_property
    def _first_can(self) -> int:
        """Where CAN may first be called by its name."""
        first = _CAN_MAYBE.search(self.message.text)
        return first.start() if first else len(self.message.text)

    @cached_property
    def names_line_of_flexray(self) -> bool:
        """Whether a line of FlexRay is named, whose network need not be."""
        return any(point.line in LINES_OF_MEDIUM[Medium.FLEXRAY] for point in self.points)

    def medium_at(self, place: int) -> Medium | None:
        """Return the network last named before `place`, else the first named behind it."""
        at = last_before(self.media, place + 1)
        if at < 0 and _CAN.search(self.message.text, self._first_can, place):
            return None  # a network named later is another one
        return self.media[max(0, at)].medium if self.media else None

    def clause_at(self, place: int) -> Clause:
        """Return the clause that a place of the message stands in."""
        return self.clauses[max(0, last_before(self.clauses, place + 1))]
