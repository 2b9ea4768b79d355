"""What the demonstration says before and after its job."""

from __future__ import annotations

from casebase.library.store import Library
from casebase.terminal.page import Page


def print_demo_start(library: Library, page: Page) -> None:
    """Print what this is."""
    page.line(f"Demonstration: {library.count()} invented records. No real vehicle, shop or person.")


def print_demo_end(library: Library, page: Page) -> None:
    """Print how to go on."""
    page.heading("Try it")
    page.line(f"casebase list --library {library.path}", 2)
    page.line("casebase demo --job truck      (seven more jobs lie in demo_cases/jobs/)", 2)
    page.line("casebase log                   (your own cases, kept in your own library)", 2)
