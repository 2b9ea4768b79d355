"""Logging on the screen: asking for a case, and saying what was kept."""

from __future__ import annotations

import json as json_module
from dataclasses import asdict

import typer

from casebase.library.store import Library, Logged, Outcome
from casebase.record.case import Case
from casebase.record.remarks import remarks_on
from casebase.record.words import title_of
from casebase.terminal.page import Page

_MOST_SHOWN = 20


def ask_for_case(library: Library) -> list[Case]:
    """Hold the interview; an empty list when it was left for later."""
    raise NotImplementedError


def print_logged(logged: list[Logged], cases: list[Case], json: bool, page: Page) -> None:
    """Say what became of each record, and what to look at twice."""
    if json:
        typer.echo(json_module.dumps([asdict(one) for one in logged], ensure_ascii=False, indent=2))
        return
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
