"""One case on the screen, told in the order of the work."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from casebase.library.derived import Kept
from casebase.record.case import Case
from casebase.record.cautions import cautions_of
from casebase.record.outcome_words import fix_words, origin_words, verification_words
from casebase.record.reading import Reading
from casebase.record.remarks import remarks_on
from casebase.record.status import status_of
from casebase.record.vocabulary import Kind
from casebase.record.words import cause_line, codes_by_code, module_line, network_line, reading_line, title_of
from casebase.terminal.job_page import print_cautions
from casebase.terminal.page import Page


def print_case(
    kept: Kept, page: Page, taken_from: str = "", review: str = "", attached: Sequence[str] = ()
) -> None:
    """Print a whole case; `taken_from` tells which other shop sent it, `review` where it stands with the shop lead.

    `attached` are its files, each in one line.
    """
    case = kept.case
    page.heading(title_of(case))
    page.labelled("Case", f"{kept.case_id}, revision {kept.revision}, {status_of(case) or Kind.KNOWN_GOOD}")
    page.labelled("Vehicle", case.vehicle.line())
    page.labelled("From", origin_words(case))
    page.labelled("Sent", taken_from)
    page.labelled("Review", review)
    page.labelled("Note", case.note or "")
    _print_found(case, page)
    _print_work(case, page)
    _print_outcome(case, page)
    if attached:
        page.heading("Attached")
        page.bullets("Files", attached)
    _print_remarks(case, page)
    print_cautions(cautions_of(case), page)


def _print_found(case: Case, page: Page) -> None:
    page.heading("Found")
    page.labelled("Concern", case.concern or "")
    page.bullets("Symptoms", case.symptoms)
    page.labelled("Lamps", ", ".join(case.lamps))
    page.labelled("When", ", ".join(case.conditions))
    page.labelled("Networks", network_line(case))
    page.labelled("Modules", "; ".join(map(module_line, case.modules)))
    page.bullets("Codes", [f"{code.text} {stored} - {code.meaning}" for code, stored in codes_by_code(case)])
    page.bullets("Readings", map(_reading_with_note, case.readings))


def _reading_with_note(reading: Reading) -> str:
    return f"{reading_line(reading)}{f' - {reading.note}' if reading.note else ''}"


def _print_work(case: Case, page: Page) -> None:
    if not case.steps:
        return
    page.heading("Done, step by step")
    for place, step in enumerate(case.steps, start=1):
        minutes = f" ({step.minutes:g} min)" if step.minutes is not None else ""
        page.line(f"{place}. {step.did}{minutes}", 2, 5)
        page.labelled("found", step.found or "", 5)


def _print_outcome(case: Case, page: Page) -> None:
    if not (case.cause or case.fix or case.verification or case.leftover):
        return
    page.heading("Cause, fix, proof")
    if case.cause:
        page.labelled("Cause", cause_line(case.cause))
        page.labelled("Proof", case.cause.proof or "not proven")
    if case.fix:
        page.labelled("Fix", fix_words(case.fix))
    if case.verification:
        page.labelled("Verified", verification_words(case.verification))
    page.labelled("Leftover", case.leftover or "")


def _print_remarks(case: Case, page: Page) -> None:
    remarks = remarks_on(case)
    if remarks:
        page.heading("Kept, but look twice")
        for remark in remarks:
            page.line(f"- {remark}", 2, 4)


def print_revisions(kept: Kept, history: list[dict[str, Any]], page: Page) -> None:
    """Print every revision of a case, the first first."""
    page.line(f"{title_of(kept.case)} ({kept.case_id})")
    for row in history:
        page.line(f"revision {row['revision']}, logged {row['logged_at']}, SHA-256 {row['sha256'][:16]}", 2)
