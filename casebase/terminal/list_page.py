"""The list of cases on the screen: every row a sentence."""

from __future__ import annotations

from typing import Any

from casebase.terminal.page import Page


def print_list(rows: list[dict[str, Any]], of_what: str, page: Page) -> None:
    """Print one entry per case, under a line that says how many and of what."""
    if not rows:
        page.line(f"No {of_what}. Log one with casebase log, or loosen the filters.")
        return
    page.line(
        f"{len(rows)} {of_what}"
        if len(rows) != 1
        else f"1 {of_what.replace('records', 'record').replace(' fit', ' fits')}"
    )
    for row in rows:
        vehicle = " ".join(str(row[key]) for key in ("make", "model", "model_year") if row[key])
        state = row["status"] or row["kind"]
        page.line(f"{row['id']}  {row['title']} - {vehicle}, {state}{_ending(row)}", 0, 10)


def _ending(row: dict[str, Any]) -> str:
    sent = row.get("taken_from")
    told = f", from {', '.join(sent['sources'])}" if sent else ""
    return f"{told}; something is left over" if row["leftover"] else told
