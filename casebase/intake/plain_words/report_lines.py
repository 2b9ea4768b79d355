"""Lines of a scan report in a message, and a report that is pasted alone: read by the reader of reports."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any, Final

from casebase.intake.plain_words.lists_of_modules import ANSWERS, SILENT
from casebase.intake.plain_words.marks import Marks
from casebase.intake.plain_words.mended import mended
from casebase.intake.plain_words.told_codes import Data, code_entry, codes_found, codes_said
from casebase.intake.plain_words.told_of_modules import modules_said
from casebase.intake.plain_words.written import LONGEST_MESSAGE, LONGEST_PASTE, rule, written
from casebase.intake.scan_codes import codes_in_line
from casebase.intake.scan_line import bare, heading_of, is_silence, silent_in, unknown_heading
from casebase.intake.scan_report import Finding, ScanReport, read_report
from casebase.record.modules import module_key

_LEAST_REPORT_LINES: Final = 2
_MEASURED: Final = rule(r"[0-9] ?(?:k|m)?(?:ohms?|\u03a9|v|volts?)\b", re.IGNORECASE)


def parted(message: str) -> tuple[str, str]:
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
    in_lines, _ = parted(text[:LONGEST_PASTE])
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


def told_in_lines(report: str) -> Iterator[tuple[str, Any, str]]:
    """Yield (kind, data, phrase) of each code and each silent module that the lines of a report tell."""
    lines, found = report.split("\n"), read_report(report)
    for finding in found.findings:
        yield "codes", _code_of(finding), " ".join(lines[finding.line - 1].split())
    for name in found.silent_modules:
        yield SILENT, name, _line_naming(lines, name)
    for line in lines:
        answered = _ANSWERED.match(line)
        if answered and module_key(answered["name"]):
            yield ANSWERS, answered["name"], " ".join(line.split())


_ANSWERED: Final = rule(
    r"\W{0,8}(?:[0-9A-F]{2}\W{1,3})?(?P<name>[^\W\d][\w/-]{1,20}(?: [\w/-]{2,20}){0,2}?)[\s.:=|-]{1,40}"
    r"(?:ok|pass(?:ed)?|online|present|communicat(?:es|ing)|responds?|responding|alive|no (?:faults?|codes?|dtcs?)"
    r"|0 (?:faults?|codes?|dtcs?))\b",
    re.IGNORECASE,
)
"""A line of a report whose module answered."""


def _line_naming(lines: list[str], name: str) -> str:
    return next((" ".join(line.split()) for line in lines if name in line and is_silence(line)), name)


def _code_of(finding: Finding) -> Data:
    status = {"status": finding.status} if finding.status else {}
    return code_entry(finding.module, finding.code) | status
