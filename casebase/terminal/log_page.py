"""Logging on the screen: asking for a case, keeping it, and saying what was kept."""

from __future__ import annotations

import json as json_module
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Final

import typer
from rich.console import Console

from casebase.errors import InputError
from casebase.intake.draft import Draft, draft_files, new_draft
from casebase.intake.interview import Interview
from casebase.intake.resume import draft_line, resume
from casebase.intake.script import Beginning
from casebase.library.store import Library, Logged, Outcome
from casebase.record.canonical import plain_data
from casebase.record.case import Case
from casebase.record.remarks import remarks_on
from casebase.record.words import title_of
from casebase.terminal.ask import hold_interview
from casebase.terminal.page import Page

_MOST_SHOWN: Final = 20


def log_by_asking(
    library: Library, drafts: Path, page: Page, author: str | None, case_id: str | None
) -> None:
    """Ask for one record, or go on with a draft or an open job, and keep it in `library`.

    The draft goes only when the library has confirmed the record.
    """
    interview, draft = _begin(library, drafts, author, case_id)
    case = hold_interview(interview, draft, Console(highlight=False, markup=False, emoji=False))
    if case is None:
        return
    case = case.model_copy(update={"id": interview.beginning.case_id})
    logged = library.log([case])
    print_logged(logged, [case], page)
    page.line(f"Pictures and text files go with it by casebase attach {logged[0].case_id} FILE", 4)
    draft.remove()


def _begin(
    library: Library, drafts: Path, author: str | None, case_id: str | None
) -> tuple[Interview, Draft]:
    today = date.today()
    if case_id is not None:
        kept = library.get(case_id)
        beginning = Beginning(today, kept.case.kind, author, None, plain_data(kept.case), kept.case_id)
        return Interview(beginning, today), new_draft(drafts)
    left = draft_files(drafts)
    chosen = _chosen_draft(left) if left else None
    if chosen is not None:
        return resume(chosen, today)
    return Interview(Beginning(today, author=author, shop=library.last_shop()), today), new_draft(drafts)


def _chosen_draft(left: list[Path]) -> Path | None:
    """Return the draft that the person wants to go on with; None for a new record."""
    typer.echo("Left unfinished:")
    for number, path in enumerate(left, start=1):
        typer.echo(f"  {number}  {draft_line(path)}")
    while True:
        try:
            answer = input("Go on with which one? A number, or Enter for a new record: ").strip()
        except EOFError:
            raise InputError("no answer: type the number of a draft, or Enter for a new record") from None
        if not answer:
            return None
        if answer.isdecimal() and 1 <= int(answer) <= len(left):
            return left[int(answer) - 1]
        typer.echo(f"'{answer}' is none of these: expected 1 to {len(left)}, or Enter for a new record.")


def print_logged_json(logged: list[Logged]) -> None:
    """Print what became of each record as JSON."""
    typer.echo(json_module.dumps([asdict(one) for one in logged], ensure_ascii=False, indent=2))


def print_logged(logged: list[Logged], cases: list[Case], page: Page) -> None:
    """Say what became of each record, and what to look at twice."""
    for one, case in list(zip(logged, cases, strict=True))[:_MOST_SHOWN]:
        page.line(f"{_said(one)}: {title_of(case)}", 0, 4)
        for remark in remarks_on(case) if one.outcome is not Outcome.ALREADY_THERE else []:
            page.line(f"- {remark}", 4, 6)
    if len(logged) > _MOST_SHOWN:
        kept = sum(one.outcome is not Outcome.ALREADY_THERE for one in logged)
        page.line(f"... {len(logged)} records given, {kept} kept, {len(logged) - kept} already there.")


def _said(one: Logged) -> str:
    if one.outcome is Outcome.REVISED:
        return f"Kept as revision {one.revision} of {one.case_id}"
    return f"{'Already there' if one.outcome is Outcome.ALREADY_THERE else 'Kept'} as {one.case_id}"
