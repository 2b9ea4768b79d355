"""How a page in the terminal is set: headings, labelled lines, numbered entries, all wrapped to the width.

Plain text: no boxes, no colour that carries meaning alone, so that it reads the same when piped or printed.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import Final

from rich.console import Console

LABEL_WIDTH: Final = 10
WIDEST: Final = 110
_NARROWEST: Final = 40


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
        self._console.print(f"\n{text}", style="bold", markup=False, highlight=False)

    def line(self, text: str = "", indent: int = 0, hang: int | None = None) -> None:
        """Print one paragraph; its further lines are indented by `hang`."""
        further = " " * (indent if hang is None else hang)
        wrapped = textwrap.wrap(
            text, self.width, initial_indent=" " * indent, subsequent_indent=further, break_on_hyphens=False
        )
        for part in wrapped or [""]:
            self._console.print(part, markup=False, highlight=False, soft_wrap=True)

    def labelled(self, label: str, text: str, indent: int = 2) -> None:
        """Print a label and its text beside it; nothing where there is no text."""
        if text:
            beside = indent + LABEL_WIDTH
            self.line(f"{label:<{LABEL_WIDTH - 1}} {' '.join(text.split())}", indent, beside)

    def bullets(self, label: str, texts: Iterable[str], indent: int = 2) -> None:
        """Print a label once and each text on a line of its own beside it."""
        for index, text in enumerate(texts):
            self.labelled("" if index else label, text, indent)

    def verbatim(self, text: str) -> None:
        """Print text as it is."""
        self._console.print(text, markup=False, highlight=False, soft_wrap=True, end="")
