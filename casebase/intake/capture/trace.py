"""The trace of a capture: few enough figures for a picture, of the whole capture and of one frame close up.

A trace is a small text file that lies with the case: lines of comma-separated values, per part and moment the lowest
and the highest volts of each line until the next moment. Any program that draws tables can draw it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.errors import CaptureError
from casebase.intake.capture.can_frames import Frame
from casebase.intake.capture.facts import CaptureFacts, Told, facts_of, telling
from casebase.intake.capture.open_capture import open_capture
from casebase.intake.capture.samples import BLOCK, Capture, Tell, Wanted
from casebase.record.vocabulary import LINES_OF_MEDIUM, Line, Medium

ENDING: Final = ".trace.csv"
MOMENTS: Final = 300
"""Per part: two to three moments for each point of a phone's screen (judged)."""

LARGEST_CHARACTERS: Final = 200_000
_FIRST_LINE: Final = "# casebase trace 1"
_WHOLE, _FRAME = "whole", "frame"
_AROUND_BITS: Final = 3
_BEFORE_FAULT_BITS, _AFTER_FAULT_BITS = 13, 7
_LINE_OF_PART: Final = re.compile(r"(whole|frame)((?:,-?[0-9]{1,9}\.[0-9]{1,3}){3,5})")
_HEAD: Final = re.compile(r"# (medium|lines|frame): ([^\n\r]{1,200})")


@dataclass(frozen=True)
class Part:
    """A stretch of time: `moments` in seconds, and per line one row of lowest and one of highest volts."""

    moments: NDArray[np.float64]
    lowest: NDArray[np.float64]
    highest: NDArray[np.float64]


@dataclass(frozen=True)
class Trace:
    """What is drawn of a capture: all of it, and one frame, with what is said of that frame."""

    medium: Medium
    lines: tuple[Line, ...]
    whole: Part
    frame: Part | None = None
    frame_words: str = ""


def read_with_trace(
    path: Path,
    medium: Medium | None = None,
    wanted: Wanted | None = None,
    tell: Told | None = None,
    second: Path | None = None,
) -> tuple[CaptureFacts, Trace | None]:
    """Read a capture whole, as `read_capture` does, and its trace; None where volts are not known."""
    with (
        np.errstate(all="ignore"),
        open_capture(path, wanted, telling(tell, "Reading the file"), second) as capture,
    ):
        facts = facts_of(capture, medium, tell)
        return facts, trace_of(capture, facts, tell) if facts.volts_known else None


def trace_of(capture: Capture, facts: CaptureFacts, tell: Told | None = None) -> Trace:
    """Return the trace of an open capture: the first broken frame close up, else the first one."""
    lines = tuple(line.line for line in facts.levels.lines)
    order = facts.rows
    whole = _part(capture, 0, capture.count, order, telling(tell, "Drawing"))
    step = capture.seconds_per_sample
    frame = next(iter(facts.broken(1)), None)
    if frame is None and facts.can is not None and len(facts.can.frames):
        frame = facts.can.frames.frame(0, step)
    if frame is None:
        return Trace(facts.medium, lines, whole)
    first, last = _looked_at(frame, 1.0 / facts.can.rate.per_second if facts.can else 0.0)
    begin, end = max(0, round(first / step)), min(capture.count, round(last / step) + 1)
    words = f"{frame.name()}, {frame.fault_words()}"
    return Trace(facts.medium, lines, whole, _part(capture, begin, end, order), words)


def _looked_at(frame: Frame, bit_seconds: float) -> tuple[float, float]:
    """Return when the close-up begins and ends: about twenty bits around a fault, else the frame."""
    if frame.whole or frame.fault_bit < 0:
        return (
            frame.starts_seconds - _AROUND_BITS * bit_seconds,
            frame.ends_seconds + _AROUND_BITS * bit_seconds,
        )
    fault = min(frame.starts_seconds + (frame.fault_bit + 0.5) * bit_seconds, frame.ends_seconds)
    return fault - _BEFORE_FAULT_BITS * bit_seconds, fault + _AFTER_FAULT_BITS * bit_seconds


def trace_text(trace: Trace) -> str:
    """Return a trace as the text that is kept."""
    head = [_FIRST_LINE, f"# medium: {trace.medium}", f"# lines: {','.join(trace.lines)}"]
    head += [f"# frame: {trace.frame_words}"] if trace.frame is not None else []
    columns = [f"{line} {end}" for line in trace.lines for end in ("lowest", "highest")]
    head.append(",".join(["part", "microseconds", *columns]))
    parts = [(_WHOLE, trace.whole), *([(_FRAME, trace.frame)] if trace.frame is not None else [])]
    return "\n".join([*head, *(row for name, part in parts for row in _rows(name, part))]) + "\n"


def trace_from(text: str, name: str = "trace") -> Trace:
    """Return the trace that a text holds; raise `CaptureError` where it is none."""
    lines = text.splitlines()
    if len(text) > LARGEST_CHARACTERS or not lines or lines[0] != _FIRST_LINE:
        raise CaptureError(f"{name}: not a trace: expected '{_FIRST_LINE}' in its first line")
    told = {found[1]: found[2] for line in lines if (found := _HEAD.fullmatch(line))}
    try:
        medium = Medium(told["medium"])
        named = tuple(Line(one) for one in told["lines"].split(","))
    except (KeyError, ValueError):
        raise CaptureError(f"{name}: a trace that names no medium or no lines of one") from None
    if not set(named) <= set(LINES_OF_MEDIUM[medium]):
        raise CaptureError(f"{name}: a trace whose lines are none of {medium}")
    parts = _parts(lines, len(named), name)
    if _WHOLE not in parts:
        raise CaptureError(f"{name}: a trace without a figure in it")
    return Trace(medium, named, parts[_WHOLE], parts.get(_FRAME), told.get(_FRAME, ""))


def is_row(line: str) -> bool:
    """Return whether a line of a trace holds figures and nothing else."""
    return _LINE_OF_PART.fullmatch(line) is not None


def _parts(lines: Sequence[str], count: int, name: str) -> dict[str, Part]:
    rows: dict[str, list[list[float]]] = {}
    for number, line in enumerate(lines, start=1):
        if line.startswith(("#", "part,")):
            continue
        found = _LINE_OF_PART.fullmatch(line)
        values = [float(text) for text in found[2].split(",")[1:]] if found else []
        if found is None or len(values) != 1 + 2 * count:
            raise CaptureError(f"{name}: line {number}: expected a part, a time and two volts per line")
        rows.setdefault(found[1], []).append(values)
    tables = {part: np.array(values) for part, values in rows.items()}
    return {
        part: Part(table[:, 0] / 1e6, table[:, 1::2].T.copy(), table[:, 2::2].T.copy())
        for part, table in tables.items()
    }


def _rows(name: str, part: Part) -> Iterator[str]:
    for place, moment in enumerate(part.moments):
        volts = (
            f"{value:.2f}"
            for low, high in zip(part.lowest[:, place], part.highest[:, place], strict=True)
            for value in (low, high)
        )
        yield ",".join([name, f"{moment * 1e6:.3f}", *volts])


def _part(
    capture: Capture,
    begin: int,
    end: int,
    order: Sequence[int],
    tell: Tell | None = None,
) -> Part:
    """Return lowest and highest volts of each line per moment, between two places of a capture."""
    edges = np.unique(np.linspace(begin, end, min(MOMENTS, end - begin) + 1).astype(np.int64))
    lowest = np.empty((len(order), len(edges) - 1))
    highest = np.empty_like(lowest)
    for place, (first, last) in enumerate(pairwise(edges)):
        low, high = _extremes(capture, int(first), int(last))
        lowest[:, place], highest[:, place] = low[list(order)], high[list(order)]
        if tell:
            tell(int(last) - begin, end - begin)
    moments = np.asarray(edges[:-1] * capture.seconds_per_sample, dtype=np.float64)
    return Part(moments, lowest, highest)


def _extremes(capture: Capture, first: int, last: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    low = np.full(capture.channels, math.inf)
    high = np.full(capture.channels, -math.inf)
    for start in range(first, last, BLOCK):
        rows = capture.read(start, min(start + BLOCK, last))
        low, high = np.minimum(low, rows.min(axis=1)), np.maximum(high, rows.max(axis=1))
    return low, high
