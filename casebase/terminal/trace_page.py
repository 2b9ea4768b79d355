"""A frame close up on the screen: both lines drawn in characters, with what is said of the frame."""

from __future__ import annotations

from typing import Final

import numpy as np

from casebase.intake.capture.trace import Part, Trace
from casebase.terminal.page import Page

ROWS: Final = 9
_LETTERS: Final = ("h", "l")
_BOTH: Final = "="


def print_frame(trace: Trace, page: Page) -> None:
    """Print the frame of a trace; nothing where there is none."""
    if trace.frame is None:
        return
    drawn = " and ".join(f"{letter}: {line}" for letter, line in zip(_LETTERS, trace.lines, strict=False))
    page.heading(f"Close up: {trace.frame_words} ({drawn})")
    for row in frame_rows(trace.frame, page.width - 12):
        page.line(row, 2)
    begin, end = float(trace.frame.moments[0]), float(trace.frame.moments[-1])
    page.line(f"from {begin * 1e3:.3f} ms to {end * 1e3:.3f} ms", 8)


def frame_rows(part: Part, width: int) -> list[str]:
    """Return a part drawn in `ROWS` lines of text of at most `width` characters behind the volts of the outer ones."""
    low, high = float(part.lowest.min()), float(part.highest.max())
    columns = np.array_split(np.arange(len(part.moments)), min(width, len(part.moments)))
    cells = [[" "] * len(columns) for _ in range(ROWS)]
    for column, places in enumerate(columns):
        for line in range(len(part.lowest)):
            top = _row(float(part.highest[line, places].max()), low, high)
            bottom = _row(float(part.lowest[line, places].min()), low, high)
            for row in range(top, bottom + 1):
                cells[row][column] = _LETTERS[line] if cells[row][column] == " " else _BOTH
    labels = {0: f"{high:.1f} V", ROWS - 1: f"{low:.1f} V"}
    return [f"{labels.get(row, ''):>6} {''.join(cells[row])}".rstrip() for row in range(ROWS)]


def _row(volts: float, low: float, high: float) -> int:
    return round((high - volts) / max(high - low, 1e-9) * (ROWS - 1))
