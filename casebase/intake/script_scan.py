"""The scan in the interview: a report pasted as a whole or codes typed, which modules answer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from casebase.errors import InputError
from casebase.intake.plain_words.report_lines import read_pasted
from casebase.intake.question import Asked, Data, Known, Question, Script
from casebase.intake.scan_report import Finding, ScanReport, read_report
from casebase.intake.vehicle_lines import read_modules
from casebase.record.fields import LONGEST_NAME
from casebase.record.modules import same_module
from casebase.record.vocabulary import Answers

_UNREAD_SHOWN: Final = 5


def ask_scan(data: Data) -> Asked:
    """Ask for the scan report as a whole, show what was found; return the modules it calls silent."""
    codes: list[Data] = data.setdefault("codes", [])
    report: ScanReport | None = yield Question(
        "scan.report",
        "scan",
        "Scan report or codes, then an empty line (Enter: none)",
        _report,
        example="BCM U0121-00 confirmed",
        help="The whole report, any layout, blank lines too. What is found is shown before it is kept. An empty line"
        " that nothing follows ends it, or a line with a single . alone.",
        several_lines=True,
    )
    if report is None:
        return []
    left_out, added = (yield _right_question(report)) or (set(), [])
    kept = [finding for number, finding in enumerate(report.findings, 1) if number not in left_out]
    codes += [_code_entry(finding) for finding in (*kept, *added)]
    return report.silent_modules


def _report(text: str) -> ScanReport:
    report = read_pasted(text)
    if not report.findings and not report.silent_modules:
        raise InputError("no trouble code was found in that: paste it again, type the codes, or Enter alone")
    return report


def _right_question(report: ScanReport) -> Question:
    count = len(report.findings)

    def read(text: str) -> tuple[set[int], list[Finding]]:
        if text.casefold() == "all":
            return set(range(1, count + 1)), []
        entries = set(text.replace(",", " ").split())
        numbers = {int(entry) for entry in entries if entry.isdecimal() and len(entry) < 6}
        if len(numbers) == len(entries) and numbers <= set(range(1, count + 1)):
            return numbers, []
        added = [] if numbers else read_report(text.replace(",", "\n")).findings
        if not added:
            raise InputError(f"expected numbers of the list above, 1 to {count}, or all; or a code to add")
        return set(), added

    return Question(
        "scan.right",
        "scan",
        "Right? (Enter: yes; numbers to leave out; or codes to add)",
        read,
        example="2 5, or BCM U0155 pending",
        help="To replace a code that was read wrongly: leave it out here, then back and type it in the report.",
        notes=_found_lines(report),
    )


def _found_lines(report: ScanReport) -> tuple[str, ...]:
    lines = []
    for number, finding in enumerate(report.findings, 1):
        status = f" {finding.status}" if finding.status else ""
        text = f" ({finding.text})" if finding.text else ""
        module = finding.module or "module not named"
        lines.append(f"{number}. {module}: {finding.code.text}{status}{text}")
    if report.silent_modules:
        lines.append(f"No answer from: {', '.join(report.silent_modules)}")
    lines += [f"Not read, line {number}: {text}" for number, text in report.unread[:_UNREAD_SHOWN]]
    if len(report.unread) > _UNREAD_SHOWN:
        lines.append(f"Not read: {len(report.unread) - _UNREAD_SHOWN} more lines")
    return tuple(lines)


def _code_entry(finding: Finding) -> Data:
    texts = {
        "module": finding.module,
        "code": finding.code.text,
        "status": finding.status,
        "text": finding.text,
    }
    return {key: _printable(text)[:LONGEST_NAME] for key, text in texts.items() if text and _printable(text)}


def _printable(text: str) -> str:
    """Return `text` without the control characters that come with pasting from a terminal."""
    return " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())


def ask_modules(data: Data, silent: Sequence[str], known: Known) -> Script:
    """Ask which modules do not answer the tester; what the scan said is offered, one that stores codes answers."""
    modules: list[Data] = data.setdefault("modules", [])
    before = [module["name"] for module in modules]
    new = [name for name in silent if not any(same_module(name, other) for other in before)]
    told: dict[str, str] | None = yield Question(
        "modules",
        "modules",
        "Modules that do not answer (several: with ,)",
        read_modules,
        example="ABS, TCM at times, BCM answers",
        help="A module that stores codes in the scan is taken to answer, unless you name it here.",
        default=", ".join(new) or None,
        known=known.modules,
    )
    answers = dict(told or {})
    for name in dict.fromkeys(entry["module"] for entry in data.get("codes", ()) if "module" in entry):
        if not any(same_module(name, other) for other in (*answers, *before)):
            answers[name] = str(Answers.YES)
    for name, how in answers.items():
        there = next((module for module in modules if same_module(module["name"], name)), None)
        if there is None:
            modules.append({"name": name, "answers": how})
        else:
            there["answers"] = how
