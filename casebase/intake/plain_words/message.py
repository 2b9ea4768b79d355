"""A message read whole: its readings, codes, modules and the rest, each with its phrase, and what was left as story.

Lines that look like a scan report are read by the reader of reports, all others by the rules of this folder.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from casebase.intake.plain_words.circumstances import (
    Vehicles,
    conditions_in,
    lamps_in,
    vehicle_in,
)
from casebase.intake.plain_words.everybody import others_in
from casebase.intake.plain_words.lists_of_modules import SILENT
from casebase.intake.plain_words.marks import Marks
from casebase.intake.plain_words.mended import mended
from casebase.intake.plain_words.points import Point
from casebase.intake.plain_words.readings import readings_in, waveforms_in
from casebase.intake.plain_words.told_codes import code_entry, codes_found, codes_said
from casebase.intake.plain_words.told_of_modules import modules_said
from casebase.intake.plain_words.told_trials import clause_words, not_so_in, trials_in
from casebase.intake.plain_words.written import LONGEST_MESSAGE, LONGEST_PASTE, Span, Written, rule, written
from casebase.record.modules import module_identity
from casebase.record.vocabulary import Medium

_ESCAPES: Final = rule(
    r"(?:\x1b\[|\x9b)[0-?]{0,40}[ -/]{0,4}[@-~]|(?:\x1b[\]PX^_]|\x9d)[^\x07\x1b\x9c]{0,300}(?:\x07|\x1b\\|\x9c)"
    r"|\x1b[ -/]{0,4}[0-Z\\^-~]"
)
"""Colours and orders to a terminal (ECMA-48), which a copied page may hold: their figures are no readings."""
_UNSEEN: Final = rule(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200b-\u200f\u202a-\u202e\u2028\u2029\u2066-\u2069\ufeff\ud800-\udfff]"
)
"""Control characters, marks without width that turn the direction of text, halves of characters (Unicode UAX 9)."""

OTHERS: Final = "others"
"""The kind of what is said of all modules that are not named."""

LONGEST_STORY: Final = 5_000


@dataclass(frozen=True)
class Item:
    """One thing understood: its kind (`readings`, `silent` ...), its data, its phrase, what was taken as usual."""

    kind: str
    data: Any
    phrase: str
    assumed: tuple[str, ...] = ()
    medium: Medium | None = None
    """Of a reading: the network last named where it was read."""


@dataclass
class Understood:
    """What a message says, piece by piece, and what was left of it as story."""

    items: list[Item] = field(default_factory=list)
    story: str = ""
    is_cut: bool = False
    """Whether the message was longer than what is read."""

    def of(self, kind: str) -> list[Item]:
        """Return the items of one kind, in order."""
        return [item for item in self.items if item.kind == kind]

    @property
    def has_evidence(self) -> bool:
        """Whether anything was understood that a case can be compared by, beyond words alone."""
        kinds = {"readings", "codes", "silent", "answers", OTHERS, "lamps", "trials"}
        return any(item.kind in kinds for item in self.items)

    @property
    def medium(self) -> Medium | None:
        """The network that the message names, or that its pins tell."""
        named: list[Item] = self.of("medium")
        return Medium(named[0].data) if named else None


def understood_from(message: str, vehicles: Vehicles = ()) -> Understood:
    """Return what a message says; `vehicles` are the makes and models to look for. No text makes it raise."""
    message = _UNSEEN.sub(" ", _ESCAPES.sub("", message.replace("\r\n", "\n").replace("\r", "\n")))
    report, prose = _parted(message[:LONGEST_PASTE])
    marks = Marks(mended(written(prose)))
    understood = Understood(is_cut=len(prose) > LONGEST_MESSAGE or len(message) > LONGEST_PASTE)
    taken = _Taken(marks.message, understood.items)
    _take_vehicle_and_network(marks, vehicles, taken)
    _take_readings(marks, taken)
    _take_codes_and_modules(marks, report, taken)
    _take_circumstances(marks, taken)
    understood.story = _story(marks, taken.places, prose[LONGEST_MESSAGE:] + message[LONGEST_PASTE:])
    return understood


def _parted(message: str) -> tuple[str, str]:
    """Return the lines of a scan report in a message, and the message without those lines."""
    if "\n" not in message:
        return "", message
    from casebase.intake.plain_words.report_lines import parted  # noqa: PLC0415  one line alone is no report

    return parted(message)


@dataclass
class _Taken:
    """Collects the items, and the places of the message they came from."""

    message: Written
    items: list[Item]
    places: set[int] = field(default_factory=set)

    def add(
        self,
        kind: str,
        data: Any,
        spans: Sequence[Span],
        assumed: tuple[str, ...] = (),
        medium: Medium | None = None,
    ) -> None:
        """Keep an item with the words between its first and its last place."""
        joined = _joined(spans)
        for start, end in joined:
            self.places.update(range(start, end))
        phrase = " ... ".join(self.message.phrase(start, end) for start, end in joined)
        self.items.append(Item(kind, data, phrase, assumed, medium))


_NEAR: Final = 12
"""Characters between two phrases that are shown as one."""


def _joined(spans: Iterable[Span]) -> list[Span]:
    """Return the spans in order, those that stand near each other as one."""
    joined: list[Span] = []
    for start, end in sorted(spans):
        if joined and start - joined[-1][1] <= _NEAR:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((start, end))
    return joined


# --- taking in --------------------------------------------------------------------------------------------------------


def _take_vehicle_and_network(marks: Marks, vehicles: Vehicles, taken: _Taken) -> None:
    told = dict(vehicle_in(marks, vehicles))
    if told:
        spans = [span for one in told.values() for span in one.spans]
        taken.add("vehicle", {key: one.what for key, one in told.items()}, spans)
    media = {said.medium: (said.start, said.end) for said in reversed(marks.media)}
    for medium, span in reversed(media.items()):
        taken.add("medium", str(medium), (span,))
    if not media:
        _take_network_of_pins(marks, taken)


def _take_network_of_pins(marks: Marks, taken: _Taken) -> None:
    """Take the network that the pins of the diagnostic connector tell: ISO 15765-4 and SAE J1939-13 (from memory)."""
    for pins, medium in (({"6", "14"}, Medium.HIGH_SPEED_CAN), ({"C", "D"}, Medium.J1939)):
        subject = next(
            (one for one in marks.subjects if any(_is_pin(point, pins) for point in one.points)), None
        )
        if subject:
            said = (
                f"pins {' and '.join(sorted(pins, key=len))} of the diagnostic connector: taken as {medium}"
            )
            taken.add("medium", str(medium), ((subject.start, subject.end),), (said,))
            return


def _is_pin(point: Point, pins: set[str]) -> bool:
    return point.pin in pins and not point.place


def _take_readings(marks: Marks, taken: _Taken) -> None:
    for told in (*readings_in(marks), *waveforms_in(marks)):
        taken.add("readings", told.data, told.spans, told.assumed, told.medium)


def _take_codes_and_modules(marks: Marks, report: str, taken: _Taken) -> None:
    if report:
        from casebase.intake.plain_words.report_lines import told_in_lines  # noqa: PLC0415  not of one line

        taken.items += [Item(*told) for told in told_in_lines(report)]
    codes = codes_found(marks.message)
    for told in codes_said(marks, codes):
        if told.is_denied:
            taken.add("not", told.found.code.text, told.spans)
        else:
            taken.add("codes", code_entry(told.module, told.found.code), told.spans)
    known = {module_identity(item.data) for item in taken.items if item.kind == SILENT}
    for said in modules_said(marks, codes):
        if module_identity(said.name) not in known:
            taken.add(said.answers, said.name, said.spans)
    names_a_silent = any(item.kind == SILENT for item in taken.items)
    if everybody := others_in(marks.message, names_a_silent):
        taken.add(OTHERS, str(everybody.answer), (everybody.span,))


def _take_circumstances(marks: Marks, taken: _Taken) -> None:
    for kind, told_items in (
        ("lamps", lamps_in(marks.message)),
        ("conditions", conditions_in(marks.message)),
    ):
        said: set[str] = set()
        for told in told_items:
            if str(told.what) not in said:
                said.add(str(told.what))
                taken.add(kind, str(told.what), told.spans)
    for told in trials_in(marks):
        taken.add("trials", told.what.model_dump(mode="json", exclude_defaults=True), told.spans)
    for span in not_so_in(marks.message):
        taken.add("not", marks.message.phrase(*span), (span,))


_FEW_WORDS: Final = 3


def _story(marks: Marks, places: set[int], behind: str) -> str:
    """Return the clauses of which nothing, or not all, was understood, as they were typed."""
    told = [
        marks.message.phrase(clause.start, clause.end)
        for clause in marks.clauses
        if (words := clause_words(marks.message, clause, places)) >= _FEW_WORDS
        or (words and not places.intersection(range(clause.start, clause.end)))
    ]
    story = ", ".join(text.strip(" ,") for text in told if text.strip(" ,"))
    return " ".join([story, *behind.split()]).strip()[:LONGEST_STORY]
