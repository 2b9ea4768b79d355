"""Readings of a job as evidence on one network of a layout: observations to hold rows against, and feeds at plugs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from casebase.bus.bare_module import Bare, bare_module
from casebase.bus.chain import Array
from casebase.bus.feed import Feed, feeds_of
from casebase.bus.feed_draws import FeedState
from casebase.bus.feed_evidence import is_of_a_feed, module_at
from casebase.bus.instruments import View, uncertain_ohms
from casebase.bus.interpret import interpret
from casebase.bus.layout.rows import TO, Rows
from casebase.bus.layout.ways import (
    FEED_MISSING,
    FEED_WEAK,
    GROUND_POOR,
    LOOSE,
    OWN_GROUND,
    OWN_SUPPLY,
    ROWS,
    Way,
)
from casebase.bus.layout.wiring import Wiring
from casebase.bus.measured import is_stated, side_of, unusable
from casebase.bus.observation import WORD_BY_CHANCE, NumberRead, Observation, OverLimitRead
from casebase.record.modules import module_identity
from casebase.record.quantities import Amount
from casebase.record.reading import Reading
from casebase.record.reading_value import Comparison, OverLimit
from casebase.record.vocabulary import BusState, Into, Medium, Quantity


@dataclass(frozen=True)
class Placed:
    """Where on a network readings were taken: points and places by number."""

    wiring: Wiring

    def of(self, name: str) -> str | None:
        """Return the place that a name means, None where it is none."""
        return self.wiring.place_named(name)

    def opened(self, reading: Reading) -> list[str] | None:
        """Return the places parted or unplugged for a reading; None where one is not on this network."""
        places = [self.of(name) for name in reading.unplugged or ()]
        here = self.of(reading.at)
        if (
            here is not None
            and self.wiring.opening(here)
            and (reading.into is Into.HARNESS or says_side(reading.at))
        ):
            places.append(here)
        known = [place for place in places if place is not None]
        return known if len(known) == len(places) else None

    def unplugged(self, reading: Reading) -> str | None:
        """Return them as one key."""
        opened = self.opened(reading)
        return None if opened is None else self.wiring.key_of(opened)

    def place(self, reading: Reading) -> str:
        """Return the point of the leads by its number."""
        point = self.wiring.point_at(reading.at, self.opened(reading) or ())
        return "" if point is None else str(point)

    def why_not(self, reading: Reading) -> str | None:
        """Return why a reading has no place on this network; None where it has one."""
        if self.of(reading.at) is None:
            return f"{reading.at} is no place of the layout on {self.wiring.network.name}"
        if self.opened(reading) is None:
            return "something was unplugged that is not on the layout"
        if not self.place(reading):
            place = self.of(reading.at)
            return f"{place} was parted: say which side was read, such as {place} toward {self._some_side(place)}"
        return None

    def _some_side(self, place: str | None) -> str:
        named = [
            point
            for point in self.wiring.points
            if place is not None and point.startswith(f"{place} toward ")
        ]
        return named[0].split(" toward ", maxsplit=1)[1] if named else "the next place"


def says_side(at: str) -> bool:
    """Return whether a place names the side of a parted plug: `X12 toward S417`.

    >>> says_side("plug X12 toward S417"), says_side("plug X12")
    (True, False)
    """
    return " toward " in at.casefold() or " side of " in at.casefold()


NOT_COMPUTED: Final = "of this medium only who is silent and the feeds are computed on a layout"


@dataclass
class Heard:
    """What the readings of a job say on one network.

    `logs`: of what is no observation (feeds, bare modules), shape (ways, 1), each as against what any fault explains.
    `fed`: the modules, feeds and ground points at which supply or ground was read, by name.
    """

    observations: list[Observation] = field(default_factory=list)
    logs: list[Array] = field(default_factory=list)
    unused: list[tuple[int, str]] = field(default_factory=list)
    feeds: list[Feed] = field(default_factory=list)
    fed: list[str] = field(default_factory=list)

    @property
    def done(self) -> set[tuple[View, str]]:
        """What was read already."""
        told = {told for observation in self.observations for told in observation.told}
        return told | {feed_told(name) for name in self.fed}


def feed_told(name: str) -> tuple[View, str]:
    """Return how supply and ground at a module, feed or ground point are named among what was read."""
    return View(name, "feed"), "feed"


@dataclass(frozen=True)
class _Held:
    """The rows as readings are interpreted against them."""

    rows: Rows

    @property
    def medium(self) -> Medium:
        """The medium."""
        return self.rows.wiring.network.medium

    def rows_of(self, state: BusState) -> slice:
        """Return the rows of nothing at fault: the last."""
        ways = len(self.rows.ways)
        return slice((ways - 1) * ROWS, ways * ROWS)


def heard(readings: Sequence[tuple[int, Reading]], rows: Rows) -> Heard:
    """Return what readings, each with its number, say on the network of `rows`."""
    found, placed = Heard(), Placed(rows.wiring)
    taken: list[tuple[int, Reading]] = []
    at_feeds: list[Reading] = []
    for index, reading in readings:
        if module_at(reading) is not None:
            continue
        if is_of_a_feed(reading) and rows.wiring.feed_named(reading.at) is not None:
            at_feeds.append(reading)
            continue
        reason = placed.why_not(reading) if rows.wiring.is_computed else NOT_COMPUTED
        if reason:
            found.unused.append((index, reason))
        elif reading.into is Into.MODULE:
            _bare(found, index, reading, rows)
        elif reading.to is not None:
            _along(found, index, reading, placed)
        elif reading.quantity is Quantity.FAULT:
            found.logs.append(_fault(reading, rows, placed))
        else:
            taken.append((index, reading))
    interpreted = interpret([reading for _, reading in taken], placed, _Held(rows))
    found.observations += interpreted.observations
    found.unused += [(taken[place][0], why) for place, why in interpreted.unused]
    found.feeds = feeds_of([reading for _, reading in readings])
    for name, logs in (*_at_plugs(found.feeds, rows), *_at_feeds(at_feeds, rows)):
        found.fed.append(name)
        found.logs.append(logs)
    return found


def _along(found: Heard, index: int, reading: Reading, placed: Placed) -> None:
    """Keep ohms from end to end of one line."""
    reason = unusable(reading.model_copy(update={"to": None, "against": None}), placed)
    opened = placed.opened(reading) or ()
    far = placed.wiring.point_at(reading.to or "", opened)
    side = side_of(reading.line)
    if reason or far is None or side is None or reading.quantity is not Quantity.RESISTANCE:
        found.unused.append((index, reason or f"{reading.to} is no place of the layout, or no line was read"))
        return
    view = View(placed.place(reading), placed.wiring.key_of(opened))
    quantity = f"ohms_{side}{TO}{far}"
    if isinstance(reading.value, OverLimit):
        found.observations.append(OverLimitRead((index,), view, quantity))
    elif isinstance(reading.value, Amount):
        error = uncertain_ohms(reading.value, stated=is_stated(reading))
        found.observations.append(NumberRead((index,), view, quantity, error))
    else:
        found.unused.append((index, "ohms along a wire count as a number or OL"))


# --- what is no number of the bus lines ---------------------------------------------------------------------------

WRONG_TEST: Final = 0.03
"""Chance that a test with a plain result misleads (judged)."""


def _marked(rows: Rows, fits: Sequence[bool]) -> Array:
    """Return logs by way: what fits explains it, what does not hardly does."""
    return np.log(np.where(np.array(fits), 1 - WRONG_TEST, WRONG_TEST) / WORD_BY_CHANCE)[:, None]


def _bare(found: Heard, index: int, reading: Reading, rows: Rows) -> None:
    """Keep what was read into a bare module: shorted inside, or not."""
    bare = bare_module(index, reading, rows.wiring.network.medium)
    module = rows.wiring.place_named(reading.at)
    if isinstance(bare, str):
        found.unused.append((index, bare))
        return
    shorted = [_of_element(way, rows, module) and "shorted together" in way.state for way in rows.ways]
    is_shorted = bare.meaning is Bare.SHORTED
    found.logs.append(
        _marked(rows, [one == is_shorted for one in shorted])
        if is_shorted or any(shorted)
        else np.zeros((1, 1))
    )


_STAYS: Final = ("open", "poor joint", "terminator missing", LOOSE)
"""Ways in a module that stay when it is unplugged."""


def _fault(reading: Reading, rows: Rows, placed: Placed) -> Array:
    """Return what a fault that is gone, or not, with modules unplugged or swapped says of them."""
    gone = reading.value is not Comparison.UNCHANGED
    places = {placed.of(name) for name in (*(reading.unplugged or ()), *(reading.swapped or ()))}
    leaves = [
        any(_of_element(way, rows, place) for place in places)
        and not any(word in way.state for word in _STAYS)
        for way in rows.ways
    ]
    return _marked(rows, [one == gone for one in leaves])


def _of_element(way: Way, rows: Rows, name: str | None) -> bool:
    return way.element >= 0 and rows.wiring.elements[way.element].name == name


def _at_plugs(feeds: Sequence[Feed], rows: Rows) -> Iterator[tuple[str, Array]]:
    """Yield (module, how well each way explains what was read of supply and ground at its plug), shape (ways, 1)."""
    known = (*rows.wiring.modules, *rows.wiring.beside)
    numbers = {module_identity(name): number for number, name in enumerate(known)}
    for feed in feeds:
        number = numbers.get(module_identity(feed.module))
        if number is not None:
            yield known[number], _explained(feed, [_feed_state(way, number) for way in rows.ways])


def _at_feeds(readings: Sequence[Reading], rows: Rows) -> Iterator[tuple[str, Array]]:
    """Yield the same of what was read at a fuse, a relay or a ground point itself: only its own fault shows there."""
    by_element: dict[int, list[Reading]] = {}
    for reading in readings:
        number = rows.wiring.feed_named(reading.at)
        if number is not None:
            here = reading.model_copy(update={"at": "connector of what hangs there"})
            by_element.setdefault(number, []).append(here)
    for number, here_read in by_element.items():
        states = [
            FEED_STATES.get(way.state, SOUND_FEED) if way.element == number else SOUND_FEED
            for way in rows.ways
        ]
        for feed in feeds_of(here_read):
            yield rows.wiring.elements[number].name, _explained(feed, states)


def _explained(feed: Feed, states: Sequence[tuple[tuple[FeedState, float], ...]]) -> Array:
    shares = [sum(part * feed.likelihoods[state] for state, part in each) for each in states]
    anyhow = sum(feed.likelihoods.values()) / len(feed.likelihoods)
    return np.log(np.maximum(np.array(shares) / max(anyhow, 1e-30), 1e-6))[:, None]


FEED_STATES: Final = {
    FEED_MISSING: ((FeedState.SUPPLY_MISSING, 1.0),),
    FEED_WEAK: ((FeedState.SUPPLY_WEAK, 1.0),),
    OWN_SUPPLY: ((FeedState.SUPPLY_MISSING, 0.7), (FeedState.SUPPLY_WEAK, 0.3)),
    OWN_GROUND: ((FeedState.GROUND_POOR, 1.0),),
    GROUND_POOR: ((FeedState.GROUND_POOR, 1.0),),
    LOOSE: ((FeedState.SUPPLY_MISSING, 0.5), (FeedState.GROUND_POOR, 0.5)),
}
SOUND_FEED: Final = ((FeedState.SOUND, 1.0),)


def _feed_state(way: Way, module: int) -> tuple[tuple[FeedState, float], ...]:
    """Return the states in which a way leaves the feed of a module, with their shares."""
    if module not in way.dead:
        return SOUND_FEED
    return FEED_STATES.get(way.state, SOUND_FEED)
