"""From observations to probabilities: the share of each state's simulated buses that explains what was read.

Levels on a scope held against the average that a meter shows on the same line: it never lies beyond the driven one.

Beyond the level at rest it may well lie: a line that is slow to come back is not at rest between two bits. How far it
lies from either is not asked here: senders differ, and the simulated buses know how much.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from casebase.bus.bank import Bank
from casebase.bus.chain import Array
from casebase.bus.instruments import SCOPE_VOLTS, TRAFFIC_SEEN_VOLTS
from casebase.bus.observation import SMOOTH_VOLTS_SHARE, LevelRead, NumberRead, Observation
from casebase.record.reading import Reading
from casebase.record.vocabulary import BusState

USUAL_SLIPS: Final = 0.04
"""Chance that a reading was taken in one of the usual wrong ways: point moved, other line, bus asleep (judged)."""

ANY_SLIP: Final = 0.004
"""Chance that it is wrong in any other way: no reading rules a bus out for ever (judged)."""

LEAST_BUSES: Final = 20.0
"""How many simulated buses (effective sample size) must at least carry what is said within a state (judged)."""

LEAST_EXPONENT: Final = 0.1

CLASH_FROM: Final = 3.6
"""Standard errors by which at least one of two readings misses every simulated bus before they clash."""

CREDIBLE: Final = 0.90


@dataclass(frozen=True)
class Posterior:
    """Probabilities of the states, and the weight of every simulated bus (shape (rows,), summing to 1).

    `log_evidence` is the log of how well all buses together explain the readings: it compares ways of reading them.
    """

    states: tuple[BusState, ...]
    probabilities: Array
    weights: Array
    hosts: NDArray[np.int64]
    log_evidence: float

    def probability(self, state: BusState) -> float:
        """Return the probability of one state."""
        return float(self.probabilities[self.states.index(state)])

    def ranked(self) -> list[tuple[BusState, float]]:
        """Return (state, probability), the likeliest first."""
        order = np.argsort(-self.probabilities, kind="stable")
        return [(self.states[index], float(self.probabilities[index])) for index in order]

    def credible(self, share: float = CREDIBLE) -> list[BusState]:
        """Return the smallest set of states that holds `share` of the probability."""
        held, found = 0.0, []
        for state, probability in self.ranked():
            found.append(state)
            held += probability
            if held >= share:
                break
        return found


def posterior_of(
    bank: Bank, explained: Sequence[Array], prior: Mapping[BusState, float] | None = None
) -> Posterior:
    """Return the probabilities from how well each observation is explained; without a prior all states are alike."""
    logs = np.sum(explained, axis=0) if len(explained) else np.zeros(len(bank.states) * bank.per_state)
    by_bus = logs.reshape(len(bank.states), bank.per_state)
    of_state = np.array([(prior or {}).get(state, 1.0) for state in bank.states])
    log_states = _log_mean(by_bus) + np.log(np.maximum(of_state, 1e-12))
    probabilities = np.exp(log_states - log_states.max())
    log_evidence = float(log_states.max()) + math.log(probabilities.sum() / of_state.sum())
    probabilities /= probabilities.sum()
    within = np.stack([_weights_within(row) for row in by_bus])
    weights = (probabilities[:, None] * within).ravel()
    return Posterior(bank.states, probabilities, weights, bank.hosts(), log_evidence)


def _log_mean(logs: Array) -> Array:
    """Return the log of the mean of each row."""
    highest = logs.max(axis=1)
    return np.asarray(highest + np.log(np.exp(logs - highest[:, None]).mean(axis=1)))


def _weights_within(logs: Array) -> Array:
    """Return the weights of one state's buses, summing to 1; where a handful would decide, all errors are taken wider.

    Some thousand simulated buses cannot meet many narrow readings at once: where the fault lies must not hang on what
    one of them happens to show. The exponent is lowered until at least `LEAST_BUSES` carry the answer.
    """
    exponent = 1.0
    while True:
        weights = np.exp(exponent * (logs - logs.max()))
        weights /= weights.sum()
        if 1.0 / float((weights**2).sum()) >= LEAST_BUSES or exponent < LEAST_EXPONENT:
            return np.asarray(weights)
        exponent *= 0.85


def log_explained(observation: Observation, bank: Bank) -> Array:
    """Return the log of how well each bus explains one observation, taken rightly or in one of the usual wrong ways."""
    misfit = observation.misfit(bank)
    slips = observation.slips(bank)
    explained = (1 - USUAL_SLIPS - ANY_SLIP) * np.exp(-0.5 * misfit**2)
    for slip in slips:
        explained = explained + USUAL_SLIPS / len(slips) * np.exp(-0.5 * slip**2)
    return np.asarray(np.log(explained + ANY_SLIP * np.exp(-0.5 * (misfit / 20.0) ** 2) / 20.0))


@dataclass(frozen=True)
class Clash:
    """Observations that no simulated bus shows together; indices into the observations, one or two."""

    observations: tuple[int, ...]
    misfit: float


def clashes(misfits: Sequence[Array]) -> list[Clash]:
    """Return which observations fit no bus of any state, alone or in pairs; the worst first.

    Where no pair clashes but all together do, the pair that fits worst is named.
    """
    alone = [Clash((index,), float(misfit.min())) for index, misfit in enumerate(misfits)]
    found = [clash for clash in alone if clash.misfit > CLASH_FROM]
    if found:
        return sorted(found, key=lambda clash: -clash.misfit)
    pairs = [
        Clash((one, other), float(np.maximum(misfits[one], misfits[other]).min()))
        for one, other in combinations(range(len(misfits)), 2)
    ]
    found = sorted((clash for clash in pairs if clash.misfit > CLASH_FROM), key=lambda clash: -clash.misfit)
    if found or len(misfits) < 3:
        return found
    # The more there is to meet at once, the fewer of some thousand buses meet it all.
    allowed = CLASH_FROM * (1 + max(0, len(misfits) - 3) / 8)
    together = float(np.maximum.reduce(list(misfits)).min())
    worst = max(pairs, key=lambda clash: clash.misfit)
    return [Clash(worst.observations, together)] if together > allowed else []


def expected_entropy(probabilities: Array) -> float:
    """Return the entropy of a distribution in bits; of several (rows), the mean of theirs."""
    logs = np.log2(np.where(probabilities > 0, probabilities, 1.0))
    return float(-(probabilities * logs).sum(axis=-1).mean())


AVERAGES: Final = {"volts_high": "high", "volts_low": "low", "volts_line": "line"}


class _Level(NamedTuple):
    """A level with its place among the observations."""

    place: int
    read: LevelRead


def level_clashes(observations: Sequence[Observation], readings: Sequence[Reading]) -> list[Clash]:
    """Return the averages beyond the driven level of their line, read in the same place and state; the worst first."""
    levels = [_Level(place, one) for place, one in enumerate(observations) if isinstance(one, LevelRead)]
    found = [
        clash
        for place, one in enumerate(observations)
        if isinstance(one, NumberRead) and one.quantity in AVERAGES
        for rest, driven in _both_levels(one, levels, readings)
        if (clash := _clash(place, one, rest, driven))
    ]
    return sorted(found, key=lambda clash: -clash.misfit)


def _both_levels(
    average: NumberRead, levels: Sequence[_Level], readings: Sequence[Reading]
) -> Iterator[tuple[_Level, _Level]]:
    """Yield rest and driven level of the line that was averaged, off one picture each time."""
    side = AVERAGES[average.quantity]
    seen = [
        level
        for level in levels
        if level.read.view == average.view and _same_state(readings, average, level.read)
    ]
    for rest in seen:
        for driven in seen:
            names = rest.read.quantity, driven.read.quantity
            if (
                names == (f"recessive_{side}", f"dominant_{side}")
                and rest.read.readings == driven.read.readings
            ):
                yield rest, driven


def _same_state(readings: Sequence[Reading], average: NumberRead, level: LevelRead) -> bool:
    """Return whether both were taken at one stage and in one state."""
    meter, scope = readings[average.readings[0]], readings[level.readings[0]]
    return (meter.stage, meter.tester, meter.ignition) == (scope.stage, scope.tester, scope.ignition)


def _clash(place: int, average: NumberRead, rest: _Level, driven: _Level) -> Clash | None:
    """Return the average with the driven level, where it lies farther beyond it than the errors allow."""
    swing = driven.read.volts - rest.read.volts
    if abs(swing) < TRAFFIC_SEEN_VOLTS:
        return None
    beyond = (average.read.value - driven.read.volts) * (1.0 if swing > 0 else -1.0)
    of_level = SCOPE_VOLTS + SMOOTH_VOLTS_SHARE * abs(driven.read.volts)
    misfit = beyond / (average.read.error**2 + of_level**2) ** 0.5
    return Clash((place, driven.place), misfit) if misfit > CLASH_FROM else None
