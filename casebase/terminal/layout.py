"""A layout in the terminal: each network as a line drawing, the probability beside each place, what to open next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from casebase.bus.layout.drawing import (
    WEIGHED_ALONE,
    DrawnPlace,
    drawn_places,
    drawn_power,
    element_called,
    level_words,
    next_words,
    per_cent,
    remarks_on,
    rest_words,
    where_words,
)
from casebase.bus.layout.whereabouts import PlaceToOpen, Whereabouts, WhereOnNetwork
from casebase.library.layouts import LayoutStanding, StoredLayout
from casebase.record.json_form import plain_data
from casebase.record.layout import Layout, LayoutNetwork, PlaceKind
from casebase.terminal.page import Page

_UP, _DOWN, _LEFT, _RIGHT = 1, 2, 4, 8
_BOX: Final = {
    0: " ",
    _UP: "│",
    _DOWN: "│",
    _UP | _DOWN: "│",
    _UP | _RIGHT: "└",
    _UP | _DOWN | _RIGHT: "├",
    _LEFT: "─",
    _RIGHT: "─",
    _LEFT | _RIGHT: "─",
    _DOWN | _RIGHT: "┌",
    _UP | _LEFT | _RIGHT: "┴",
    _UP | _DOWN | _LEFT | _RIGHT: "┼",
    _DOWN | _LEFT: "┐",
    _DOWN | _LEFT | _RIGHT: "┬",
    _UP | _LEFT: "┘",
    _UP | _DOWN | _LEFT: "┤",
}
"""Characters of box drawing (Unicode, U+2500 to U+257F) by the sides on which a line leaves."""

_SIGNS: Final = {
    PlaceKind.DLC: "D",
    PlaceKind.MODULE: "■",
    PlaceKind.PLUG: "≍",
    PlaceKind.SPLICE: "●",
    PlaceKind.TERMINATOR: "Ω",
}
"""What stands for a place in the drawing; the words beside it say the same."""

_SILENT: Final = "□"
_BAR: Final = "█"
_LONGEST_BAR: Final = 10
_RIGHT_MARGIN: Final = 22
"""Columns for the probability and its bar."""


def drawing_lines(
    layout: Layout, network: LayoutNetwork, found: WhereOnNetwork | None, width: int
) -> list[str]:
    """Return the drawing of a network, a line for each place and each wire worth one, `width` characters at most."""
    places = drawn_places(layout, network, found)
    lines, at, wire_at = list[DrawnPlace | None](), list[int](), dict[int, int]()
    for index, place in enumerate(places):
        if place.wire is not None and place.wire.is_told:
            wire_at[index] = len(lines)
            lines.append(None)
        at.append(len(lines))
        lines.append(place)
    sides = _sides(places, at, len(lines))
    drawn = []
    for index, place in enumerate(places):
        if index in wire_at and place.wire is not None:
            margin = _margin(sides[wire_at[index]], 2 * (place.row.column + 1) + 1)
            drawn.append(
                _line(f"{margin}{place.wire.words}", place.wire.probability, place.wire.is_next, width)
            )
        margin = _margin(sides[at[index]], 2 * place.row.column)
        drawn.append(_line(f"{margin}{_place_words(place)}", place.probability, place.is_next, width))
    return drawn


def _sides(places: Sequence[DrawnPlace], at: Sequence[int], count: int) -> list[dict[int, int]]:
    """Return for each line of the drawing on which sides a line leaves each of its columns."""
    sides: list[dict[int, int]] = [{} for _ in range(count)]

    def draw(line: int, column: int, side: int) -> None:
        sides[line][column] = sides[line].get(column, 0) | side

    for index, place in enumerate(places):
        if place.row.parent is None:
            continue
        column, here = 2 * places[place.row.parent].row.column, at[index]
        for line in range(at[place.row.parent] + 1, here):
            draw(line, column, _UP | _DOWN)
        draw(here, column, _UP)
        for right in range(column, 2 * place.row.column):
            draw(here, right, _RIGHT)
    return sides


def _margin(sides: Mapping[int, int], until: int) -> str:
    return "".join(_BOX[sides.get(column, 0)] for column in range(until))


def _place_words(place: DrawnPlace) -> str:
    sign = _SILENT if place.is_silent else "↑" if place.row.closes else _SIGNS[place.row.kind]
    length = f" ({place.wire.words.removeprefix('wire ')})" if _has_length(place) and place.wire else ""
    marks = f", {', '.join(place.marks)}" if place.marks else ""
    return f"{sign} {place.called}{marks}{length}"


def _has_length(place: DrawnPlace) -> bool:
    return place.wire is not None and not place.wire.is_told and place.wire.words != "wire"


def _line(text: str, probability: float | None, is_next: bool, width: int) -> str:
    """Return a line of the drawing with the probability and its bar at the right."""
    told = "" if probability is None else per_cent(probability)
    room = width - _RIGHT_MARGIN if told else width
    left = text if len(text) <= room else f"{text[: room - 1]}…"
    if probability is None:
        return left
    bar = _BAR * round(probability * _LONGEST_BAR)
    pointed = f"{left} ◀ " if is_next and len(left) + 3 <= room else f"{left} "
    return f"{pointed:·<{room}} {told:>9} {bar}".rstrip() if told else pointed.rstrip()


def print_layout(
    stored: StoredLayout, standing: LayoutStanding | None, page: Page, found: Whereabouts | None = None
) -> None:
    """Print a whole layout: what it holds for, each network drawn, feeds and ground points."""
    layout = stored.layout
    page.heading(layout.name())
    page.labelled("Holds for", layout.vehicles.line(), 2)
    if stored.layout_id:
        page.labelled("Layout", f"{stored.layout_id}, revision {stored.revision}", 2)
    page.labelled("Known", f"{layout.source}{'; partly known' if layout.is_partly_known else ''}", 2)
    page.labelled("Missing", layout.missing or "", 2)
    page.labelled("Standing", standing.words() if standing else "", 2)
    page.labelled("Note", layout.note or "", 2)
    for network in layout.networks:
        on_it = next((one for one in found.networks if one.network == network.name), None) if found else None
        print_network(layout, network, on_it, page)
    page.line()
    page.line(f"{_LEGEND}", 2)


_LEGEND: Final = (
    "■ module  □ silent module  ● splice  ≍ plug  Ω terminator  D diagnostic connector  ◀ next place to open"
)


def print_network(layout: Layout, network: LayoutNetwork, found: WhereOnNetwork | None, page: Page) -> None:
    """Print one network of a layout, drawn, with its feeds and ground points."""
    page.heading(f"{network.name} ({network.medium})")
    if not network.wires:
        page.line("No wire of it is known.", 2)
    for line in drawing_lines(layout, network, found, page.width - 2):
        page.unbroken(line, 2)
    for point in drawn_power(layout, network, found):
        text = f"{point.called}: {point.serves}"
        page.unbroken(_line(text, point.probability, point.is_next, page.width - 2), 2)


def print_where(layout: Layout, found: Whereabouts, page: Page, remark: str = "") -> None:
    """Print where the fault lies, network by network: the drawing, what nothing tells apart, what to open next."""
    networks = {network.name: network for network in layout.networks}
    page.line(f"On the layout: {layout.name()}{_partly(layout)}")
    if remark:
        page.line(remark)
    if not found.networks:
        page.line(
            "This job tells no place on it yet: give readings of one of its networks, or silent modules."
        )
    for on_it in found.networks:
        print_network(layout, networks[on_it.network], on_it, page)
        page.line()
        page.line(where_words(layout, on_it), 2)
        page.labelled("else", rest_words(on_it), 2)
        page.bullets("level", level_words(on_it), 2)
        page.bullets("remark", remarks_on(layout, on_it), 2)
        page.bullets("unused", [f"reading {index + 1}: {why}" for index, why in on_it.unused], 2)
        _print_next(layout, on_it.next_tests, page)
    page.line()
    page.line(WEIGHED_ALONE)
    page.line(_LEGEND, 2)


def _partly(layout: Layout) -> str:
    missing = f": {layout.missing}" if layout.missing else ""
    return f" (partly known{missing})" if layout.is_partly_known else ""


def _print_next(layout: Layout, tests: Sequence[PlaceToOpen], page: Page) -> None:
    for number, test in enumerate(tests, start=1):
        if number == 1:
            page.heading("Next place to open (most telling per minute first)")
        page.line(f"{number}. {element_called(layout, test.place)}: {next_words(test)}", 2, 5)
        page.labelled("needs", test.precondition, 5)
        told = "; ".join(f"{one.shows}: {one.means}" for one in test.outcomes)
        page.labelled("tells", told, 5)
        for caution in test.cautions:
            page.labelled("mind", caution, 5)


def print_layouts(
    stored: Sequence[StoredLayout], standings: Mapping[str, LayoutStanding], page: Page
) -> None:
    """Print one line for each layout."""
    if not stored:
        page.line("No layout here yet: casebase template --layout prints a file to fill in.")
    for one in stored:
        partly = ", partly known" if one.layout.is_partly_known else ""
        told = f"{len(one.layout.kinds) - 1} places{partly}; {standings[one.layout_id].words()}"
        page.line(f"{one.layout_id}  {one.layout.name()}: {told}", 0, 4)


def layout_data(stored: StoredLayout, standing: LayoutStanding | None) -> dict[str, Any]:
    """Return a stored layout as plain data."""
    return {
        "layout_id": stored.layout_id,
        "revision": stored.revision,
        "logged_at": stored.logged_at,
        "title": stored.layout.name(),
        "standing": standing.words() if standing else None,
        "layout": plain_data(stored.layout),
    }
