"""Every way of every element of a wiring: what hangs on which port, over the ranges of the simulated world."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from casebase.bus.chain import Array
from casebase.bus.layout.draws import Drawn
from casebase.bus.layout.solving import Index, Ports, admittance
from casebase.bus.layout.ways import (
    DEAD,
    EXTRA_TERMINATOR,
    FEED_WAYS,
    GROUND_WAYS,
    HOW_OFTEN,
    LOADS,
    LOADS_SHARE,
    LOOSE,
    LOOSE_PLUG,
    MODULE_WAYS,
    NEARLY,
    NO_TERMINATOR,
    OWN_GROUND,
    OWN_SUPPLY,
    ROWS,
    STUCK,
    TERMINATOR_WAYS,
    USUAL_METRES,
    WORKS_THOUGH,
    WRONG_TERMINATOR,
    HowOften,
    Way,
    base_of_row,
)
from casebase.bus.layout.whereabouts import ElementKind
from casebase.bus.layout.wiring import Element, Wiring
from casebase.bus.network import OPEN_OHMS
from casebase.bus.pair import LOAD_OHMS, OFFSET_VOLTS
from casebase.bus.pair_draws import in_cells, stepped
from casebase.bus.pair_faults import (
    DISTURBED_BELOW_OHMS,
    HARD,
    HARD_TO_OHMS,
    JOINT_OHMS,
    LEAK_OHMS,
    NEARLY_OPEN_OHMS,
    RAIL_OHMS,
    RIGHT_OHMS,
    WRONG_OHMS,
)

SHORT_OHMS: Final = (0.05, 5e3)
_SEED: Final = 41

_OPENS: Final = (
    ("high open", 1.0, True, False),
    ("low open", 1.0, False, True),
    ("both open", 0.5, True, True),
)
_SHORTS: Final = (
    ("lines shorted together", "across", ""),
    ("high shorted to ground", "high", "ground"),
    ("low shorted to ground", "low", "ground"),
    ("high shorted to battery", "high", "battery"),
    ("low shorted to battery", "low", "battery"),
)


def ways_of(wiring: Wiring, drawn: Drawn, ports: Ports) -> list[Way]:
    """Return every way in which every element may be at fault."""
    return list(_Making(wiring, drawn, ports).all())


@dataclass(frozen=True)
class _Making:
    wiring: Wiring
    drawn: Drawn
    ports: Ports
    base: Index = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "base", base_of_row(self.drawn.count))

    def all(self) -> Iterator[Way]:
        for index, element in enumerate(self.wiring.elements):
            how = HOW_OFTEN.get(element.kind, HowOften())
            scale = self._scale(element)
            for way in (
                *self._by_branch(index, element, how),
                *self._by_point(index, element, how),
                *self._own(index, element),
            ):
                if way.weight > 0:
                    yield replace(way, weight=way.weight * scale)

    def _scale(self, element: Element) -> float:
        if element.kind is not ElementKind.WIRE:
            return 1.0
        metres = self.wiring.branches[element.branches[0]].metres
        return 0.5 + 0.5 * (USUAL_METRES if metres is None else min(metres, 12.0)) / USUAL_METRES

    def _by_branch(self, index: int, element: Element, how: HowOften) -> Iterator[Way]:
        """Yield what lies in series, once for each branch of the element, such as the arms of a splice."""
        for branch in element.branches:
            for way in self._series(index, replace(element, branches=(branch,)), how):
                yield replace(way, weight=way.weight / len(element.branches))

    def _by_point(self, index: int, element: Element, how: HowOften) -> Iterator[Way]:
        """Yield what hangs on it, once for each half of a plug; the two ends of a wire are as good as one."""
        points = element.points[:1] if element.kind is ElementKind.WIRE else element.points
        for point in points:
            for way in self._shunts(index, replace(element, points=(point,)), how):
                yield replace(way, weight=way.weight / len(points))

    # --- in series

    def _series(self, index: int, element: Element, how: HowOften) -> Iterator[Way]:
        yield from self._loose(index, element)
        if not self.wiring.is_computed:
            ohms = np.full(ROWS, OPEN_OHMS)
            yield self._in_series(index, element, "open", how.opens * 2.5, ohms, ohms)
            return
        for state, part, high, low in _OPENS:
            ohms, left = np.full(ROWS, OPEN_OHMS), part if high and low else part * (1 - NEARLY)
            yield self._in_series(index, element, _worded(state), how.opens * left, ohms * high, ohms * low)
            if not (high and low):
                nearly = stepped(_random(), NEARLY_OPEN_OHMS, _along())
                yield self._in_series(
                    index, element, _worded(state), how.opens * part * NEARLY, nearly * high, nearly * low
                )
        for line in ("high", "low"):
            ohms = stepped(_random(), JOINT_OHMS, _along())
            way = self._in_series(
                index,
                element,
                _worded(f"{line}: poor joint"),
                how.joints,
                ohms * (line == "high"),
                ohms * (line == "low"),
            )
            yield replace(way, harm=1 / (1 + (200.0 / ohms) ** 2), silent=0.2)

    def _loose(self, index: int, element: Element) -> Iterator[Way]:
        """Yield a plug that is parted, and takes feeds with it."""
        fed = self._numbers(self.wiring.feeds_through.get(element.name, ()))
        if element.kind is ElementKind.PLUG and fed:
            ohms = np.full(ROWS, OPEN_OHMS)
            yield replace(self._in_series(index, element, LOOSE, LOOSE_PLUG, ohms, ohms), dead=fed)

    def _in_series(  # noqa: PLR0913, PLR0917  where, how often, how much
        self, index: int, element: Element, state: str, weight: float, high: Array, low: Array
    ) -> Way:
        chosen = np.full(ROWS, element.branches[0])
        lines = []
        for more, own in ((high, self.drawn.branch_high), (low, self.drawn.branch_low)):
            sound = own[self.base, chosen]
            lines.append(-more / (sound * (sound + more)))
        nothing = np.zeros(ROWS)
        both = admittance(lines[0], lines[1], nothing)
        return Way(
            index, state, weight, self.ports.of_branch[chosen], both, (nothing, nothing), both,
            harm=np.ones(ROWS), silent=0.12,
        )  # fmt: skip

    # --- across, to ground, to battery

    def _shunts(self, index: int, element: Element, how: HowOften) -> Iterator[Way]:
        if not self.wiring.is_computed:
            short = {"across": np.full(ROWS, 1.0)}
            shorted = "shorted to ground or battery"
            yield self._shunt(index, element, shorted, sum(how.shorts), short, short, {})
            return
        for (state, line, to), weight in zip(_SHORTS, how.shorts, strict=True):
            ohms = _short_ohms()
            rail = stepped(
                np.random.default_rng(_SEED + 3), RAIL_OHMS, np.random.default_rng(_SEED).random(ROWS)
            )
            volts = self.drawn.battery_volts[self.base] if to == "battery" else np.zeros(ROWS)
            live = {line: 1 / ohms}
            dead = {line: 1 / (ohms + (rail if to == "battery" else 0.0))}
            silent = 0.1 if (line, to) in {("low", "ground"), ("high", "battery")} else 0.45
            yield replace(
                self._shunt(index, element, _worded(state), weight, live, dead, {line: volts / ohms}),
                harm=1 / (1 + (ohms / DISTURBED_BELOW_OHMS) ** 2),
                silent=silent,
            )
        yield self._leak(index, element, how.leak)

    def _leak(self, index: int, element: Element, weight: float) -> Way:
        random = np.random.default_rng(_SEED + 1)
        first, along = in_cells(ROWS, (0.4, 0.3, 0.3))
        least = stepped(random, LEAK_OHMS, along)
        paths = random.random((3, ROWS)) < 0.3
        paths[first, np.arange(ROWS)] = True
        siemens = paths / (
            least * np.exp(random.uniform(0.0, 1.5, (3, ROWS)) * (first != np.arange(3)[:, None]))
        )
        parts = dict(zip(("across", "high", "low"), siemens, strict=True))
        return self._shunt(index, element, "water or a leak", weight, parts, parts, {})

    def _shunt(  # noqa: PLR0913, PLR0917  where, how often, what
        self,
        index: int,
        element: Element,
        state: str,
        weight: float,
        live: dict[str, Array],
        dead: dict[str, Array],
        amperes: dict[str, Array],
    ) -> Way:
        nothing = np.zeros(ROWS)
        with_supply, without = (
            admittance(*(parts.get(line, nothing) for line in ("high", "low", "across")))
            for parts in (live, dead)
        )
        driven = amperes.get("high", nothing), amperes.get("low", nothing)
        port = np.full(ROWS, self.ports.point(element.points[0]))
        return Way(index, state, weight, port, with_supply, driven, without)

    # --- what only one kind of element has

    def _own(self, index: int, element: Element) -> Iterator[Way]:
        if element.kind is ElementKind.MODULE:
            yield from self._of_a_module(index, element)
        for place, (point, _, name) in enumerate(self.wiring.terminators):
            if name == element.name:
                yield from self._of_a_terminator(index, element, place, point)
        served = self._numbers(element.serves)
        states = {ElementKind.FEED: FEED_WAYS, ElementKind.GROUND: GROUND_WAYS}.get(element.kind, {})
        for state, weight in states.items():
            yield from self._unsupplied(index, state, weight, served)

    def _of_a_module(self, index: int, element: Element) -> Iterator[Way]:
        own = self._numbers((element.name,))
        bias = [part[self.base, own[0]] for part in (self.drawn.bias_high, self.drawn.bias_low)]
        rest = self.drawn.bias_volts[self.base, own[0]]
        yield from self._unsupplied(index, OWN_SUPPLY, MODULE_WAYS[OWN_SUPPLY], own)
        load = 1 / stepped(_random(), LOAD_OHMS, _along())
        shows = np.arange(ROWS) < ROWS // 2
        lifted = stepped(_random(), OFFSET_VOLTS, _along())
        works = np.where(np.arange(ROWS) % 2 == 0, *WORKS_THOUGH[OWN_GROUND])
        for state, live, dead, amperes, answers in (
            (DEAD, {}, {}, {}, 0.0),
            (OWN_GROUND, {}, {}, {"high": bias[0] * lifted, "low": bias[1] * lifted}, works),
            (
                LOADS,
                {"high": load, "low": load},
                {"high": load * shows, "low": load * shows},
                {"high": -bias[0] * rest, "low": -bias[1] * rest},
                0.15,
            ),
        ):
            way = self._shunt(index, element, state, MODULE_WAYS[state], live, dead, amperes)
            yield replace(way, dead=own, works=np.zeros(ROWS) + answers)
        drive = 1 / self.drawn.driver_ohms[self.base, own[0]]
        stuck = {
            "high": drive * self.drawn.driver_high_volts[self.base, own[0]],
            "low": drive * self.drawn.driver_low_volts[self.base, own[0]],
        }
        jammed = self._shunt(
            index, element, STUCK, MODULE_WAYS[STUCK], {"high": drive, "low": drive}, {}, stuck
        )
        yield replace(jammed, harm=np.ones(ROWS), silent=0.7)
        if not any(point == element.points[0] for point, _, _ in self.wiring.terminators):
            extra = {"across": 1 / np.where(np.arange(ROWS) >= 0.8 * ROWS, 60.0, 120.0)}
            yield self._shunt(
                index, element, EXTRA_TERMINATOR, MODULE_WAYS[EXTRA_TERMINATOR], extra, extra, {}
            )

    def _of_a_terminator(self, index: int, element: Element, place: int, point: int) -> Iterator[Way]:
        sound = self.drawn.terminators[self.base, place]
        cell, along = in_cells(ROWS, (0.85, 0.15))
        left = np.where(cell == 0, 0.0, 1 / stepped(_random(), (WRONG_OHMS[1], 2e4), along))
        ohms = stepped(_random(), (WRONG_OHMS[0], WRONG_OHMS[1] * RIGHT_OHMS[0] / RIGHT_OHMS[1]), _along())
        ohms = np.where(ohms > RIGHT_OHMS[0], ohms * RIGHT_OHMS[1] / RIGHT_OHMS[0], ohms)
        held = replace(element, points=(point,))
        for state, siemens in ((NO_TERMINATOR, left), (WRONG_TERMINATOR, 1 / ohms)):
            across = {"across": siemens - sound}
            yield self._shunt(index, held, state, TERMINATOR_WAYS[state], across, across, {})

    def _unsupplied(self, index: int, state: str, weight: float, served: tuple[int, ...]) -> Iterator[Way]:
        """Yield what modules without supply do to the lines: they let go of them, or one of them loads them."""
        here = [module for module in served if module < len(self.wiring.modules)]
        module = np.array(here)[np.arange(ROWS) * len(here) // ROWS]
        inside = list(self.wiring.inside.values())
        port = np.array([self.ports.point(inside[one]) for one in module])
        rest, zero = self.drawn.bias_volts[self.base, module], np.zeros(ROWS)
        off = tuple(-bias[self.base, module] * rest for bias in (self.drawn.bias_high, self.drawn.bias_low))
        works = WORKS_THOUGH[state]
        spread = np.where(np.arange(ROWS) % 2 == 0, works[0], works[1])
        for share, load in (
            (1 - LOADS_SHARE, zero),
            (LOADS_SHARE, 1 / stepped(_random(), LOAD_OHMS, _along())),
        ):
            hanging = admittance(load, load, zero)
            dead = admittance(load / 2, load / 2, zero)
            yield Way(index, state, weight * share, port, hanging, (off[0], off[1]), dead, served, spread)

    def _numbers(self, names: tuple[str, ...]) -> tuple[int, ...]:
        known = (*self.wiring.modules, *self.wiring.beside)
        return tuple(known.index(name) for name in names if name in known)


def _random() -> np.random.Generator:
    return np.random.default_rng(_SEED)


def _along() -> Array:
    return (np.arange(ROWS) + 0.0) / ROWS


def _short_ohms() -> Array:
    along = _along()
    hard = stepped(_random(), (SHORT_OHMS[0], HARD_TO_OHMS), np.minimum(along / HARD, 1.0))
    soft = stepped(_random(), (HARD_TO_OHMS, SHORT_OHMS[1]), np.maximum(along - HARD, 0.0) / (1 - HARD))
    return np.where(along < HARD, hard, soft)


def _worded(state: str) -> str:
    """Return a state with its lines by name; `LINE_NAMES` of other media are put in where it is told."""
    return state.replace("high", "CAN high").replace("low", "CAN low").replace("both open", "both lines open")
