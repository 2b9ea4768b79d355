"""A message read whole: its readings, codes, modules and the rest, each with its phrase, and what was left as story.

Lines that look like a scan report are read by the reader of reports, all others by the rules of this folder.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from casebase.intake.plain_words.circumstances import (
    Vehicles,
    clause_words,
    conditions_in,
    lamps_in,
    not_so_in,
    trials_in,
    vehicle_in,
)
from casebase.intake.plain_words.marks import Marks
from casebase.intake.plain_words.mended import mended
from casebase.intake.plain_words.points import Point
from casebase.intake.plain_words.readings import readings_in, waveforms_in
from casebase.intake.plain_words.told_codes import codes_found, codes_said
from casebase.intake.plain_words.told_of_modules import SILENT, modules_said
from casebase.intake.plain_words.written import LONGEST_MESSAGE, Span, Written, written
from casebase.intake.scan_codes import codes_in_line
from casebase.intake.scan_line import bare, heading_of, is_silence, silent_in, unknown_heading
from casebase.intake.scan_report import Finding, ScanReport, read_report
from casebase.record.codes import TroubleCode
from casebase.record.modules import module_identity, module_key
from casebase.record.vocabulary import Medium

Data = dict[str, Any]


_UNSEEN: Final = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200b-\u200f\u202a-\u202e\u2028\u2029\u2066-\u2069\ufeff\ud800-\udfff]"
)
"""Control characters, marks without width that turn the direction of text, halves of characters (Unicode UAX 9)."""

LONGEST_PASTE: Final = 50_000
"""Characters of a message with a scan report in it; of the rest `LONGEST_MESSAGE`."""

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
        kinds = {"readings", "codes", "silent", "answers", "lamps", "trials"}
        return any(item.kind in kinds for item in self.items)

    @property
    def medium(self) -> Medium | None:
        """The network that the message names, or that its pins tell."""
        named: list[Item] = self.of("medium")
        return Medium(named[0].data) if named else None


def understood_from(message: str, vehicles: Vehicles = ()) -> Understood:
    """Return what a message says; `vehicles` are the makes and models to look for. No text makes it raise."""
    message = _UNSEEN.sub(" ", message.replace("\r\n", "\n").replace("\r", "\n"))
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


# --- lines of a scan report -------------------------------------------------------------------------------------------

_LEAST_REPORT_LINES: Final = 2
_MEASURED: Final = re.compile(r"[0-9] ?(?:k|m)?(?:ohms?|\u03a9|v|volts?)\b", re.IGNORECASE)


def _parted(message: str) -> tuple[str, str]:
    """Return the lines of a scan report, the others blank, and the message without those lines."""
    lines = message.split("\n")
    is_report = [_is_report_line(line) for line in lines] if len(lines) > 1 else []
    if sum(is_report) < _LEAST_REPORT_LINES or not any(codes_in_line(line) for line in lines):
        return "", message
    first = is_report.index(True)
    last = len(is_report) - 1 - is_report[::-1].index(True)
    within = [
        first <= at <= last and (told or not _MEASURED.search(lines[at])) for at, told in enumerate(is_report)
    ]
    report = "\n".join(line if taken else "" for line, taken in zip(lines, within, strict=True))
    prose = "\n".join(line for line, taken in zip(lines, within, strict=True) if not taken)
    return report, prose


def _is_report_line(line: str) -> bool:
    """Return whether a line begins with a code or a module's name as a scan report's does."""
    if not line.strip():
        return False
    codes = codes_in_line(line)
    if codes:
        before = bare(line[: codes[0].start])
        return not before or module_key(before) is not None or before[:1].isdigit()
    if is_silence(line):
        return bool(silent_in(line)) and len(line) <= _LONGEST_OF_REPORT
    return bool(heading_of(line) or unknown_heading(line))


_LONGEST_OF_REPORT: Final = 60


def read_pasted(text: str) -> ScanReport:
    """Return what a pasted scan report says; of one that is written in words, such as "U0101 from ECM and ABS", too.

    Lines are read as those of a report where they look like one, and the whole as words where they do not.
    """
    report = read_report(text)
    in_lines, _ = _parted(text[:LONGEST_PASTE])
    if in_lines or len(text) > LONGEST_MESSAGE:
        return report
    message = mended(written(text))
    codes = codes_found(message)
    told = [one for one in codes_said(Marks(message), codes) if not one.is_denied]
    named = {one.found.start for one in told if one.module}
    if len(named) < sum(finding.module is not None for finding in report.findings):
        return report
    statuses = {finding.code.text: (finding.status, finding.text) for finding in report.findings}
    findings = [
        Finding(
            one.module,
            one.found.code,
            *statuses.get(one.found.code.text, (None, None)),
            message.text.count("\n", 0, one.found.start) + 1,
        )
        for one in told
    ]
    silent = [said.name for said in modules_said(Marks(message), codes) if said.answers == SILENT]
    return ScanReport(findings, report.unread, list(dict.fromkeys((*report.silent_modules, *silent))))


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
    lines = report.split("\n")
    found = read_report(report) if report else None
    for finding in found.findings if found else []:
        taken.items.append(Item("codes", _code_of(finding), " ".join(lines[finding.line - 1].split())))
    for name in found.silent_modules if found else []:
        taken.items.append(Item(SILENT, name, _line_naming(lines, name)))
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


def _line_naming(lines: list[str], name: str) -> str:
    return next((" ".join(line.split()) for line in lines if name in line and is_silence(line)), name)


def _code_of(finding: Finding) -> Data:
    status = {"status": finding.status} if finding.status else {}
    return code_entry(finding.module, finding.code) | status


def code_entry(module: str | None, code: TroubleCode) -> Data:
    """Return a code as an entry of a record."""
    spelled = code.text if code.occurrences is None else f"{code.text} OC {code.occurrences}"
    return ({"module": module} if module else {}) | {"code": spelled}


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
