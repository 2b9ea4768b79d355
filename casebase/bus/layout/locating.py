"""Where the fault of a network lies: from readings and who is silent to the probability of each element."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import exp, log
from typing import Final

import numpy as np

from casebase.bus.chain import Array
from casebase.bus.layout.answering import Said, answer_chances, log_of_said, said_of
from casebase.bus.layout.belief import Belief, level_groups
from casebase.bus.layout.evidence import Heard, heard
from casebase.bus.layout.from_record import wiring_of
from casebase.bus.layout.halving import places_to_open
from casebase.bus.layout.numbers import chance_of_numbers, components, log_of_numbers
from casebase.bus.layout.rows import Rows, rows_for
from casebase.bus.layout.whereabouts import (
    CREDIBLE,
    Evidence,
    StateThere,
    Suspect,
    Whereabouts,
    WhereOnNetwork,
)
from casebase.bus.posterior import explained_by
from casebase.record.layout import Layout, LayoutNetwork
from casebase.record.modules import module_identity
from casebase.record.reading import Reading
from casebase.record.vocabulary import YesNo

SOUND_PRIOR: Final = 0.04
"""Chance that nothing of the layout is at fault, before anything is known of a job that brings one here (judged)."""

OUTSIDE_PRIOR: Final = 0.03
"""Chance of a fault like none computed: two at once, a module of other software (judged)."""

PROVEN_COUNTS: Final = 12.0
"""What is known beforehand counts as so many proven causes, spread over all elements as they are met (judged)."""

LEAST_ROWS: Final = 24.0
"""How many rows (effective sample size) must at least carry the answer (judged)."""

LEAST_EXPONENT: Final = 0.1


SHOWN_STATES: Final = 4


@dataclass(frozen=True)
class Computed:
    """One network of a layout, solved: what does not depend on any job."""

    rows: Rows

    @cached_property
    def chances(self) -> Array:
        """How likely each module answers on each row."""
        return answer_chances(self.rows)

    @cached_property
    def element_of_way(self) -> Array:
        """The element of each way; the last stands for nothing at fault."""
        elements = len(self.rows.wiring.elements)
        return np.array([elements if way.element < 0 else way.element for way in self.rows.ways])

    @cached_property
    def usual(self) -> Array:
        """How often each way is met, summing to 1 over those of elements."""
        weights = np.array([way.weight for way in self.rows.ways])
        weights[-1] = 0.0
        return np.asarray(weights / weights.sum())

    @cached_property
    def all_silent(self) -> Array:
        """How likely nobody is heard beyond what the levels say, shape (ways, rows)."""
        return np.stack([np.clip(way.harm * way.silent, 0.002, 0.95) for way in self.rows.ways])


MOST_POINTS: Final = 200
"""Places of one network: five seconds and a gigabyte (measured); beyond that it is not computed."""

TOO_LARGE: Final = (
    "this network has too many places to be computed: split the layout, or leave out what is not in doubt"
)


def where(layout: Layout, evidence: Evidence, most_tests: int = 3) -> Whereabouts:
    """Return where on a layout the fault of a job lies, network by network, with the tests that tell most about it."""
    return Whereabouts(
        layout.name(),
        layout.partly_known is YesNo.YES,
        tuple(
            _where_on(computed(layout, network), evidence, readings, most_tests)
            if len(network.places()) <= MOST_POINTS
            else _not_computed(network)
            for network, readings in _by_network(layout, evidence.readings)
        ),
    )


def _not_computed(network: LayoutNetwork) -> WhereOnNetwork:
    return WhereOnNetwork(network.name, (), 0.0, 1.0, (), (), (), remarks=(TOO_LARGE,))


def _by_network(
    layout: Layout, readings: Sequence[Reading]
) -> list[tuple[LayoutNetwork, list[tuple[int, Reading]]]]:
    """Return each network with its readings: those that name it, and those that name none where it is the first."""
    names = [network.name.casefold() for network in layout.networks]
    found: list[tuple[LayoutNetwork, list[tuple[int, Reading]]]] = [(one, []) for one in layout.networks]
    for index, reading in enumerate(readings):
        said = reading.network.casefold() if reading.network else ""
        found[names.index(said) if said in names else 0][1].append((index, reading))
    return found


_kept: dict[str, Computed] = {}
MOST_KEPT: Final = 4


def computed(layout: Layout, network: LayoutNetwork) -> Computed:
    """Return one network of a layout solved; the last few are kept in memory."""
    text = layout.model_dump_json(exclude={"id", "revision", "title", "note", "provenance"})
    key = hashlib.sha256(f"{network.name}\n{text}".encode()).hexdigest()
    if key not in _kept:
        while len(_kept) >= MOST_KEPT:
            _kept.pop(next(iter(_kept)))
        _kept[key] = Computed(rows_for(wiring_of(layout, network)))
    return _kept[key]


@dataclass(frozen=True)
class Located:
    """Probabilities of one network: of every row (ways, rows), given one of them it is; of each element; the rest.

    `evidence`: how well each element explains all that is given.
    """

    by_row: Array
    elements: Array
    evidence: Array
    sound: float
    outside: float


def located(one: Computed, said: Said, found: Heard, proven: Mapping[str, int]) -> Located:
    """Return the probabilities of every way and row, given who is silent and what was read."""
    rows = one.rows
    logs = log_of_said(said, one.chances, one.all_silent)
    read = np.zeros(rows.shape)
    read_by_chance = 0.0
    numbers = components(found.observations)
    if numbers:
        read += log_of_numbers(numbers, rows)
        read_by_chance += log(chance_of_numbers(numbers))
    counted = {number.observation for number in numbers}
    for place, observation in enumerate(found.observations):
        if place not in counted:
            read += explained_by(observation, rows).log_any.reshape(rows.shape)
            read_by_chance += log(max(observation.by_chance, 1e-12))
    for more in found.logs:
        logs = logs + more
    prior = (1 - SOUND_PRIOR - OUTSIDE_PRIOR) * _learned(one, proven)
    prior[-1] = SOUND_PRIOR
    logs += np.log(np.maximum(prior, 1e-30))[:, None]
    exponent = _exponent(logs, read)
    logs += exponent * read
    highest = float(logs.max())
    weights = np.exp(logs - highest) / logs.shape[1]
    whole = float(weights.sum())
    weights /= whole
    log_outside = log(OUTSIDE_PRIOR) + log(max(said.by_chance, 1e-300)) + exponent * read_by_chance
    outside = 1 / (1 + exp(min(highest + log(whole) - log_outside, MOST_LOG)))
    many = len(rows.wiring.elements) + 1
    elements = np.asarray((1 - outside) * np.bincount(one.element_of_way, weights.sum(axis=1), many))
    priors = np.bincount(one.element_of_way, prior, many)
    explains = elements / np.maximum(priors, 1e-30)
    return Located(weights, elements[:-1], explains[:-1], float(elements[-1]), outside)


MOST_LOG: Final = 700.0
"""Beyond it the exponential of a number is none."""


def _learned(one: Computed, proven: Mapping[str, int]) -> Array:
    """Return how often each way is met on this platform: the usual, as counts, with the proven causes added."""
    elements = one.rows.wiring.elements
    if not any(proven.get(element.name, 0) for element in elements):
        return one.usual.copy()
    usual = np.bincount(one.element_of_way, one.usual, len(elements) + 1)
    counts = np.array([float(proven.get(element.name, 0)) for element in elements] + [0.0])
    learned = (PROVEN_COUNTS * usual + counts) / (PROVEN_COUNTS + counts.sum())
    return np.asarray(one.usual * (learned / np.maximum(usual, 1e-30))[one.element_of_way])


def _exponent(logs: Array, read: Array) -> float:
    """Return the share of the readings' weight at which at least `LEAST_ROWS` rows carry the answer."""
    exponent = 1.0
    while exponent > LEAST_EXPONENT:
        whole = logs + exponent * read
        weights = np.exp(whole - whole.max())
        if float(weights.sum()) ** 2 / float((weights**2).sum()) >= LEAST_ROWS:
            return exponent
        exponent *= 0.85
    return exponent


def _where_on(
    one: Computed, evidence: Evidence, readings: Sequence[tuple[int, Reading]], most_tests: int
) -> WhereOnNetwork:
    wiring = one.rows.wiring
    names = (*wiring.modules, *wiring.beside)
    said, found, result, belief = believed(one, evidence, readings)
    suspects = _suspects(one, result, evidence.proven)
    credible = _credible(suspects, result)
    groups = tuple(level_groups(wiring, result.elements, result.evidence, credible))
    return WhereOnNetwork(
        wiring.network.name,
        suspects,
        result.sound,
        result.outside,
        credible,
        groups,
        tuple(places_to_open(belief, most_tests)) if most_tests else (),
        tuple(names[number] for number in said.silent),
        tuple(names[number] for number in said.answering),
        tuple(sorted(found.unused)),
    )


def believed(
    one: Computed, evidence: Evidence, readings: Sequence[tuple[int, Reading]]
) -> tuple[Said, Heard, Located, Belief]:
    """Return what is said, what was read, the probabilities that follow, and what tests are rated by."""
    wiring = one.rows.wiring
    names = (*wiring.modules, *wiring.beside)
    said = said_of(evidence, {module_identity(name): number for number, name in enumerate(names)})
    found = heard(readings, one.rows)
    result = located(one, said, found, evidence.proven)
    one.rows.forget()
    return said, found, result, Belief(one.rows, result.by_row, found.done, one.element_of_way)


def _suspects(one: Computed, result: Located, proven: Mapping[str, int]) -> tuple[Suspect, ...]:
    by_way = (1 - result.outside) * result.by_row.sum(axis=1)
    states: dict[int, dict[str, float]] = {}
    for way, share in zip(one.rows.ways, by_way, strict=True):
        of_element = states.setdefault(way.element, {})
        of_element[way.state] = of_element.get(way.state, 0.0) + float(share)
    suspects = [
        Suspect(
            element.name,
            element.kind,
            float(result.elements[index]),
            tuple(
                StateThere(state, share)
                for state, share in sorted(states.get(index, {}).items(), key=lambda each: -each[1])
            )[:SHOWN_STATES],
            proven.get(element.name, 0),
        )
        for index, element in enumerate(one.rows.wiring.elements)
    ]
    return tuple(sorted(suspects, key=lambda each: -each.probability))


def _credible(suspects: Sequence[Suspect], result: Located) -> tuple[str, ...]:
    """Return the smallest set of elements that holds nine tenths of what lies on the layout."""
    whole = float(result.elements.sum())
    held, found = 0.0, []
    for suspect in suspects:
        if held >= CREDIBLE * whole:
            break
        found.append(suspect.name)
        held += suspect.probability
    return tuple(found)
