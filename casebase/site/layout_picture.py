"""A network of a layout as a drawing: the trunk downwards, branches beside it, how likely the fault lies at each place.

The shade of a row repeats the number at its end, and silence is a hollow square and a word: nothing is told by colour
alone. Beside the drawing stands a list with one sentence per place for who has the page read out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from markupsafe import Markup

from casebase.bus.layout.drawing import (
    LEAST_WIRE,
    DrawnPlace,
    DrawnPower,
    drawn_places,
    drawn_power,
    per_cent,
)
from casebase.bus.layout.whereabouts import WhereOnNetwork
from casebase.record.layout import Layout, LayoutNetwork, PlaceKind
from casebase.site import svg as shapes
from casebase.site.svg import EDGE, TEXT, WIDTH, printed, width_of

_LEFT: Final = 14.0
_COLUMN: Final = 19.0
_ROW: Final = 25.0
_SECOND: Final = 15.0
_WIRE_ROW: Final = 21.0
_BESIDE: Final = 13.0
_SMALL: Final = 0.82
"""Height of the second line's text, of the first line's."""

SUPPLY_AND_GROUND: Final = "Supply and ground"
"""Stands above the fuses and ground points, which no wire of the drawing leads to."""

_REACH: Final = 5.5
_LEAST_BAR: Final = 3.0


@dataclass
class _Sheet:
    """What is drawn so far: bars behind, lines, then shapes and words; and how far down it reaches."""

    y: float = 4.0
    bars: list[Markup] = field(default_factory=list)
    lines: list[Markup] = field(default_factory=list)
    marks: list[Markup] = field(default_factory=list)

    @property
    def parts(self) -> Iterator[Markup]:
        yield from (*self.bars, *self.lines, *self.marks)


@dataclass(frozen=True)
class _At:
    """Where the shape of a place stands."""

    x: float
    y: float


def layout_picture(
    layout: Layout, network: LayoutNetwork, found: WhereOnNetwork | None = None, *, small: bool = False
) -> Markup | None:
    """Return the drawing of a network as HTML; None where no wire of it is known.

    `small` leaves out the modules at the end of a branch that are neither silent nor likely, and names them instead.
    """
    places = drawn_places(layout, network, found)
    if not places:
        return None
    power = drawn_power(layout, network, found)
    left_out = _left_out(places) if small else {}
    if small:
        power = tuple(one for one in power if one.is_next or (one.probability or 0) >= LEAST_WIRE)
    sheet, at = _Sheet(), dict[int, _At]()
    for index, place in enumerate(places):
        if not any(index in rows for rows in left_out.values()):
            also = [places[row].called for row in left_out.get(index, ())]
            _draw_place(sheet, place, index, at, also)
    if power:
        sheet.y += _SECOND
        sheet.marks.append(
            shapes.words_at(_LEFT - 8, sheet.y + 12, SUPPLY_AND_GROUND, class_="ly-name", font_weight="bold")
        )
        sheet.y += _ROW
    for one in power:
        _draw_power(sheet, one)
    return shapes.element(
        "figure", _drawing(sheet, network) + _told(network, places, power), class_="ly-picture"
    )


def _left_out(places: Sequence[DrawnPlace]) -> dict[int, list[int]]:
    """Return, by the row of the place they leave, the rows of modules that a small drawing only names."""
    parents = {place.row.parent for place in places}
    found: dict[int, list[int]] = {}
    for index, place in enumerate(places):
        is_plain = not place.is_silent and not place.is_next and (place.probability or 0.0) < LEAST_WIRE
        is_end = place.row.kind is PlaceKind.MODULE and index not in parents and place.row.column > 0
        if is_plain and is_end and place.row.parent is not None and not (place.wire and place.wire.is_told):
            found.setdefault(place.row.parent, []).append(index)
    return found


def _drawing(sheet: _Sheet, network: LayoutNetwork) -> Markup:
    title = shapes.element("title", printed(f"Drawing of {network.name}; the list below says the same"))
    return shapes.element(
        "svg",
        title + Markup("\n").join(sheet.parts),
        class_="ly-drawing",
        role="img",
        viewBox=f"0 0 {WIDTH:.0f} {sheet.y + 4:.0f}",
        font_size=TEXT,
        fill="currentColor",
    )


def _draw_place(
    sheet: _Sheet, place: DrawnPlace, index: int, at: dict[int, _At], also: Sequence[str]
) -> None:
    x = _LEFT + _COLUMN * place.row.column
    if place.wire is not None and place.wire.is_told:
        _draw_words(
            sheet,
            x + _BESIDE + 4,
            _WIRE_ROW,
            place.wire.words,
            "",
            place.wire.probability,
            place.wire.is_next,
        )
    second = _second_line(place, also)
    y = _draw_words(
        sheet, x + _BESIDE, _ROW, place.called, second, place.probability, place.is_next, is_place=True
    )
    at[index] = _At(x, y)
    if place.row.parent is not None and place.row.parent in at:
        _draw_wire(sheet, at[place.row.parent], at[index])
    sheet.marks.append(_shape(place, x, y))


def _second_line(place: DrawnPlace, also: Sequence[str]) -> str:
    marks = [mark if mark != "next" else "open this next" for mark in place.marks if mark != "answers"]
    length = (
        place.wire.words.removeprefix("wire").strip(" ,") if place.wire and not place.wire.is_told else ""
    )
    named = f"and {', '.join(also)}" if also else ""
    return "; ".join(part for part in (*marks, length, named) if part)


def _draw_words(  # noqa: PLR0913, PLR0917  what stands in one row
    sheet: _Sheet,
    x: float,
    height: float,
    first: str,
    second: str,
    probability: float | None,
    is_next: bool,
    is_place: bool = False,
) -> float:
    """Draw the words of a row, its shade and its number; return the height at which its shape stands."""
    whole = height + (_SECOND if second else 0.0)
    top, told = sheet.y, per_cent(probability) if probability is not None else ""
    room = WIDTH - EDGE - x - (width_of(told) + 8 if told else 0)
    if told and probability is not None:
        wide = max(_LEAST_BAR, probability * (WIDTH - x + 6))
        shade = f"{0.12 + 0.28 * probability:.2f}"
        sheet.bars.append(
            shapes.element(
                "rect", x=x - 4, y=top, width=wide, height=whole - 2, class_="ly-bar", fill_opacity=shade
            )
        )
        sheet.marks.append(
            shapes.words_at(
                WIDTH - EDGE, top + 17, told, class_="ly-number", text_anchor="end", font_weight="bold"
            )
        )
    if is_next:
        sheet.bars.append(
            shapes.element(
                "rect", x=x - 4, y=top, width=WIDTH - x + 3, height=whole - 2, class_="ly-next", fill="none"
            )
        )
    weight = {"font_weight": "bold"} if is_next else {}
    look = "ly-name" if is_place else "ly-quiet"
    sheet.marks.append(shapes.words_at(x, top + 17, _fitting(first, room), class_=look, **weight))
    if second:
        small = _fitting(second, (WIDTH - EDGE - x) / _SMALL)
        sheet.marks.append(
            shapes.words_at(x, top + 17 + _SECOND, small, class_="ly-quiet", font_size=TEXT * _SMALL)
        )
    sheet.y += whole
    return top + 12


def _fitting(text: str, room: float) -> str:
    """Return a text cut to what fits, with an ellipsis where it was cut."""
    text = printed(text)
    if width_of(text) <= room:
        return text
    while text and width_of(f"{text}\u2026") > room:
        text = text[:-1]
    return f"{text.rstrip()}\u2026"


def _draw_wire(sheet: _Sheet, above: _At, here: _At) -> None:
    corner = f"V{here.y:.1f}" if above.x == here.x else f"V{here.y:.1f}H{here.x:.1f}"
    sheet.lines.append(
        shapes.path(f"M{above.x:.1f} {above.y:.1f}{corner}", class_="ly-wire", stroke_width=1.5)
    )


def _shape(place: DrawnPlace, x: float, y: float) -> Markup:
    """Return the shape of a place: a square for a module, a dot for a splice, two halves for a plug, a resistor."""
    reach, kind = _REACH, place.row.kind
    if place.row.closes:
        return shapes.path(f"M{x - 5:.1f} {y:.1f}l5 -6l5 6", class_="ly-mark", stroke_width=2)
    if kind is PlaceKind.SPLICE:
        return shapes.element("circle", cx=x, cy=y, r=4.0, class_="ly-mark ly-full")
    if kind is PlaceKind.PLUG:
        halves = f"M{x - 6:.1f} {y - 2.5:.1f}a6 5 0 0 1 12 0M{x - 6:.1f} {y + 2.5:.1f}a6 5 0 0 0 12 0"
        gap = shapes.element("rect", x=x - 4, y=y - 5, width=8.0, height=10.0, class_="ly-gap")
        return gap + shapes.path(halves, class_="ly-mark", stroke_width=2)
    if kind is PlaceKind.TERMINATOR:
        return shapes.element("rect", x=x - 3.5, y=y - 7, width=7.0, height=14.0, class_="ly-mark ly-hollow")
    if kind is PlaceKind.DLC:
        outline = f"M{x - 8:.1f} {y - 5:.1f}h16l-3 10h-10z"
        return shapes.element("path", d=outline, class_="ly-mark ly-hollow")
    look = "ly-hollow" if place.is_silent else "ly-full"
    square = {"x": x - reach, "y": y - reach, "width": 2 * reach, "height": 2 * reach}
    return shapes.element("rect", class_=f"ly-mark {look}", **square)


def _draw_power(sheet: _Sheet, one: DrawnPower) -> None:
    second = f"{'open this next; ' if one.is_next else ''}{one.serves}"
    _draw_words(sheet, _LEFT - 8, _ROW, one.called, second, one.probability, one.is_next, is_place=True)


def _told(network: LayoutNetwork, places: Sequence[DrawnPlace], power: Sequence[DrawnPower]) -> Markup:
    """Return one sentence per place and likely wire, for who does not see the drawing."""
    sentences = [sentence for place in places for sentence in _sentences(place, places)]
    sentences += [
        f"{one.called}, for {one.serves}{_likely(one.probability)}{', open this next' if one.is_next else ''}"
        for one in power
    ]
    told = (shapes.element("li", printed(f"{sentence}.")) for sentence in sentences)
    title = shapes.element("p", printed(f"{network.name}, place by place:"))
    return shapes.element("figcaption", title + shapes.element("ul", Markup("").join(told)), class_="lv-told")


def _sentences(place: DrawnPlace, places: Sequence[DrawnPlace]) -> Iterator[str]:
    before = "" if place.row.parent is None else f", from {places[place.row.parent].called}"
    if place.wire is not None and place.wire.is_told:
        to_open = ", open this next" if place.wire.is_next else ""
        yield f"{place.wire.words}{before} to {place.called}{_likely(place.wire.probability)}{to_open}"
    marks = "".join(f", {'open this next' if mark == 'next' else mark}" for mark in place.marks)
    yield f"{place.called}{before}{marks}{_likely(place.probability)}"


def _likely(probability: float | None) -> str:
    told = per_cent(probability) if probability is not None else ""
    return f": {told} that the fault lies here" if told else ""
