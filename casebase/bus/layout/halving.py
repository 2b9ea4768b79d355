"""The test that halves the harness: what can be parted, unplugged or read, and the bits each tells about where.

Rows drawn by their probability stand for what may be true, as in `next_test`; bits are about which element. What can
hurt somebody is not proposed, and no place is read again unless that tells much. Minutes are those of a technician
(common practice, no source); those that the layout states come first.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from casebase.bus.chain import Array
from casebase.bus.instruments import View
from casebase.bus.layout.belief import Belief, Words
from casebase.bus.layout.evidence import FEED_STATES
from casebase.bus.layout.rows import TO, Rows
from casebase.bus.layout.whereabouts import ElementKind, Outcome, PlaceToOpen
from casebase.bus.layout.wiring import Wiring, place_of_point
from casebase.bus.next_test import BATTERY_OFF, IGNITION_ON, OHMS_CAUTION, PAIR_KINDS, UNPLUG_CAUTION
from casebase.record.cautions import HIGH_VOLTAGE, RESTRAINTS, cautions_about, may_be_unplugged

PLUG_MINUTES, MODULE_MINUTES, SPLICE_MINUTES, LEADS_MINUTES = 10.0, 8.0, 20.0, 4.0
"""To get at a plug, a module's connector, a splice; to read once there."""
LOAD_CAUTION: Final = "Load the supply with a lamp, never a control module's output; fuse the lead."


@dataclass(frozen=True)
class Candidate:
    """A test at one place: words, minutes, what must hold, cautions; `told`: what it reads, as observations name it."""

    place: str
    what: str
    minutes: float
    precondition: str
    cautions: tuple[str, ...]
    told: tuple[tuple[View, str], ...]
    shows: Callable[[Rows], Words]
    """What each row shows, in words."""


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
            yield _feed_at(belief, number, name)


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


def _cautions(wiring: Wiring, names: tuple[str, ...], *own: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*own, *cautions_about(names))))


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


def _plainly(wiring: Wiring, place: str, point: int, minutes: float) -> Iterator[Candidate]:
    """Yield ohms and volts at a place with everything plugged in."""
    view = View(str(point), wiring.key_of(()))
    yield Candidate(
        place,
        f"ohms between the lines and of each to ground at {place}",
        minutes + OHMS_MINUTES + LEADS_MINUTES,
        BATTERY_OFF,
        _cautions(wiring, (place,), OHMS_CAUTION),
        tuple((view, quantity) for quantity in _OHMS),
        lambda rows: _ohms_words(rows, view),
    )
    yield Candidate(
        place,
        f"volts of each line to ground at {place}",
        minutes + VOLTS_MINUTES,
        IGNITION_ON,
        _cautions(wiring, (place,)),
        ((view, "volts_high"), (view, "volts_low")),
        lambda rows: _volts_words(rows, view),
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
            f"part {plug}, then ohms between the lines and of each to ground, toward {sides[0]} and toward {sides[1]}",
            minutes + 2 * LEADS_MINUTES + 4.0,
            BATTERY_OFF,
            _cautions(wiring, (plug, *sides), OHMS_CAUTION, UNPLUG_CAUTION),
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
    cautions = _cautions(wiring, (module,), OHMS_CAUTION, UNPLUG_CAUTION)
    yield Candidate(
        module,
        f"unplug {module}, then ohms between the lines and of each to ground, into the harness at its connector",
        minutes + LEADS_MINUTES + 4.0,
        BATTERY_OFF,
        cautions,
        tuple((view, quantity) for quantity in _OHMS),
        lambda rows: _ohms_words(rows, view),
    )
    speaker = wiring.speaker
    start = place_of_point(wiring.points[speaker])
    if start == module:
        return
    here = View(str(speaker), view.unplugged)
    yield Candidate(
        module,
        f"unplug {module}, then ohms between the lines and of each to ground at {start}",
        minutes + LEADS_MINUTES + 3.0,
        BATTERY_OFF,
        cautions,
        tuple((here, quantity) for quantity in _OHMS),
        lambda rows: _ohms_words(rows, here),
    )
    lines = tuple(f"ohms_{line}{TO}{speaker}" for line in ("high", "low"))
    yield Candidate(
        module,
        f"unplug {module}, then ohms of each line from its connector to {start}",
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


def _feed_at(belief: Belief, module: int, name: str) -> Candidate:
    """Return supply and ground at the plug of a module, under load."""
    states = [FEED_STATES.get(way.state, ()) if module in way.dead else () for way in belief.rows.ways]
    words = [str(each[0][0]) if each else "supply and ground sound" for each in states]
    minutes = belief.rows.wiring.minutes.get(name, MODULE_MINUTES)
    here = np.array([words[way] for way in belief.ways])
    told = View(name, "feed"), "feed"
    return Candidate(
        name,
        f"unplug {name}, then supply and ground at its connector, under load",
        minutes + LEADS_MINUTES + 3.0,
        IGNITION_ON,
        _cautions(belief.rows.wiring, (name,), UNPLUG_CAUTION, LOAD_CAUTION),
        (told,),
        lambda _: here,
    )


LEAST_BITS: Final = 0.03
AGAIN_BITS: Final = 0.25
"""What a test must tell at a place where a part of it was read already (judged)."""
OUTCOMES: Final = 3


def places_to_open(belief: Belief, most: int) -> list[PlaceToOpen]:
    """Return the tests that tell most about where per minute, the best first, at most one for each place."""
    found: dict[str, PlaceToOpen] = {}
    for candidate in not_done(belief):
        shown = candidate.shows(belief.some)
        bits = belief.bits(shown)
        test = PlaceToOpen(
            candidate.place,
            candidate.what,
            candidate.minutes,
            bits,
            candidate.precondition,
            (),
            candidate.cautions,
        )
        best = found.get(candidate.place)
        least = AGAIN_BITS if any(each in belief.done for each in candidate.told) else LEAST_BITS
        if bits >= least and (best is None or test.bits_per_minute > best.bits_per_minute):
            found[candidate.place] = replace(test, outcomes=tuple(_outcomes(belief, shown)))
    return sorted(found.values(), key=lambda test: -test.bits_per_minute)[:most]


def not_done(belief: Belief) -> Iterator[Candidate]:
    """Yield every test that reads something that was not read yet."""
    for candidate in candidates(belief):
        if not all(each in belief.done for each in candidate.told):
            yield candidate


def _outcomes(belief: Belief, shown: Words) -> Iterator[Outcome]:
    """Yield what a test most likely shows, and where the fault then lies."""
    whole = belief.counts.sum()
    words, place = np.unique(shown, return_inverse=True)
    shares = np.bincount(place, belief.counts, len(words)) / whole
    for index in np.argsort(-shares, kind="stable")[:OUTCOMES]:
        chosen = place == index
        yield Outcome(str(words[index]), float(shares[index]), _means(belief, chosen))


def _means(belief: Belief, chosen: Array) -> str:
    """Return where the fault lies on the rows chosen: the elements that hold most of them."""
    elements = belief.rows.wiring.elements
    weights = np.bincount(belief.elements[chosen], belief.counts[chosen], len(elements) + 1)
    weights = weights / weights.sum()
    order = np.argsort(-weights, kind="stable")
    named: list[str] = []
    held = 0.0
    for index in order:
        named.append(elements[index].name if index < len(elements) else "nothing on the layout")
        held += float(weights[index])
        if held >= NAMED_SHARE or len(named) == NAMED_MOST:
            break
    words = named[0] if len(named) == 1 else f"{', '.join(named[:-1])} or {named[-1]}"
    return words if held >= NAMED_SHARE else f"{words}, or elsewhere"


NAMED_SHARE, NAMED_MOST = 0.8, 4
