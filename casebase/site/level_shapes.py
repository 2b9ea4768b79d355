"""The plain shapes of a level picture as SVG: text, strips, scales, and a mark for each stage of the job."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from markupsafe import Markup, escape

from casebase.record.vocabulary import Stage
from casebase.site.level_labels import Label, Word

RADIUS: Final = 5.0
_HATCH_STEP: Final = 5.0


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
