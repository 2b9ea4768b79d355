"""The picture of a capture: each line from its lowest to its highest volts, over the whole time and in one frame.

What a healthy line shows at rest and driven stands at the right edge as hatched strips. The first line is drawn solid,
the second as an outline, so that they are told apart without colour; the words say the same to who has it read out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Final

import numpy as np
from markupsafe import Markup

from casebase.bus.media import Band, expected_bands
from casebase.intake.capture.trace import Part, Trace
from casebase.record.vocabulary import Line
from casebase.site import svg as shapes

WIDTH: Final = 360.0
LEFT: Final = 30.0
RIGHT: Final = 300.0
HEIGHT: Final = 168.0
TEXT: Final = 13.0
_TOP: Final = 8.0
_BOTTOM: Final = 22.0
_STRIPS: Final = {"recessive": 310.0, "dominant": 336.0}
_STRIP_WIDTH: Final = 10.0
_LEAST_DRAWN: Final = 1.2
"""A line that stands still is drawn this high."""


@dataclass(frozen=True)
class VoltScale:
    """From volts to places of the drawing, the lowest at the bottom."""

    lowest: float
    highest: float

    def place(self, volts: float) -> float:
        """Return how far down some volts are drawn."""
        return _TOP + (self.highest - volts) / (self.highest - self.lowest) * (HEIGHT - _TOP - _BOTTOM)

    def figures(self) -> range:
        """Return the whole volts that are written beside the drawing."""
        step = max(1, math.ceil((self.highest - self.lowest) / 7))
        return range(math.ceil(self.lowest), math.floor(self.highest) + 1, step)


def trace_picture(trace: Trace) -> Markup:
    """Return the picture of a trace as HTML: a figure with one drawing for each part, and its words."""
    scale = _scale_of(trace)
    drawn = [_drawing(trace, trace.whole, scale), _words("p", _whole_words(trace))]
    if trace.frame is not None:
        drawn += [_drawing(trace, trace.frame, scale), _words("p", _frame_words(trace, trace.frame))]
    return shapes.element("figure", Markup("\n").join(drawn), class_="tr-picture")


def _whole_words(trace: Trace) -> str:
    spans = "; ".join(
        f"{line} from {trace.whole.lowest[row].min():.2f} to {trace.whole.highest[row].max():.2f} V"
        for row, line in enumerate(trace.lines)
    )
    expected = "; ".join(
        f"{band.line} {band.label} {band.low:.2f} to {band.high:.2f} V" for band in _expected(trace)
    )
    return f"The whole capture, {_time(_seconds(trace.whole))}: {spans}. Expected: {expected}."


def _frame_words(trace: Trace, frame: Part) -> str:
    begins = _time(float(frame.moments[0]))
    return f"From {begins} on, {_time(_seconds(frame))}: {trace.frame_words}."


def _words(tag: str, text: str) -> Markup:
    return shapes.element(tag, text, class_="tr-words")


def _drawing(trace: Trace, part: Part, scale: VoltScale) -> Markup:
    parts = [_strip(band, scale) for band in _expected(trace)]
    parts += _strip_names(trace, scale)
    parts += [_figure(volts, scale) for volts in scale.figures()]
    parts += [_line(part, row, scale) for row in range(len(trace.lines))]
    parts += [_name(line, part, row, scale) for row, line in enumerate(trace.lines)]
    return shapes.element(
        "svg",
        Markup("\n").join(parts),
        class_="tr-drawing",
        viewBox=f"0 0 {WIDTH:.0f} {HEIGHT:.0f}",
        font_size=TEXT,
        fill="currentColor",
        aria_hidden="true",
        focusable="false",
    )


def _expected(trace: Trace) -> list[Band]:
    return [
        band for band in expected_bands(trace.medium) if band.line in trace.lines and band.label in _STRIPS
    ]


def _strip(band: Band, scale: VoltScale) -> Markup:
    left = _STRIPS[band.label]
    return shapes.strip(left, left + _STRIP_WIDTH, scale.place(band.high), scale.place(band.low))


def _strip_names(trace: Trace, scale: VoltScale) -> list[Markup]:
    """Return a word below the strips of each level; of two that stand beside each other no words meet."""
    lowest = {band.label: band.low for band in sorted(_expected(trace), key=lambda band: -band.low)}
    return [
        shapes.words_at(
            _STRIPS[label] + _STRIP_WIDTH / 2,
            scale.place(lowest[label]) + TEXT,
            words,
            class_="lv-quiet",
            text_anchor="middle",
        )
        for label, words in (("recessive", "rest"), ("dominant", "driven"))
        if label in lowest
    ]


def _figure(volts: int, scale: VoltScale) -> Markup:
    y = scale.place(volts)
    tick = shapes.path(f"M{LEFT - 4:.1f} {y:.1f}h4", class_="lv-scale")
    return tick + shapes.words_at(LEFT - 7, y + 4, f"{volts}", class_="lv-figure", text_anchor="end")


def _line(part: Part, row: int, scale: VoltScale) -> Markup:
    """Return one line as the strip between its lowest and highest volts: the first filled, the second an outline."""
    places = np.linspace(LEFT, RIGHT, len(part.moments) + 1).tolist()
    tops = [scale.place(volts) for volts in part.highest[row]]
    bottoms = [
        max(scale.place(volts), top + _LEAST_DRAWN) for volts, top in zip(part.lowest[row], tops, strict=True)
    ]
    steps = (
        f"M{LEFT:.0f} {_short(bottoms[0])}{_steps(tops, places[1:])}{_steps(bottoms[::-1], places[-2::-1])}z"
    )
    outline = {"fill": "currentColor"} if row == 0 else {"fill": "none", "stroke": "currentColor"}
    return shapes.element("path", d=steps, class_=f"tr-line-{row}", **outline)


def _steps(heights: Sequence[float], ends: Sequence[float]) -> str:
    """Return stairs: at each height until its end; what goes on at the same height is one step."""
    steps = []
    for height, told in groupby(zip(heights, ends, strict=True), key=lambda pair: _short(pair[0])):
        *_, (_, end) = told
        steps.append(f"V{height}H{_short(end)}")
    return "".join(steps)


def _short(place: float) -> str:
    return f"{place:.1f}".removesuffix(".0")


def _name(line: Line, part: Part, row: int, scale: VoltScale) -> Markup:
    """Return the name of a line, above the first and below the second, clear of both."""
    if row == 0:
        y = scale.place(float(part.highest[row].max())) - 4
    else:
        y = scale.place(float(part.lowest[row].min())) + TEXT
    return shapes.words_at(
        RIGHT, min(max(y, TEXT), HEIGHT - _BOTTOM + 8), str(line), class_="lv-line", text_anchor="end"
    )


def _scale_of(trace: Trace) -> VoltScale:
    parts = [trace.whole, *([trace.frame] if trace.frame else [])]
    bands = _expected(trace)
    lowest = min([0.0, *(float(part.lowest.min()) for part in parts), *(band.low for band in bands)])
    highest = max([1.0, *(float(part.highest.max()) for part in parts), *(band.high for band in bands)])
    return VoltScale(lowest, highest)


def _seconds(part: Part) -> float:
    """Return how long a part is: one moment more than from the first to the last."""
    count = len(part.moments)
    return float(part.moments[-1] - part.moments[0]) * count / max(count - 1, 1)


def _time(seconds: float) -> str:
    for unit, factor in (("s", 1.0), ("ms", 1e3)):
        if seconds * factor >= 1.0:
            return f"{seconds * factor:.4g} {unit}"
    return f"{seconds * 1e6:.4g} us"
