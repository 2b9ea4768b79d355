"""The level picture: one ruler per line, what is expected as a hatched strip, every reading a mark with its value.

The drawing is for eyes; beside it stands a list with one sentence per mark for who has the page read out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from markupsafe import Markup

from casebase.bus.explain import HEALTHY_OHMS, SUM_MEANING, band_words, healthy_words, sentences, sum_words
from casebase.bus.levels import (
    Lane,
    Levels,
    Mark,
    OhmRuler,
    VoltRuler,
    levels_of,
    share_of_ohms,
    share_of_volts,
)
from casebase.record.reading import Reading
from casebase.record.vocabulary import Medium, Stage
from casebase.site import svg as shapes
from casebase.site.svg import EDGE, GAP, RADIUS, TEXT, WIDTH, Label, beside, caption_place, printed, width_of

LEFT: Final = 12.0
RIGHT: Final = 336.0
"""Where the scales begin and end: their last figure, with its unit, needs room beyond it."""

LINE: Final = 16.0
_LEAST_STRIP: Final = 3.0
_NEAR: Final = 50.0
_STAGES: Final = {
    Stage.AS_FOUND: "as found",
    Stage.ISOLATION: "isolating",
    Stage.AFTER_REPAIR: "after repair",
}
_STEPS: Final = {5: 1, 15: 5, 30: 10, 60: 20}
_OHM_FIGURES: Final = ("0.1", "1", "10", "100", "1k", "10k", "100k", "1M", "OL")


@dataclass
class _Sheet:
    """What is drawn so far, and how far down it reaches."""

    y: float = 2.0
    parts: list[Markup] = field(default_factory=list)

    def add(self, *parts: Markup) -> None:
        self.parts.extend(parts)


@dataclass(frozen=True)
class _Strip:
    """What is expected, between two places of the scale."""

    left: float
    right: float
    caption: str


@dataclass(frozen=True)
class _Placed:
    """A mark, between two places of the scale; the same one twice where no range was read."""

    mark: Mark
    left: float
    right: float

    @property
    def middle(self) -> float:
        return (self.left + self.right) / 2

    def label(self, strip: _Strip | None) -> Label:
        """Return the label, clear of the strip where that ends near the mark."""
        where = f"at {self.mark.at}{f', {self.mark.beside}' if self.mark.beside else ''}"
        left, right = self.left, self.right
        if strip and strip.left - GAP <= left and right <= strip.right + GAP:
            left = min(left, strip.left + RADIUS) if left - strip.left <= _NEAR else left
            right = max(right, strip.right - RADIUS) if strip.right - right <= _NEAR else right
        return beside(left, right, self.mark.value, where)


def level_picture(readings: Sequence[Reading], medium: Medium) -> Markup | None:
    """Return the picture of the levels that `readings` of one bus show, as HTML; None where none can be drawn."""
    levels = levels_of(readings, medium)
    if not levels.has_volts and not levels.ohms:
        return None
    sheet = _Sheet()
    _draw_legend(sheet, levels)
    if levels.has_volts:
        for ruler in levels.rulers:
            _draw_volts(sheet, ruler, levels.top_volts)
        _draw_sums(sheet, levels)
    for ohms in levels.ohms:
        _draw_ohms(sheet, ohms)
    return shapes.element("figure", _drawing(sheet) + _told(levels), class_="lv-picture")


def _drawing(sheet: _Sheet) -> Markup:
    return shapes.element(
        "svg",
        Markup("\n").join(sheet.parts),
        class_="lv-drawing",
        viewBox=f"0 0 {WIDTH:.0f} {sheet.y + 2:.0f}",
        font_size=TEXT,
        fill="currentColor",
        aria_hidden="true",
        focusable="false",
    )


def _told(levels: Levels) -> Markup:
    """Return one sentence per mark, for who does not see the drawing."""
    told = (shapes.element("li", printed(sentence)) for sentence in sentences(levels))
    title = shapes.element("p", "Levels, mark by mark:")
    return shapes.element("figcaption", title + shapes.element("ul", Markup("").join(told)), class_="lv-told")


def _draw_legend(sheet: _Sheet, levels: Levels) -> None:
    """Say which mark is which, for the stages that occur, and what the strips are."""
    stages = {mark.stage for mark in levels.marks}
    entries = [(shapes.mark(stage, 0.0, 0.0), words) for stage, words in _STAGES.items() if stage in stages]
    entries.append((shapes.strip(-6.0, 6.0, -7.0, 7.0), "expected"))
    x = LEFT
    for drawn, words in entries:
        if x + GAP + width_of(words) > WIDTH:
            x, sheet.y = LEFT, sheet.y + LINE + 4
        moved = shapes.element("g", drawn, transform=f"translate({x:.1f} {sheet.y + 8:.1f})")
        sheet.add(moved, shapes.words_at(x + GAP + 1, sheet.y + 13, words, class_="lv-quiet"))
        x += width_of(words) + 2.5 * GAP
    sheet.y += 18


def _draw_volts(sheet: _Sheet, ruler: VoltRuler, top_volts: float) -> None:
    if not ruler.marks and not ruler.bands:
        return
    _draw_heading(sheet, ruler.line)
    for number, lane in enumerate(ruler.lanes()):
        sheet.y += 5 if number else 0
        _draw_lane(sheet, lane, top_volts)
    last = int(top_volts)
    figures = [(volts / top_volts, str(volts)) for volts in range(0, last + 1, _STEPS[last])]
    _draw_scale(sheet, figures, "V")


def _draw_lane(sheet: _Sheet, lane: Lane, top_volts: float) -> None:
    def place(volts: float) -> float:
        return _place(share_of_volts(volts, top_volts))

    band, scope = lane.band, " on the scope" if lane.on_scope else ""
    caption = f"{band.label}{scope} {band_words(band)}" if band else ""
    strip = _strip(place(band.low), place(band.high), caption) if band else None
    _draw_rows(sheet, strip, [_Placed(mark, place(mark.low), place(mark.high)) for mark in lane.marks])


def _draw_ohms(sheet: _Sheet, ruler: OhmRuler) -> None:
    def place(ohms: float) -> float:
        return _place(share_of_ohms(ohms))

    _draw_heading(sheet, ruler.between)
    healthy = ruler.healthy.ohms if ruler.healthy else None
    caption = f"{HEALTHY_OHMS} {healthy_words(ruler)}"
    strip = _strip(place(healthy.low), place(healthy.high), caption) if healthy else None
    _draw_rows(sheet, strip, [_Placed(mark, place(mark.low), place(mark.high)) for mark in ruler.marks])
    last = len(_OHM_FIGURES) - 1
    _draw_scale(sheet, [(number / last, figure) for number, figure in enumerate(_OHM_FIGURES)], "")


def _draw_heading(sheet: _Sheet, words: str) -> None:
    sheet.y += 26
    sheet.add(shapes.words_at(EDGE, sheet.y - 4, words, class_="lv-line", font_weight="bold"))


def _draw_rows(sheet: _Sheet, strip: _Strip | None, marks: Sequence[_Placed]) -> None:
    """Draw a strip with its caption above, and over it the marks, each in a row of its own."""
    labels = [placed.label(strip) for placed in marks]
    heights = [len(label.lines) * LINE + 5 for label in labels] or [LINE + 5]
    if strip:
        _draw_strip(sheet, strip, sum(heights) + 6)
    bottom = sheet.y + sum(heights) + 4
    if not marks:
        sheet.add(shapes.words_at(EDGE, sheet.y + 17, "not read", class_="lv-quiet"))
    for placed, label, height in zip(marks, labels, heights, strict=False):
        _draw_mark(sheet, placed, label)
        sheet.y += height
    sheet.y = bottom


def _draw_strip(sheet: _Sheet, strip: _Strip, height: float) -> None:
    x = caption_place(strip.left, strip.caption)
    sheet.add(shapes.words_at(x, sheet.y + 13, strip.caption, class_="lv-quiet"))
    sheet.y += LINE + 3
    sheet.add(shapes.strip(strip.left, strip.right, sheet.y, sheet.y + height))
    sheet.y += 2


def _draw_mark(sheet: _Sheet, placed: _Placed, label: Label) -> None:
    y = sheet.y + 12
    if placed.right > placed.left:
        sheet.add(shapes.spread(placed.left, placed.right, y))
    if placed.mark.number < 0:
        sheet.add(shapes.arrow(placed.middle - 6, y))
    sheet.add(shapes.mark(placed.mark.stage, placed.middle, y), shapes.label_at(label, y + 5, LINE))


def _draw_scale(sheet: _Sheet, figures: Sequence[tuple[float, str]], unit: str) -> None:
    """Draw the ruler's edge; the unit stands behind its last figure."""
    sheet.add(shapes.scale([(_place(share), figure) for share, figure in figures], sheet.y))
    beyond = RIGHT + width_of(figures[-1][1]) / 2 + 3
    if unit:
        sheet.add(shapes.words_at(beyond, sheet.y + 18, unit, class_="lv-figure"))
    sheet.y += 22


def _draw_sums(sheet: _Sheet, levels: Levels) -> None:
    """Print the sum of both lines under them, and what it is on a healthy pair."""
    for total in levels.sums:
        sheet.y += LINE + 2
        sheet.add(shapes.words_at(EDGE, sheet.y, sum_words(total), font_weight="bold"))
    if levels.sums:
        sheet.y += LINE + 2
        sheet.add(shapes.words_at(EDGE, sheet.y, SUM_MEANING, class_="lv-quiet"))
        sheet.y += 4


def _place(share: float) -> float:
    return LEFT + share * (RIGHT - LEFT)


def _strip(left: float, right: float, caption: str) -> _Strip:
    """Return a strip wide enough to be seen."""
    return _Strip(left, max(right, left + _LEAST_STRIP), caption)
