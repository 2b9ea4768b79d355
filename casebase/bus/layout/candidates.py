"""Every test on a layout that makes sense and hurts nobody: parting a plug, unplugging one module or several, reading.

Minutes are those of a technician (common practice, no source); those that the layout states come first.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from casebase.bus.chain import Array
from casebase.bus.instruments import View
from casebase.bus.layout.belief import Belief, Candidate, Words
from casebase.bus.layout.feed_candidates import (
    LEADS_MINUTES,
    MODULE_MINUTES,
    at_a_feed,
    at_a_plug,
    cautions_of,
)
from casebase.bus.layout.rows import TO, Rows
from casebase.bus.layout.ways import EXTRA_TERMINATOR, LOADS, STUCK
from casebase.bus.layout.whereabouts import ElementKind
from casebase.bus.layout.wiring import Wiring, place_of_point
from casebase.bus.next_test import BATTERY_OFF, IGNITION_ON, OHMS_CAUTION, PAIR_KINDS, UNPLUG_CAUTION
from casebase.record.cautions import HIGH_VOLTAGE, RESTRAINTS, cautions_about, may_be_unplugged

PLUG_MINUTES, SPLICE_MINUTES = 10.0, 20.0
"""To get at a plug, at a splice."""


def candidates(belief: Belief) -> Iterator[Candidate]:
    """Yield every test that makes sense and hurts nobody."""
    wiring = belief.rows.wiring
    speaker = wiring.speaker
    yield from _plainly(wiring, place_of_point(wiring.points[speaker]), speaker, 0.0)
    likely = _likely_places(belief)
    for element in wiring.elements:
        if element.kind is ElementKind.PLUG and _may_be_parted(wiring, element.name):
            yield from _parted(wiring, element.name)
        elif element.kind is ElementKind.MODULE and element.name in likely and may_be_unplugged(element.name):
            yield from _at_a_module(wiring, element.name)
        elif element.kind is ElementKind.SPLICE:
            minutes = wiring.minutes.get(element.name, SPLICE_MINUTES)
            yield from _plainly(wiring, element.name, element.points[0], minutes)
    for number, name in enumerate((*wiring.modules, *wiring.beside)):
        if name in likely and may_be_unplugged(name):
            yield at_a_plug(belief, number, name)
    for number, element in enumerate(wiring.elements):
        if element.kind in (ElementKind.FEED, ElementKind.GROUND):
            yield at_a_feed(belief, number, element)
    yield from _several(belief)


MOST_MODULES: Final = 14


def _likely_places(belief: Belief) -> set[str]:
    """Return the modules that are most likely at fault or hang next to what is."""
    wiring = belief.rows.wiring
    shares = np.bincount(belief.elements, belief.counts, len(wiring.elements) + 1)[:-1]
    score: dict[str, float] = {}
    for element, share in zip(wiring.elements, shares, strict=True):
        ends = {place_of_point(wiring.points[point]) for point in element.points} | set(element.serves)
        for end in ends:
            score[end] = score.get(end, 0.0) + float(share)
    modules = (*wiring.modules, *wiring.beside)
    return set(sorted(modules, key=lambda name: -score.get(name, 0.0))[:MOST_MODULES])


_HURTS: Final = {RESTRAINTS, HIGH_VOLTAGE}


def _may_be_parted(wiring: Wiring, plug: str) -> bool:
    """Return whether a plug may be parted for a test: not one that leads straight to what can hurt somebody."""
    halves = {point for branch in wiring.opening(plug) for point in wiring.branches[branch].ends}
    beyond = {
        place_of_point(wiring.points[other])
        for half in halves
        for other, _ in wiring.neighbours.get(half, ())
    } - {plug}
    return not _HURTS & set(cautions_about([plug, *beyond]))


# --- the tests ----------------------------------------------------------------------------------------------------

OHMS_MINUTES, VOLTS_MINUTES = PAIR_KINDS[0].minutes, PAIR_KINDS[2].minutes
_OHMS: Final = ("ohms_between", "ohms_high_ground", "ohms_low_ground")


def _read(rows: Rows, view: View, quantity: str) -> Array:
    return np.asarray(rows.columns(view.unplugged)[view.column(quantity)])


def _ohms_words(rows: Rows, view: View) -> Words:
    """Return what an ohmmeter shows in plain classes: between the lines first, to ground where that is what is odd."""
    between, high, low = (_read(rows, view, quantity) for quantity in _OHMS)
    words = np.select([between < most for most, _ in _CLASSES], [word for _, word in _CLASSES], "")
    grounded = np.minimum(high, low) < LOW_TO_GROUND_OHMS
    line = np.where(high <= low, "CAN high low to ground", "CAN low low to ground")
    return np.where(grounded, line, words)


LOW_TO_GROUND_OHMS: Final = 200.0
_CLASSES: Final = (
    (15.0, "near 0 ohm"),
    (50.0, "under 50 ohm"),
    (75.0, "about 60 ohm"),
    (100.0, "75 to 100 ohm"),
    (145.0, "about 120 ohm"),
    (1e3, "hundreds of ohms"),
    (float("inf"), "kilohms or OL"),
)


OHMS_SAID: Final = "ohms between the lines and of each to ground"
VOLTS_SAID: Final = "volts of each line to ground"


def _ohms(place: str, what: str, minutes: float, cautions: tuple[str, ...], view: View) -> Candidate:
    told = tuple((view, quantity) for quantity in _OHMS)
    return Candidate(place, what, minutes, BATTERY_OFF, cautions, told, lambda rows: _ohms_words(rows, view))


def _volts(place: str, what: str, minutes: float, cautions: tuple[str, ...], view: View) -> Candidate:
    told = (view, "volts_high"), (view, "volts_low")
    return Candidate(place, what, minutes, IGNITION_ON, cautions, told, lambda rows: _volts_words(rows, view))


def _plainly(wiring: Wiring, place: str, point: int, minutes: float) -> Iterator[Candidate]:
    """Yield ohms and volts at a place with everything plugged in."""
    view = View(str(point), wiring.key_of(()))
    cautions = cautions_of(wiring, (place,), OHMS_CAUTION)
    yield _ohms(place, f"{OHMS_SAID} at {place}", minutes + OHMS_MINUTES + LEADS_MINUTES, cautions, view)
    yield _volts(
        place, f"{VOLTS_SAID} at {place}", minutes + VOLTS_MINUTES, cautions_of(wiring, (place,)), view
    )


def _volts_words(rows: Rows, view: View) -> Words:
    high, low = (_read(rows, view, quantity) for quantity in ("volts_high", "volts_low"))
    usual = (np.abs(high + low - 5.0) < 0.45) & (high - low > 0.03) & (high - low < 0.9)
    near = [
        f"CAN high about {round(one):g} V, CAN low about {round(other):g} V"
        for one, other in zip(high, low, strict=True)
    ]
    return np.where(usual, "both lines at rest or sending as usual", near)


def _parted(wiring: Wiring, plug: str) -> Iterator[Candidate]:
    """Yield parting a plug and reading ohms to each side."""
    for branch in wiring.opening(plug):
        key = wiring.key_of((plug,))
        halves = wiring.branches[branch].ends
        views = tuple(View(str(point), key) for point in halves)
        sides = tuple(wiring.points[point].split(" toward ", maxsplit=1)[-1] for point in halves)
        minutes = wiring.minutes.get(plug, PLUG_MINUTES)
        yield Candidate(
            plug,
            f"part {plug}, then {OHMS_SAID}, toward {sides[0]} and toward {sides[1]}",
            minutes + 2 * LEADS_MINUTES + 4.0,
            BATTERY_OFF,
            cautions_of(wiring, (plug, *sides), OHMS_CAUTION, UNPLUG_CAUTION),
            tuple((view, quantity) for view in views for quantity in _OHMS),
            lambda rows, views=views, sides=sides: np.array(  # type: ignore[misc]
                [
                    f"toward {sides[0]} {one}, toward {sides[1]} {other}"
                    for one, other in zip(*(_ohms_words(rows, view) for view in views), strict=True)
                ]
            ),
        )


def _at_a_module(wiring: Wiring, module: str) -> Iterator[Candidate]:
    """Yield unplugging a module: ohms into the harness at its connector, each line from end to end."""
    point = wiring.point_at(module)
    if point is None:
        return
    view = View(str(point), wiring.key_of((module,)))
    minutes = wiring.minutes.get(module, MODULE_MINUTES)
    cautions = cautions_of(wiring, (module,), OHMS_CAUTION, UNPLUG_CAUTION)
    unplugged = f"unplug {module}, then"
    into = f"{unplugged} {OHMS_SAID}, into the harness at its connector"
    yield _ohms(module, into, minutes + LEADS_MINUTES + 4.0, cautions, view)
    speaker = wiring.speaker
    start = place_of_point(wiring.points[speaker])
    if start == module:
        return
    here = View(str(speaker), view.unplugged)
    yield _ohms(module, f"{unplugged} {OHMS_SAID} at {start}", minutes + LEADS_MINUTES + 3.0, cautions, here)
    live = cautions_of(wiring, (module,), UNPLUG_CAUTION)
    yield _volts(module, f"{unplugged} {VOLTS_SAID} at {start}", minutes + VOLTS_MINUTES, live, here)
    lines = tuple(f"ohms_{line}{TO}{speaker}" for line in ("high", "low"))
    yield Candidate(
        module,
        f"{unplugged} ohms of each line from its connector to {start}",
        minutes + 2 * LEADS_MINUTES + 2.0,
        BATTERY_OFF,
        cautions,
        tuple((view, quantity) for quantity in lines),
        lambda rows: _lines_words(rows, view, lines),
    )


def _lines_words(rows: Rows, view: View, lines: Sequence[str]) -> Words:
    """Return what ohms of each line from end to end show: sound, some ohms, open."""
    words = [
        np.select(
            [ohms < SOUND_WIRE_OHMS, ohms < OPEN_WIRE_OHMS],
            [f"{name} sound", f"{name} of some ohms"],
            f"{name} open",
        )
        for name, ohms in zip(
            ("CAN high", "CAN low"), (_read(rows, view, line) for line in lines), strict=True
        )
    ]
    return np.char.add(np.char.add(words[0], ", "), words[1])


SOUND_WIRE_OHMS, OPEN_WIRE_OHMS = 4.0, 1e3


# --- several modules at once --------------------------------------------------------------------------------------

LEAST_INSIDE: Final = 0.1
"""How likely the fault must lie inside modules, all together, before several are unplugged at once (judged)."""

MOST_UNPLUGGED: Final = 4
LEAVES: Final = ("shorted", STUCK, LOADS, EXTRA_TERMINATOR, "leak")
"""Words of the faults inside a module that leave the lines when it is unplugged."""


def _several(belief: Belief) -> Iterator[Candidate]:
    """Yield unplugging the modules that together hold half of what may lie inside modules, and reading at the DLC."""
    wiring = belief.rows.wiring
    inside = _inside_modules(belief)
    if len(inside) < 2 or sum(inside.values()) < LEAST_INSIDE:
        return
    half, chosen = sum(inside.values()) / 2, list[str]()
    for name in sorted(inside, key=lambda one: -inside[one]):
        if chosen and (len(chosen) == MOST_UNPLUGGED or sum(inside[one] for one in chosen) >= half):
            break
        chosen.append(name)
    if len(chosen) < 2:
        return
    start = place_of_point(wiring.points[wiring.speaker])
    here = View(str(wiring.speaker), wiring.key_of(chosen))
    access = sum(wiring.minutes.get(name, MODULE_MINUTES) for name in chosen)
    what = f"unplug {', '.join(chosen[:-1])} and {chosen[-1]}, then {OHMS_SAID} at {start}"
    cautions = cautions_of(wiring, tuple(chosen), OHMS_CAUTION, UNPLUG_CAUTION)
    yield _ohms(chosen[0], what, access + LEADS_MINUTES + 3.0, cautions, here)


def _inside_modules(belief: Belief) -> dict[str, float]:
    """Return how likely a fault lies inside each module that may be unplugged, of those that leave with it."""
    wiring, ways = belief.rows.wiring, belief.rows.ways
    by_way = np.bincount(belief.ways, belief.counts, len(ways)) / belief.counts.sum()
    inside: dict[str, float] = {}
    for way, share in zip(ways, by_way, strict=True):
        element = wiring.elements[way.element] if way.element >= 0 else None
        if (
            share > 0
            and element is not None
            and element.kind is ElementKind.MODULE
            and any(word in way.state for word in LEAVES)
            and may_be_unplugged(element.name)
        ):
            inside[element.name] = inside.get(element.name, 0.0) + float(share)
    return inside
