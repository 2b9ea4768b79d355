"""The fields of the stuck-job form, read one by one: what fits is handed on, what does not becomes a problem.

The codes are one field: a scan report of any layout, or plain codes.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from casebase.errors import CodeError, InputError
from casebase.intake.answers import check_field
from casebase.intake.plain_words.report_lines import read_pasted
from casebase.intake.scan_report import Finding, ScanReport
from casebase.record.codes import TroubleCode, parse_code
from casebase.record.fields import LONGEST_NAME
from casebase.site.job_given import FieldProblem, Given, clean_text

MOST_OF_A_LIST: Final = 100
"""Modules, lamps or conditions in one field: more than any vehicle has."""

MOST_PROBLEMS: Final = 50
"""Nobody mends more at once."""

_HIDDEN: Final = (
    "held characters that cannot be seen (control characters or direction marks): they were left out; "
    "look whether the rest is right"
)
_NAME: Final = re.compile(r'"([^"\n]*)"|([^\s,;][^,;\n]*)')


MOST_CODES: Final = 200
"""More than a whole vehicle stores; a longer list is a log, not one scan."""

MOST_UNREAD_TOLD: Final = 5

Entry = dict[str, str]

_BAR: Final = "|"
_BETWEEN_CODES: Final = re.compile(r"\s*[,;\n]\s*")
_NO_CODE: Final = "no trouble code in it: expected a scan report, or codes such as U0121-00 or SPN 639 FMI 9"


class FieldReader:
    """Reads the fields of what was given, and keeps what was wrong with them."""

    def __init__(self, given: Given) -> None:
        self.given = given
        self.problems: list[FieldProblem] = []
        self.refused = 0
        self._hiding: set[str] = set()

    def refuse(self, field: str, typed: str, expected: str) -> None:
        """Keep the problem of a text that cannot be used."""
        self.refused += 1
        self.remark(field, typed, expected)

    def remark(self, field: str, typed: str, expected: str) -> None:
        """Keep the problem of a text that can be used in part."""
        self.problems.append(FieldProblem(field, typed, expected))

    def text(self, field: str) -> str:
        """Return the whole text of a field, cleaned; empty where there is none."""
        return self._cleaned(field, "\n".join(self.given.typed(field))).strip()

    def one(self, field: str, path: str, beside: Mapping[str, Any] | None = None) -> str | None:
        """Return the text of a field that holds one, checked as the record's `path`; None where it does not fit."""
        typed = self.given.typed(field)
        if len(set(typed)) > 1:
            self.remark(field, typed[1], "given twice: the first is used; leave one of them empty")
        text = self._cleaned(field, typed[0]).strip() if typed else ""
        return text if text and self.fits(field, text, path, beside) else None

    def names(self, field: str, path: str) -> list[str]:
        """Return the names in a field, separated by commas or lines, each once and checked as the record's `path`."""
        return self.checked(field, names_in(self.text(field)), path)

    def checked(self, field: str, texts: Iterable[str], path: str) -> list[str]:
        """Return those of `texts` that can stand as the record's `path`, as many as a list may hold."""
        once = list(dict.fromkeys(texts))
        if len(once) > MOST_OF_A_LIST:
            expected = (
                f"{len(once):,} entries: the first {MOST_OF_A_LIST} are used; leave out what does not belong"
            )
            self.remark(field, once[MOST_OF_A_LIST], expected)
        return [text for text in once[:MOST_OF_A_LIST] if self.fits(field, text, path)]

    def fits(self, field: str, text: str, path: str, beside: Mapping[str, Any] | None = None) -> bool:
        """Return whether `text` can stand as the record's `path`; keep the problem where it cannot."""
        try:
            check_field(path, text, beside)
        except InputError as error:
            self.refuse(field, text, str(error))
            return False
        return True

    def told(self) -> list[FieldProblem]:
        """Return the problems, no more than somebody can mend."""
        more = len(self.problems) - MOST_PROBLEMS
        rest = FieldProblem(
            "the form", "", f"{more} more problems: put those named so far right, then try again"
        )
        return [*self.problems[:MOST_PROBLEMS], rest] if more > 0 else list(self.problems)

    def _cleaned(self, field: str, typed: str) -> str:
        cleaned = clean_text(typed)
        if field not in self._hiding and _letters(cleaned) < _letters(typed):
            self._hiding.add(field)
            self.remark(field, typed, _HIDDEN)
        return cleaned


def _letters(text: str) -> int:
    """Count what is no space: a line end may come in several spellings."""
    return sum(not letter.isspace() for letter in text)


def names_in(text: str) -> list[str]:
    r"""Return the names in a text, separated by commas, semicolons or lines; quotes hold a name with a comma together.

    >>> names_in('ABS, EPS\n"door module, left"')
    ['ABS', 'EPS', 'door module, left']
    """
    found = (quoted or plain for quoted, plain in _NAME.findall(text))
    return [" ".join(name.split()) for name in found if name.strip()]


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
    typed = TypedCodes(plain) if plain else _from_report(text, read_pasted(text))
    return _each_once(typed)


def _barred_rows(text: str) -> list[Entry]:
    """Return the entries of rows `module | code | status`; none unless every line is one."""
    rows = [line.split(_BAR) for line in text.split("\n") if line.strip()]
    if any(len(row) != 3 for row in rows):
        return []
    codes = [_parsed(code) for _, code, _ in rows]
    return [
        entry_of(row[0], code, row[2]) for row, code in zip(rows, codes, strict=True) if code and all(codes)
    ]


def _plain_codes(text: str) -> list[Entry]:
    """Return the codes of a list of nothing but codes; none if anything else stands in it."""
    found = []
    for spelled in _BETWEEN_CODES.split(text.strip()):
        code = _parsed(spelled) if spelled else None
        if spelled and code is None:
            return []
        found += [entry_of(None, code, None)] if code else []
    return found


def _from_report(text: str, report: ScanReport) -> TypedCodes:
    problems = [
        (line, f"line {number} looks like a code and cannot be read: correct it, or delete the line")
        for number, line in report.unread[:MOST_UNREAD_TOLD]
    ]
    more = len(report.unread) - len(problems)
    if more > 0:
        problems.append(("", f"{more} more lines look like codes and cannot be read"))
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
    entry = entry_of(finding.module, finding.code, finding.status)
    text = _one_line(finding.text or "")
    return entry | {"text": text} if text else entry


def entry_of(module: str | None, code: TroubleCode, status: str | None) -> Entry:
    """Return a code as an entry of a record, with what is known beside it."""
    spelled = code.text if code.occurrences is None else f"{code.text} OC {code.occurrences}"
    texts = {"module": _one_line(module or ""), "code": spelled, "status": _one_line(status or "")}
    return {key: text for key, text in texts.items() if text}


def _one_line(text: str) -> str:
    return " ".join(text.split())[:LONGEST_NAME].strip()


def _parsed(text: str) -> TroubleCode | None:
    try:
        return parse_code(text)
    except CodeError:
        return None
