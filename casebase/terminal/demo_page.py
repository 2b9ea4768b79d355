"""What the demonstration says before and after its job."""

from __future__ import annotations

from casebase.library.store import Library
from casebase.terminal.page import Page


def print_demo_start(library: Library, page: Page) -> None:
    """Print what this is."""
    page.line(f"Demonstration: {library.count()} invented records. No real vehicle, shop or person.")


def print_demo_end(library: Library, jobs: list[str], page: Page) -> None:
    """Print how to go on."""
    page.heading("Try it")
    page.labelled("jobs", f"casebase demo --job NAME, with one of {', '.join(jobs)}")
    page.labelled("cases", f"casebase list --library {library.path}")
    page.labelled("yours", "casebase log (kept in your own library, apart from these)")
