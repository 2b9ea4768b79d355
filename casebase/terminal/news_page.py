"""News on the screen: the question that stands open, the case that may explain it, and why."""

from __future__ import annotations

from collections.abc import Sequence

from casebase.library.news import News
from casebase.terminal.page import Page


def print_news(found: Sequence[News], page: Page) -> None:
    """Print every piece of news, the newest first."""
    if not found:
        page.line("No news: no case that arrived later explains an open question well.")
        return
    for one in found:
        _print_one(one, page)
    page.line()
    page.line(
        "It may still be another fault: prove it on the vehicle. What was read goes with: casebase news --read"
    )


def _print_one(one: News, page: Page) -> None:
    page.heading(f"{_capital(one.what)} {one.open_case}: {' '.join(one.open_title.split())}")
    page.labelled("asked by", one.asked_by or "", 4)
    sender = f", sent by {one.sent_by}" if one.sent_by else ""
    page.line(f"may be explained by {one.new_case}: {one.new_title}{sender}", 2, 4)
    page.labelled("cause", one.cause, 4)
    page.bullets("because", one.agree, 4)
    page.bullets("differs", one.differ, 4)
    page.labelled("read", f"casebase show {one.new_case}", 4)
    page.labelled("told", f"{one.found_at[:10]}{f', read {one.read_at[:10]}' if one.read_at else ''}", 4)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
