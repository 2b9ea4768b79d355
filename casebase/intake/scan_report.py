"""A pasted scan report of any layout: which module stores which code, which do not answer, what the codes say.

No layout is known here. Codes are found by their grammar; a code belongs to the module named on its line, or to
the last heading that names one. What looks like a code and cannot be read is handed back, not dropped.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any, Final

from casebase.errors import CodeError
from casebase.intake.scan_codes import (
    FoundCode,
    codes_in_line,
    looks_unread,
    status_at_end,
    status_byte_after,
    status_byte_in,
    status_of_cell,
    status_of_section,
)
from casebase.intake.scan_line import (
    Columns,
    bare,
    cells_of,
    columns_of,
    heading_of,
    is_silence,
    label_of,
    module_behind,
    module_in_brackets,
    module_in_front,
    module_storing,
    name_alone,
    name_before_colon,
    name_in_front,
    silent_in,
    unknown_heading,
)
from casebase.record.cautions import cautions_about
from casebase.record.codes import TroubleCode, parse_code
from casebase.record.modules import module_identity, module_key, module_label
from casebase.record.stored_codes import speaks_of_network, who_blames_whom
from casebase.record.trouble_code import parse_status_byte

_LINE_ENDS: Final = re.compile(r"\r\n|\n|\r")
_RULE: Final = re.compile(r"[\s|+=_*#:~-]{2,}")
_LETTER: Final = re.compile(r"[A-Za-z]{2}")
_EDGES: Final = " \t\r\"'-\u2013\u2014:;,|=>"
_LONGEST_TEXT: Final = 500
_LONGEST_UNREAD: Final = 200
_LONGEST_SILENT_LINE: Final = 60
_MOST_WAITING: Final = 50
"""Codes in a row that may wait for their module's name; it bounds the work on a text of any length."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One code of a report: the module storing it (as written), its status, the report's text, its line."""

    module: str | None
    code: TroubleCode
    status: str | None
    text: str | None
    line: int


@dataclass(frozen=True, slots=True)
class ScanReport:
    """What a report says: its codes, lines that look like codes but cannot be read, modules that are silent."""

    findings: list[Finding]
    unread: list[tuple[int, str]]
    silent_modules: list[str]


def read_report(text: str) -> ScanReport:
    """Return what the report says, in time linear in its length; no text makes it raise."""
    reader = _Reader()
    for number, line in enumerate(_LINE_ENDS.split(text), start=1):
        reader.read(number, line)
    return ScanReport(reader.findings, reader.unread, list(reader.silent.values()))


@dataclass(frozen=True, slots=True)
class _Behind:
    """What stands behind a code, up to the next."""

    status: str | None = None
    text: str | None = None
    module: str | None = None
    storing: str | None = None
    next_module: str | None = None


@dataclass
class _Reader:
    """Reads line by line; keeps the heading, table and section that the next line may belong to."""

    findings: list[Finding] = field(default_factory=list)
    unread: list[tuple[int, str]] = field(default_factory=list)
    silent: dict[str, str] = field(default_factory=dict)
    heading: str | None = None
    columns: Columns | None = None
    section_status: str | None = None
    lists_silent: bool = False
    block_start: int = 0
    last_text_line: int = 0
    opens: bool = True
    """Whether the next line is the first of a block."""
    alone: str | None = None
    """A line that may be a module's name, if a rule or a bare code follows."""

    def read(self, number: int, line: str) -> None:
        """Take in one line."""
        if not line.strip():
            self.columns, self.lists_silent, self.block_start = None, False, len(self.findings)
            self.opens = True
            return
        if _RULE.fullmatch(line):
            if self.alone and self.opens:
                self._begin(self.alone)
            return
        opens, self.opens = self.opens, False
        found = codes_in_line(line)
        columns = None if found else columns_of(line)
        if columns:
            self.columns = columns
            return
        row = self.columns.cells(line) if self.columns else {}
        found = found or _codes_in_row(row, line)
        if looks_unread(line, found) or (not found and any(map(str.isdigit, row.get("code", "")))):
            self.unread.append((number, line.strip()[:_LONGEST_UNREAD]))
            self.last_text_line = 0
        if found:
            self._read_codes(number, line, row, found)
        else:
            self._read_other(number, line)
            told = self.last_text_line == number or self.columns
            self.alone = None if told else name_alone(line)
            self.opens = opens and bool(self.alone)

    def _read_codes(self, number: int, line: str, row: dict[str, str], found: list[FoundCode]) -> None:
        if self.alone and not bare(line[: found[0].start]) and not bare(line[found[-1].end :]):
            self._begin(self.alone)
        self.alone = None
        prefix = line[: found[0].start]
        if is_silence(prefix):
            self._add_silent(silent_in(prefix))
            prefix = ""
        front = row.get("module") or module_in_front(prefix)
        named = name_in_front(prefix)
        if row.get("module"):
            self.heading = front
        ends = [code.start for code in found[1:]] + [len(line)]
        behind = [
            _behind(line[code.end : end], code.code, more_follow=end < len(line))
            for code, end in zip(found, ends, strict=True)
        ]
        shared = behind[-1] if not any(rest.text or rest.status for rest in behind[:-1]) else _Behind()
        for found_code, rest in zip(found, behind, strict=True):
            status = status_of_cell(f"status {row.get('status', '')}") or rest.status or shared.status
            module = (
                rest.storing
                or front
                or self.heading
                or rest.module
                or shared.storing
                or shared.module
                or named
            )
            text = row.get("text") or rest.text
            self.findings.append(
                Finding(module, found_code.code, status or self.section_status, text, number)
            )
            front = rest.next_module or front if front or named else None
        self.last_text_line = number

    def _read_other(self, number: int, line: str) -> None:
        name = bare(line)
        if self.lists_silent and module_key(name):
            self._add_silent([name])
            return
        self.lists_silent = False
        if is_silence(line):
            names = silent_in(line)
            self.lists_silent = not names and line.rstrip().endswith(":")
            if not names and not self.lists_silent and self.heading and len(line) <= _LONGEST_SILENT_LINE:
                names = [self.heading]
            self._add_silent(names)
            return
        label = label_of(line)
        if label and self._read_label(*label):
            return
        section = status_of_section(line)
        if section:
            self.section_status = section
            return
        heading = heading_of(line) or unknown_heading(line)
        if heading:
            self._begin(heading)
        else:
            self._read_continuation(number, line)

    def _begin(self, heading: str) -> None:
        self.heading, self.section_status, self.block_start = heading, None, len(self.findings)

    def _add_silent(self, names: list[str]) -> None:
        for name in names:
            self.silent.setdefault(module_identity(name), name)

    def _read_label(self, label: str, value: str) -> bool:
        """Take in a labelled line; return False if it says nothing that belongs to a code or a module."""
        if label in {"module", "system"}:
            if not module_key(value) and (label == "system" or not _LETTER.search(value)):
                return False
            self._name_module(value)
            return True
        if len(self.findings) == self.block_start:
            return False
        if label == "status":
            self._complete_last(status=status_of_cell(f"status {value}") or status_of_cell(value))
        else:
            self._complete_last(text=value[:_LONGEST_TEXT] or None)
        return True

    def _name_module(self, name: str) -> None:
        """Give `name` to the codes just above that have no module yet; else it heads the lines below."""
        first = max(self.block_start, len(self.findings) - _MOST_WAITING)
        waiting = [at for at in range(first, len(self.findings)) if not self.findings[at].module]
        for at in waiting:
            self.findings[at] = replace(self.findings[at], module=name)
        if not waiting:
            self._begin(name)

    def _complete_last(self, status: str | None = None, text: str | None = None) -> None:
        last = self.findings[-1]
        # A section's status is a default: what is said of the code itself outweighs it.
        keeps = last.status and last.status != self.section_status
        self.findings[-1] = replace(
            last, status=last.status if keeps else status or last.status, text=last.text or text
        )

    def _read_continuation(self, number: int, line: str) -> None:
        """Take a line right below a code as its status or its text."""
        if len(self.findings) == self.block_start or number != self.last_text_line + 1:
            return
        status = status_of_cell(bare(line))
        if status:
            self._complete_last(status=status)
            self.last_text_line = number
        elif not self.findings[-1].text:
            rest = _behind(line, self.findings[-1].code)
            self._complete_last(status=rest.status, text=rest.text)
            self.last_text_line = number


def _codes_in_row(row: dict[str, str], line: str) -> list[FoundCode]:
    """Return the code that stands in the columns of a table, where the line itself does not show it."""
    count = row.get("count", "")
    spellings = [f"SPN {row.get('spn', '')} FMI {row.get('fmi', '')}"]
    if count.isdigit():
        spellings.insert(0, f"{spellings[0]} OC {count}")
    for spelling in spellings if "spn" in row else []:
        try:
            return [FoundCode(len(line), len(line), parse_code(spelling))]
        except CodeError:
            continue
    labelled = codes_in_line(f"DTC: {row['code']}") if row.get("code") else []
    return [FoundCode(len(line), len(line), found.code) for found in labelled]


def _behind(segment: str, code: TroubleCode, *, more_follow: bool = False) -> _Behind:
    """Return what the text behind a code says: status, text, and modules named as cells.

    Where more codes follow on the line, a module at its end may be that of the next code.
    """
    after = status_byte_after(segment) if code.failure_type is not None else None
    if after:
        segment = segment[after[1] :]
    cells = cells_of(segment)
    module = module_behind(cells, code)
    announced = name_before_colon(cells, segment)
    for_next = cells[-1] if more_follow and cells and (module_key(cells[-1].text) or announced) else None
    said = {cell: status_of_cell(cell.text) for cell in cells}
    wording = [cell for cell in cells if not said[cell] and cell not in (module, for_next)]
    text, within = _cut_status(segment[wording[0].start : wording[-1].end] if wording else "")
    status = (after[0] if after else None) or ", ".join(dict.fromkeys(filter(None, said.values()))) or within
    return _Behind(
        status=status,
        text=text if _LETTER.search(text) else None,
        module=module.text if module else module_in_brackets(segment, code),
        storing=module_storing(segment),
        next_module=for_next.text if for_next else None,
    )


def _cut_status(text: str) -> tuple[str, str | None]:
    """Return running text without the status it gives, and that status."""
    text = _tidy(text)
    byte, ending = status_byte_in(text), status_at_end(text)
    if byte:
        return _tidy(text[: byte[1]] + text[byte[2] :]), byte[0]
    return (_tidy(text[: ending[1]]), ending[0]) if ending else (text, None)


def _tidy(text: str) -> str:
    text = text.strip(_EDGES)
    for opening, closing in ("()", "[]"):
        if text.count(opening) != text.count(closing):
            text = text.strip(opening + closing).strip(_EDGES)
    return text[:_LONGEST_TEXT]


def explained_codes(texts: Iterable[str]) -> dict[str, Any]:
    """Return what the codes typed say; raise `CodeError` for the first that fits no known form."""
    return _explained([_typed(parse_code(text)) for text in texts], ScanReport([], [], []))


def _typed(code: TroubleCode) -> tuple[str | None, TroubleCode, str | None]:
    """Return a code with the sender and the status that its own spelling tells: `SA 0 SPN ...`, `U0100:87-28`."""
    sender = None if code.source_address is None else f"source address {code.source_address}"
    status = None if code.status_byte is None else parse_status_byte(code.status_byte).describe()
    return sender, code, status


def explained_report(report: ScanReport) -> dict[str, Any]:
    """Return what the codes in a scan report say, with what could not be read."""
    return _explained([(found.module, found.code, found.status) for found in report.findings], report)


def _explained(
    entries: list[tuple[str | None, TroubleCode, str | None]], report: ScanReport
) -> dict[str, Any]:
    blame = who_blames_whom((module, code) for module, code, _ in entries)
    return {
        "codes": [
            {
                "module": module,
                "code": code.text,
                "status": status,
                "system": str(code.system),
                "statement": str(code.statement),
                "about": code.about,
                "scope": "speaks of the network"
                if speaks_of_network(code)
                else "local to a circuit or module",
                "meaning": code.meaning,
                "guess": code.guess,
            }
            for module, code, status in entries
        ],
        "blame": [
            {
                "module": module_label(row.module),
                "kind": row.kind,
                "by": [module_label(reporter) for reporter in row.reporters],
                "codes": [code.text for code in row.codes],
            }
            for row in blame
        ],
        "silent_modules": report.silent_modules,
        "unread": [{"line": line, "text": text} for line, text in report.unread],
        "cautions": cautions_about(_modules_named(entries, report)),
    }


def _modules_named(
    entries: list[tuple[str | None, TroubleCode, str | None]], report: ScanReport
) -> list[str]:
    """Return every module that stores a code, is named by one, or does not answer."""
    named = [name for module, code, _ in entries for name in (module, code.about) if name]
    return [*named, *report.silent_modules]
