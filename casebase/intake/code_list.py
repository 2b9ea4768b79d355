"""A list of trouble codes explained: what each says, who blames whom, which speak of the network."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from casebase.intake.scan_report import ScanReport, read_report
from casebase.record.blame import speaks_of_network, who_blames_whom
from casebase.record.codes import TroubleCode, parse_code
from casebase.record.modules import module_label

Entry = tuple[str | None, TroubleCode, str | None]


def explained_codes(texts: Iterable[str]) -> dict[str, Any]:
    """Return what the codes typed say; raise `CodeError` for the first that fits no known form."""
    return _told([(None, parse_code(text), None) for text in texts], ScanReport([], [], []))


def explained_report(text: str) -> dict[str, Any]:
    """Return what the codes in a scan report of any layout say, with what could not be read."""
    report = read_report(text)
    return _told([(found.module, found.code, found.status) for found in report.findings], report)


def _told(entries: list[Entry], report: ScanReport) -> dict[str, Any]:
    blame = who_blames_whom((module, code) for module, code, _ in entries)
    return {
        "codes": [_code_row(*entry) for entry in entries],
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
    }


def _code_row(module: str | None, code: TroubleCode, status: str | None) -> dict[str, Any]:
    return {
        "module": module,
        "code": code.text,
        "status": status,
        "system": str(code.system),
        "statement": str(code.statement),
        "about": code.about,
        "scope": "speaks of the network" if speaks_of_network(code) else "local to a circuit or module",
        "meaning": code.meaning,
    }
