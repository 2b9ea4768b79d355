"""What every page in the terminal is set with: headings, labelled lines, entries; and bars for long work, on stderr.

Plain text: no boxes, no colour that carries meaning alone, so that it reads the same when piped or printed. A bar is
shown where somebody watches, nothing where nobody does.
"""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Iterable
from types import TracebackType
from typing import TYPE_CHECKING, Final, Self

from rich.console import Console

from casebase.errors import shown

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

LABEL_WIDTH: Final = 10
WIDEST: Final = 110
_NARROWEST: Final = 40

MOST_NAMED: Final = 12
"""Entries of a list that are named; of the others is said how many they are."""

WORTH_A_BAR: Final = 100
"""Fewer things than this are done before anybody has read the bar."""


class Page:
    """Prints blocks of text, wrapped with a hanging indent."""

    def __init__(self, console: Console | None = None) -> None:
        self._console = console or Console(highlight=False, markup=False, emoji=False)

    @property
    def width(self) -> int:
        """The columns in use."""
        return max(_NARROWEST, min(WIDEST, self._console.width))

    def heading(self, text: str) -> None:
        """Print a heading with an empty line before it."""
        self._console.print(f"\n{shown(text)}", style="bold", markup=False, highlight=False)

    def as_they_are(self, lines: Iterable[str]) -> None:
        """Print lines that are set already; the first is a heading."""
        for number, text in enumerate(lines):
            style = None if number else "bold"
            self._console.print(shown(text), style=style, markup=False, highlight=False, soft_wrap=True)

    def line(self, text: str = "", indent: int = 0, hang: int | None = None) -> None:
        """Print one paragraph; its further lines are indented by `hang`."""
        further = " " * (indent if hang is None else hang)
        wrapped = textwrap.wrap(
            shown(text),
            self.width,
            initial_indent=" " * indent,
            subsequent_indent=further,
            break_on_hyphens=False,
        )
        for part in wrapped or [""]:
            self._console.print(part, markup=False, highlight=False, soft_wrap=True)

    def unbroken(self, text: str, indent: int = 0) -> None:
        """Print one line as it is, such as of a drawing."""
        self._console.print(f"{' ' * indent}{shown(text)}", markup=False, highlight=False, soft_wrap=True)

    def labelled(self, label: str, text: str, indent: int = 2) -> None:
        """Print a label and its text beside it; nothing where there is no text."""
        if text:
            beside = indent + LABEL_WIDTH
            self.line(f"{label:<{LABEL_WIDTH - 1}} {' '.join(text.split())}", indent, beside)

    def bullets(self, label: str, texts: Iterable[str], indent: int = 2) -> None:
        """Print a label once and each text on a line of its own beside it."""
        for index, text in enumerate(texts):
            self.labelled("" if index else label, text, indent)


def _progress(*, counts: bool) -> Progress:
    """Return a bar with its words, and how many of how many where things are counted."""
    from rich.progress import (  # noqa: PLC0415  most commands are done before a bar is worth it
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
    )

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        *([MofNCompleteColumn()] if counts else []),
    )
    return Progress(*columns, console=Console(stderr=True), transient=True, disable=not sys.stderr.isatty())


class Counted:
    """A bar over things that are counted; it comes with the first and goes with the last."""

    def __init__(self, title: str, worth_from: int = WORTH_A_BAR) -> None:
        self._title = title
        self._worth_from = worth_from
        self._progress: Progress | None = None
        self._task: TaskID | None = None

    def tell(self, done: int, whole: int) -> None:
        """Take note that `done` of `whole` are done."""
        if whole < self._worth_from:
            return
        if self._progress is None or self._task is None:
            self._progress = _progress(counts=True)
            self._task = self._progress.add_task(self._title, total=whole)
            self._progress.start()
        self._progress.update(self._task, completed=done)
        if done >= whole:
            self._progress.stop()
            self._progress = self._task = None


class Shared:
    """A bar over a share from 0 to 1, with words that say what is being done. Use as a context manager."""

    def __init__(self) -> None:
        self._progress: Progress | None = None
        self._task: TaskID | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._progress is not None:
            self._progress.stop()

    def tell(self, words: str, share: float) -> None:
        """Take note that a share of the work is done; the first words are said even where there is no bar."""
        if self._progress is None or self._task is None:
            if not sys.stderr.isatty():
                print(f"{words} ...", file=sys.stderr)
            self._progress = _progress(counts=False)
            self._task = self._progress.add_task(words, total=1.0)
            self._progress.start()
        self._progress.update(self._task, completed=share, description=words)
