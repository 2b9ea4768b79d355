"""The shapes of a drawing as SVG: text, strips, scales, marks; and where the words beside a mark go, in which lines."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup, escape

from casebase.record.vocabulary import Stage

WIDTH: Final = 360.0
"""Width of the picture in its own units."""

TEXT: Final = 14.0
"""Height of all text: 11 pixels where the picture is shown 288 wide, as on a page of 320."""

EDGE: Final = 2.0
GAP: Final = 9.0
MOST_LINES: Final = 4
_NARROW: Final = frozenset("iljtfI.,:;'|!()[] /-")
_BROAD: Final = frozenset("mwMWO@%&")
RADIUS: Final = 5.0
_HATCH_STEP: Final = 5.0


@dataclass(frozen=True)
class Word:
    """A word of a label; `strong` for the value."""

    text: str
    strong: bool = False


@dataclass(frozen=True)
class Label:
    """A label at `x`, running to the right of it or (`ends_there`) up to it."""

    x: float
    lines: tuple[tuple[Word, ...], ...]
    ends_there: bool = False


def width_of(text: str) -> float:
    """Return how wide `text` runs at most in a usual sans-serif face, in the picture's units.

    >>> width_of("2.4 V") < width_of("2.4 volts")
    True
    """
    return TEXT * sum(_ems(character) for character in text)


def printed(text: str) -> str:
    """Return `text` without what no screen prints or what turns the direction of writing."""
    return "".join(character if character.isprintable() else "\ufffd" for character in text)


def beside(left: float, right: float, value: str, words: str) -> Label:
    """Return the label of a mark between `left` and `right`: to its right if it fits, else where there is more room."""
    label = [*_words(value, strong=True), *_words(words)]
    room_right, room_left = WIDTH - EDGE - right - GAP, left - GAP - EDGE
    needed = _width(label)
    to_the_right = needed <= room_right or (needed > room_left and room_right >= room_left)
    room = room_right if to_the_right else room_left
    x = right + GAP if to_the_right else left - GAP
    return Label(x, tuple(_broken(label, room)), ends_there=not to_the_right)


def caption_place(wanted: float, text: str) -> float:
    """Return where a caption begins: at the place wanted, or further left where it would run out."""
    return max(EDGE, min(wanted, WIDTH - EDGE - width_of(text)))


def _ems(character: str) -> float:
    if unicodedata.east_asian_width(character) in "WF" or ord(character) > 0xFFFF:
        return 1.05
    if character in _NARROW:
        return 0.40
    return 1.0 if character in _BROAD else 0.72 if character.isupper() else 0.64


def _words(text: str, *, strong: bool = False) -> list[Word]:
    return [Word(word, strong) for word in printed(text).split(" ") if word]


def _width(words: Sequence[Word]) -> float:
    return sum(width_of(word.text) * (1.12 if word.strong else 1.0) for word in words) + width_of(" ") * max(
        0, len(words) - 1
    )


def _broken(words: Sequence[Word], room: float) -> Iterator[tuple[Word, ...]]:
    """Break words into lines that fit `room`; what is left after the last line becomes an ellipsis."""
    left = list(words)
    for number in range(MOST_LINES):
        line: list[Word] = []
        last = number == MOST_LINES - 1
        while left and _width([*line, left[0]]) <= room:
            line.append(left.pop(0))
        if left and not line:
            line.append(_cut(left, room))
        if left and last:
            line = _shortened(line, room)
        if line:
            yield tuple(line)


def _cut(left: list[Word], room: float) -> Word:
    """Take from the first word, too long for a line, what fits; at least one letter."""
    word = left[0]
    fits = next(
        (n for n in range(len(word.text), 1, -1) if _width([Word(word.text[:n], word.strong)]) <= room), 1
    )
    left[0] = Word(word.text[fits:], word.strong)
    if not left[0].text:
        left.pop(0)
    return Word(word.text[:fits], word.strong)


def _shortened(line: list[Word], room: float) -> list[Word]:
    """Return `line` with an ellipsis at its end, as many letters taken off as that needs."""
    ellipsis = Word("\u2026")
    while len(line) > 1 and _width([*line, ellipsis]) > room:
        line = line[:-1]
    last = line[-1]
    while len(last.text) > 1 and _width([*line[:-1], last, ellipsis]) > room:
        last = Word(last.text[:-1], last.strong)
    return [*line[:-1], Word(f"{last.text}\u2026", last.strong)]


def element(name: str, content: Markup | str = "", /, **attributes: object) -> Markup:
    """Return an element with escaped attributes; `_` in their names stands for `-`, at the end for nothing."""
    told = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(_plain(value))}"' for key, value in attributes.items()
    )
    return Markup(f"<{name}{told}>{escape(content)}</{name}>")


def words_at(x: float, y: float, text: str, **attributes: object) -> Markup:
    """Return one line of text whose letters stand on `y`."""
    return element("text", text, x=x, y=y, **attributes)


def label_at(label: Label, y: float, line_height: float) -> Markup:
    """Return a label with its first line standing on `y`."""
    lines = (
        element("tspan", _spans(line), x=label.x, y=y + number * line_height)
        for number, line in enumerate(label.lines)
    )
    anchor = "end" if label.ends_there else "start"
    return element("text", Markup("").join(lines), class_="lv-label", text_anchor=anchor)


def strip(left: float, right: float, top: float, bottom: float) -> Markup:
    """Return a hatched strip; drawn stroke by stroke, for a pattern would need a name unlike any other on the page."""
    outline = f"M{left:.1f} {top:.1f}V{bottom:.1f}M{right:.1f} {top:.1f}V{bottom:.1f}"
    hatch = "".join(_strokes(left, right, top, bottom))
    return element("g", path(outline, class_="lv-edge") + path(hatch, class_="lv-hatch"), class_="lv-strip")


def path(steps: str, **attributes: object) -> Markup:
    """Return a line along `steps`."""
    return element("path", d=steps, fill="none", stroke="currentColor", **attributes)


def mark(stage: Stage, x: float, y: float) -> Markup:
    """Return the mark of a stage: a filled circle as found, a filled diamond while isolating, an open circle after."""
    if stage is Stage.ISOLATION:
        reach = RADIUS + 1
        steps = f"M{x:.1f} {y - reach:.1f}l{reach:.1f} {reach:.1f}l{-reach:.1f} {reach:.1f}l{-reach:.1f} {-reach:.1f}z"
        return element("path", d=steps, class_="lv-mark lv-isolation", fill="currentColor")
    if stage is Stage.AFTER_REPAIR:
        return element(
            "circle", cx=x, cy=y, r=RADIUS - 0.5, class_="lv-mark lv-after", fill="none",
            stroke="currentColor", stroke_width=2,
        )  # fmt: skip
    return element("circle", cx=x, cy=y, r=RADIUS, class_="lv-mark lv-found", fill="currentColor")


def spread(left: float, right: float, y: float) -> Markup:
    """Return the bar of a reading that was given as a range."""
    ends = f"M{left:.1f} {y - 4:.1f}V{y + 4:.1f}M{right:.1f} {y - 4:.1f}V{y + 4:.1f}"
    return path(f"M{left:.1f} {y:.1f}H{right:.1f}{ends}", class_="lv-spread", stroke_width=2)


def arrow(x: float, y: float) -> Markup:
    """Return a point to the left of a mark that lies below the scale."""
    return path(f"M{x:.1f} {y - 4:.1f}l-4 4l4 4", class_="lv-below", stroke_width=1.5)


def scale(ticks: Sequence[tuple[float, str]], y: float) -> Markup:
    """Return a ruler's edge from the first tick to the last, with their figures below; `ticks`: places and figures."""
    steps = f"M{ticks[0][0]:.1f} {y:.1f}H{ticks[-1][0]:.1f}" + "".join(
        f"M{x:.1f} {y:.1f}v5" for x, _ in ticks
    )
    figures = (words_at(x, y + 18, text, class_="lv-figure", text_anchor="middle") for x, text in ticks)
    return path(steps, class_="lv-scale") + Markup("").join(figures)


def _spans(line: Sequence[Word]) -> Markup:
    """Return a line of a label, its value in strong letters."""
    strong = " ".join(word.text for word in line if word.strong)
    plain = " ".join(word.text for word in line if not word.strong)
    value = element("tspan", strong, class_="lv-value", font_weight="bold") if strong else Markup("")
    return value + escape(f" {plain}" if strong and plain else plain)


def _strokes(left: float, right: float, top: float, bottom: float) -> Iterable[str]:
    """Yield strokes at 45 degrees that fill the strip and stay within it."""
    width, height = right - left, bottom - top
    start = _HATCH_STEP / 2
    while start < width + height:
        x, y = left + min(start, width), top + max(0.0, start - width)
        length = min(x - left, bottom - y)
        if length > 0:
            yield f"M{x:.1f} {y:.1f}l{-length:.1f} {length:.1f}"
        start += _HATCH_STEP


def _plain(value: object) -> str:
    return f"{value:.1f}".removesuffix(".0") if isinstance(value, float) else str(value)
