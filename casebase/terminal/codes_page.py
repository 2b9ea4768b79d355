"""Trouble codes on the screen: what each says, who blames whom, which speak of the network."""

from __future__ import annotations

from typing import Any

from casebase.terminal.page import Page


def print_codes(told: dict[str, Any], page: Page) -> None:
    """Print what `codes_data` found."""
    for code in told["codes"]:
        stored = f"{code['module']}: " if code["module"] else ""
        status = f" ({code['status']})" if code["status"] else ""
        page.line(f"{stored}{code['code']}{status} - {code['meaning']}", 0, 4)
        page.line(f"{code['statement']}, {code['scope']}; system: {code['system']}", 4)
    _print_blame(told["blame"], page)
    _print_unread(told, page)


def _print_blame(blame: list[dict[str, Any]], page: Page) -> None:
    if blame:
        page.heading("Who is blamed")
    for row in blame:
        kind = "missed" if row["kind"] == "lost" else "its data refused"
        by = f" by {', '.join(row['by'])}" if row["by"] else " (the scan does not say by whom)"
        page.line(f"{row['module']}: {kind}{by} - {', '.join(row['codes'])}", 2, 5)


def _print_unread(told: dict[str, Any], page: Page) -> None:
    if told["silent_modules"]:
        page.heading("No answer")
        page.line(", ".join(told["silent_modules"]), 2)
    if told["unread"]:
        page.heading("Looks like a code, but fits no known form: type it again by hand")
        for row in told["unread"]:
            page.line(f"line {row['line']}: {row['text']}", 2, 5)
