"""Copies on the screen: what was copied where, what was put in the place of which library."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from casebase.library.backup import BackedUp
from casebase.library.restore import Restored
from casebase.terminal.page import Page


def print_backed_up(made: BackedUp, page: Page) -> None:
    """Print where the copy is, what it holds, and which older ones went."""
    page.line(f"{made.path}: {made.cases} records in {made.bytes} bytes, checked record by record.")
    if made.files:
        page.line(f"{made.files} attached files brought along.")
    for path in made.removed:
        page.line(f"Removed, for all its records stand in this one: {path.name}")
    for path in made.left:
        page.line(f"Left, for it holds records that the library lacks: {path.name}")


def backed_up_data(made: BackedUp) -> dict[str, Any]:
    """Return a copy that was made as plain data."""
    return {
        "file": str(made.path),
        "bytes": made.bytes,
        "records": made.cases,
        "attached_files": made.files,
        "removed": [str(path) for path in made.removed],
        "left": [str(path) for path in made.left],
        "faults": made.faults,
    }


def print_restored(done: Restored, library: Path, copy: Path, page: Page) -> None:
    """Print what the library holds now, and where the one before is."""
    page.line(f"{library}: {done.cases} records, as in {copy}.")
    if done.files:
        page.line(f"{done.files} attached files brought back.")
    if done.aside and done.was_damaged:
        page.line(f"What stood there could not be opened; it is kept as it was: {done.aside}")
    elif done.aside:
        page.line(f"The library before is kept: {done.aside}")
        page.line(f"Go back to it: casebase restore {done.aside} --library {library}")


def restored_data(done: Restored, library: Path) -> dict[str, Any]:
    """Return a library that was restored as plain data."""
    return {
        "library": str(library),
        "records": done.cases,
        "aside": str(done.aside) if done.aside else None,
        "was_damaged": done.was_damaged,
        "attached_files": done.files,
        "faults": done.faults,
    }
