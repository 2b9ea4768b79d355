"""The codes of a stuck job: a scan report of any layout or plain codes, as one text, and back."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from casebase.errors import CodeError
from casebase.intake.scan_report import Finding, ScanReport, read_report
from casebase.record.case import CodeEntry
from casebase.record.codes import TroubleCode, parse_code
from casebase.record.fields import LONGEST_NAME

MOST_CODES: Final = 200
"""More than a whole vehicle stores; a longer list is a log, not one scan."""

MOST_UNREAD_TOLD: Final = 5

Entry = dict[str, str]

_BAR: Final = "|"
_BETWEEN_CODES: Final = re.compile(r"\s*[,;\n]\s*")
_NO_CODE: Final = "no trouble code in it: expected a scan report, or codes such as U0121-00 or SPN 639 FMI 9"


@dataclass
class TypedCodes:
    """What a text of codes holds: entries as in a record, modules it calls silent, (text, what was expected)."""

    entries: list[Entry] = field(default_factory=list)
    silent: list[str] = field(default_factory=list)
    problems: list[tuple[str, str]] = field(default_factory=list)


def read_codes(text: str) -> TypedCodes:
    """Return what a text of codes holds, in time linear in its length; nothing makes it raise."""
    if not text.strip():
        return TypedCodes()
    plain = _barred_rows(text) or _plain_codes(text)
    typed = TypedCodes(plain) if plain else _from_report(text, read_report(text))
    return _each_once(typed)


def codes_text(entries: Iterable[CodeEntry]) -> str:
    """Return codes as a text that reads back as the same modules, codes and statuses."""
    wanted = [_entry(one.module, one.code, one.status) for one in entries][:MOST_CODES]
    for write in (_as_scan_line, _as_barred_row):
        text = "\n".join(write(entry) for entry in wanted)
        if read_codes(text) == TypedCodes(wanted):
            return text
    return text


def _barred_rows(text: str) -> list[Entry]:
    """Return the entries of rows `module | code | status`; none unless every line is one."""
    rows = [line.split(_BAR) for line in text.split("\n") if line.strip()]
    if any(len(row) != 3 for row in rows):
        return []
    codes = [_parsed(code) for _, code, _ in rows]
    return [
        _entry(row[0], code, row[2]) for row, code in zip(rows, codes, strict=True) if code and all(codes)
    ]


def _plain_codes(text: str) -> list[Entry]:
    """Return the codes of a list of nothing but codes; none if anything else stands in it."""
    found = []
    for spelled in _BETWEEN_CODES.split(text.strip()):
        code = _parsed(spelled) if spelled else None
        if spelled and code is None:
            return []
        found += [_entry(None, code, None)] if code else []
    return found


def _from_report(text: str, report: ScanReport) -> TypedCodes:
    problems = [
        (line, f"line {number} looks like a code and cannot be read: correct it, or delete the line")
        for number, line in report.unread[:MOST_UNREAD_TOLD]
    ]
    more = len(report.unread) - len(problems)
    if more > 0:
        problems.append(("", f"{more} lines more look like codes and cannot be read"))
    if not (report.findings or report.silent_modules or report.unread):
        problems.append((text, _why_no_code(text)))
    silent = [name for name in map(_one_line, report.silent_modules) if name]
    return TypedCodes([_found(finding) for finding in report.findings], silent, problems)


def _why_no_code(text: str) -> str:
    """Return what is wrong with a text without codes; a single word is told by the grammar it misses."""
    if len(text.split()) > 1:
        return _NO_CODE
    try:
        parse_code(text.strip())
    except CodeError as error:
        return str(error)
    return _NO_CODE


def _each_once(typed: TypedCodes) -> TypedCodes:
    """Return the same without repetitions, and no more codes than a job may have."""
    kept = {(one["code"], one.get("module"), one.get("status")): one for one in reversed(typed.entries)}
    entries = list(reversed(kept.values()))
    problems = typed.problems
    if len(entries) > MOST_CODES:
        said = f"{len(entries):,} codes: the first {MOST_CODES} are used; paste only the scan that belongs to this job"
        problems = [*problems, ("", said)]
    return TypedCodes(entries[:MOST_CODES], typed.silent, problems)


def _found(finding: Finding) -> Entry:
    entry = _entry(finding.module, finding.code, finding.status)
    text = _one_line(finding.text or "")
    return entry | {"text": text} if text else entry


def _entry(module: str | None, code: TroubleCode, status: str | None) -> Entry:
    texts = {"module": _one_line(module or ""), "code": _spelled(code), "status": _one_line(status or "")}
    return {key: text for key, text in texts.items() if text}


def _one_line(text: str) -> str:
    return " ".join(text.split())[:LONGEST_NAME].strip()


def _spelled(code: TroubleCode) -> str:
    return code.text if code.occurrences is None else f"{code.text} OC {code.occurrences}"


def _parsed(text: str) -> TroubleCode | None:
    try:
        return parse_code(text)
    except CodeError:
        return None


def _as_scan_line(entry: Entry) -> str:
    module = f"{entry['module']}: " if "module" in entry else ""
    return f"{module}{entry['code']} {entry.get('status', '')}".strip()


def _as_barred_row(entry: Entry) -> str:
    cells = (entry.get(key, "").replace(_BAR, "/") for key in ("module", "code", "status"))
    return f" {_BAR} ".join(cells)
