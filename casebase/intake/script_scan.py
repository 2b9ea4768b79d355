"""The scan in the interview: a report pasted as a whole, codes one by one, which modules answer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from casebase.errors import InputError
from casebase.intake.answers import field_reader, names_reader
from casebase.intake.question import Asked, Data, Question, Script, put
from casebase.intake.scan_report import Finding, ScanReport, read_report
from casebase.record.codes import parse_code
from casebase.record.fields import LONGEST_NAME
from casebase.record.modules import same_module
from casebase.record.vocabulary import Answers

_UNREAD_SHOWN: Final = 5


def ask_scan(data: Data) -> Asked:
    """Ask for the scan report as a whole, then for codes one by one; return the modules it calls silent."""
    codes: list[Data] = data.setdefault("codes", [])
    report: ScanReport | None = yield Question(
        "scan.report",
        "scan",
        "Scan report: paste it here, then an empty line (Enter alone: none)",
        _report,
        example="BCM U0121-00 confirmed",
        help="The whole report, any layout. What is found is shown before it is kept. A single . ends it too.",
        several_lines=True,
    )
    silent: list[str] = []
    if report is not None:
        silent = report.silent_modules
        left_out = (yield _leave_out_question(report)) or set()
        codes += [
            _code_entry(finding)
            for number, finding in enumerate(report.findings, 1)
            if number not in left_out
        ]
    yield from _ask_codes(codes)
    return silent


def _report(text: str) -> ScanReport:
    report = read_report(text)
    if not report.findings and not report.silent_modules:
        raise InputError(
            "no trouble code was found in that: paste it again, or Enter to type the codes one by one"
        )
    return report


def _leave_out_question(report: ScanReport) -> Question:
    count = len(report.findings)

    def read(text: str) -> set[int]:
        if text.casefold() == "all":
            return set(range(1, count + 1))
        entries = set(text.replace(",", " ").split())
        numbers = {int(entry) for entry in entries if entry.isdecimal() and len(entry) < 6}
        if len(numbers) != len(entries) or not numbers <= set(range(1, count + 1)):
            raise InputError(f"expected numbers of the list above, 1 to {count}, such as '2 5', or all")
        return numbers

    return Question(
        "scan.left_out",
        "scan",
        "Numbers to leave out (Enter: all are right)",
        read,
        example="2 5",
        help="Codes that were read wrongly are left out here and typed one by one afterwards.",
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


def _ask_codes(codes: list[Data]) -> Script:
    """Ask for codes one by one; module and status of the code before are offered again."""
    before: Data = {}
    while True:
        entry: Data = {}
        yield from put(
            entry,
            "code",
            Question(
                f"codes[{len(codes)}].code",
                "scan",
                "Another code (Enter: no more)" if codes else "One code (Enter: none)",
                lambda text: parse_code(text).text,
                example="U0121-00, C1 21 00 or SPN 639 FMI 9",
                so_far=len(codes),
            ),
        )
        if not entry:
            return
        for field, prompt, example in (
            ("module", "Which module stores it", "BCM"),
            ("status", "Its status", "confirmed"),
        ):
            key = f"codes[{len(codes)}].{field}"
            read = field_reader(f"codes[0].{field}")
            question = Question(
                key, "scan", prompt, read, example=example, default=before.get(field), so_far=len(codes)
            )
            yield from put(entry, field, question)
        codes.append(entry)
        before = entry


def ask_modules(data: Data, silent: Sequence[str]) -> Script:
    """Ask which modules answer the tester; what the scan said is offered."""
    modules: list[Data] = data.setdefault("modules", [])
    stored_in = list(dict.fromkeys(entry["module"] for entry in data["codes"] if "module" in entry))
    given: dict[str, str] = {}
    for answers, prompt, offered in (
        (Answers.NO, "Modules that do not answer (several: with ,)", silent),
        (Answers.INTERMITTENT, "Modules that answer only at times", []),
        (Answers.YES, "Modules that do answer", stored_in),
    ):
        not_yet = [name for name in offered if not any(same_module(name, other) for other in given)]
        names = yield Question(
            f"modules.{answers}",
            "modules",
            prompt,
            names_reader("modules[0].name", given),
            example="ABS, EPS",
            default=", ".join(not_yet) or None,
        )
        for name in names or ():
            modules.append({"name": name, "answers": str(answers)})
            given[name] = f"was already given (answers: {answers})"
