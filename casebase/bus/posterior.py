"""From observations to probabilities: the share of each state's simulated buses that explains what was read.

A share is left for buses like none simulated. Levels on a scope are held against the average that a meter shows on the
same line: it never lies beyond the driven level. Beyond the level at rest it may well lie: a line that is slow to come
back is not at rest between two bits.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from casebase.bus.bank import Bank
from casebase.bus.chain import Array
from casebase.bus.instruments import SCOPE_VOLTS, TRAFFIC_SEEN_VOLTS
from casebase.bus.observation import (
    SMOOTH_VOLTS_SHARE,
    Bench,
    LevelRead,
    NumberRead,
    Observation,
    VoltsPairRead,
)
from casebase.record.reading import Reading
from casebase.record.vocabulary import BusState

HOW_OFTEN: Final = {
    BusState.HEALTHY: 1.5,
    BusState.POOR_JOINT: 0.4,
    BusState.TERMINATOR_WRONG_VALUE: 0.6,
    BusState.LEAK: 0.5,
    BusState.MODULE_LOADS_LINES: 0.3,
    BusState.GROUND_OFFSET: 0.2,
    BusState.ONE_AWAKE_ALONE: 0.3,
}
"""How often these are met, against each of the other states (judged)."""

OUTSIDE_PRIOR: Final = 0.02
"""Chance that a bus is like none of those simulated (judged, and held against buses of another generator)."""

TOGETHER_WELL, TOGETHER_BADLY = -0.5, -1.2
"""Log, per observation, of how much worse one bus explains all of them than the best for each: between, trust falls."""

LEAST_TRUSTED: Final = 0.7
"""Exponent on the evidence for each state where no bus explains the observations together: the real one is like none.

Both fitted on 1,458 buses of another generator, solved by ngspice (`tests/bench/wide_posterior.py`, seeds 0 to 2).
"""

USUAL_SLIPS: Final = 0.04
"""Chance that a reading was taken in one of the usual wrong ways: point moved, other line, bus asleep (judged)."""

ANY_SLIP: Final = 0.01
"""Chance that it is wrong in any other way, and then may show anything at all (judged)."""

WIDE_TAIL, TAIL_ERRORS = 0.05, 2.5
"""Share of right readings that lie farther off than their errors say: no figure of a meter is exact (judged)."""

LEAST_BUSES: Final = 20.0
"""How many simulated buses (effective sample size) must at least carry what is said within a state (judged)."""

LEAST_EXPONENT: Final = 0.1

CLASH_FROM: Final = 3.6
"""Standard errors by which an average lies beyond the driven level of its line before the two clash."""

WRONG_FROM: Final = 0.96
"""Probability that some reading was taken wrongly from which that is said (judged)."""

ALONE_WRONG_FROM: Final = 0.9
"""The same of a reading that stands alone: 600 ohm between the lines is sooner 60 with the point moved (judged)."""

SHOWN_FROM: Final = -6.0
"""Log of how well the best bus explains a single reading, from which it is one that buses show."""

RECONCILED_FROM: Final = 0.2
"""Probability from which a usual slip is named as what would reconcile a reading with the rest (judged)."""

CREDIBLE: Final = 0.90

OUTSIDE_FROM: Final = 0.5
"""Probability from which a bus is said to be like none simulated."""


@dataclass(frozen=True)
class Posterior:
    """Probabilities of the states, and the weight of every simulated bus (shape (rows,), summing to 1).

    `outside` is the probability that the bus is like none simulated; those of the states are given that it is not.
    `log_evidence` is the log of how well all buses together explain the readings: it compares ways of reading them.
    """

    states: tuple[BusState, ...]
    probabilities: Array
    weights: Array
    hosts: NDArray[np.int64]
    log_evidence: float
    outside: float = 0.0

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
    bank: Bank,
    explained: Sequence[Array],
    prior: Mapping[BusState, float] | None = None,
    by_chance: float = 0.0,
) -> Posterior:
    """Return the probabilities from how well each observation is explained; without a prior all states are alike.

    `by_chance` is how likely a bus like none simulated explains all observations.
    """
    logs = np.sum(explained, axis=0) if len(explained) else np.zeros(len(bank.states) * bank.per_state)
    by_bus = logs.reshape(len(bank.states), bank.per_state)
    of_state = np.array([(HOW_OFTEN if prior is None else prior).get(state, 1.0) for state in bank.states])
    log_explained, log_often = _log_mean(by_bus), np.log(np.maximum(of_state, 1e-12))
    log_evidence = float(np.logaddexp.reduce(log_explained + log_often)) - math.log(of_state.sum())
    log_states = _trust(logs, explained) * log_explained + log_often
    probabilities = np.exp(log_states - log_states.max())
    probabilities /= probabilities.sum()
    within = np.stack([_weights_within(row) for row in by_bus])
    weights = (probabilities[:, None] * within).ravel().astype(np.float64)
    weights /= weights.sum()
    outside = OUTSIDE_PRIOR * by_chance
    inside = (1 - OUTSIDE_PRIOR) * math.exp(log_evidence)
    share = outside / (outside + inside) if outside else 0.0
    return Posterior(bank.states, probabilities, weights, bank.hosts, log_evidence, share)


def _trust(logs: Array, explained: Sequence[Array]) -> float:
    """Return the exponent on the evidence: 1 where one bus explains all as well as each is explained by some bus."""
    if len(explained) == 0:
        return 1.0
    together = float(logs.max() - sum(one.max() for one in explained)) / len(explained)
    missed = (TOGETHER_WELL - together) / (TOGETHER_WELL - TOGETHER_BADLY)
    return 1.0 - (1.0 - LEAST_TRUSTED) * min(1.0, max(0.0, missed))


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


class Explained(NamedTuple):
    """Logarithms of how well each bus explains an observation, shape (rows,): in any way, and if taken rightly."""

    log_any: Array
    log_right: Array


class Alike(Bench, Protocol):
    """Simulated rows of which neighbours are alike in the fault, such as a bank."""

    def mean_of_alike(self, column: Array) -> Array:
        """Return a column (rows,) with each entry the mean over its neighbours."""


def explained_by(observation: Observation, bank: Alike) -> Explained:
    """Return how well each bus explains one observation, taken rightly or in one of the usual wrong ways."""
    squared = -0.5 * observation.misfit(bank) ** 2
    tail = WIDE_TAIL / TAIL_ERRORS * np.exp(squared / TAIL_ERRORS**2)
    right = (1 - USUAL_SLIPS - ANY_SLIP) * ((1 - WIDE_TAIL) * np.exp(squared) + tail)
    slips = observation.slips(bank)
    anyhow = right + ANY_SLIP * observation.by_chance
    for slip in slips:
        anyhow += USUAL_SLIPS / len(slips) * np.exp(-0.5 * slip.misfit**2)
    if not observation.live:
        anyhow, right = bank.mean_of_alike(anyhow), bank.mean_of_alike(right)
    return Explained(np.log(anyhow), np.log(np.maximum(right, 1e-37)))


@dataclass(frozen=True)
class Clash:
    """Observations of which at least one was most likely taken wrongly, with that probability; indices, one or two."""

    observations: tuple[int, ...]
    probability: float


def clashes(explained: Sequence[Explained], posterior: Posterior) -> list[Clash]:
    """Return which observations do not go with the rest: the one most likely taken wrongly, or two of them."""
    some_wrong = taken_wrongly(explained, posterior)
    if some_wrong < (ALONE_WRONG_FROM if len(explained) == 1 else WRONG_FROM):
        return []
    wrong = [
        float(1.0 - (posterior.weights * np.exp(one.log_right - one.log_any)).sum()) for one in explained
    ]
    order = sorted(range(len(wrong)), key=lambda place: -wrong[place])
    named = order[:1] if wrong[order[0]] >= WRONG_FROM or len(order) == 1 else order[:2]
    return [Clash(tuple(sorted(named)), some_wrong)]


def taken_wrongly(explained: Sequence[Explained], posterior: Posterior) -> float:
    """Return the probability that some observation was taken wrongly, or that the bus is like none simulated."""
    if not explained:
        return 0.0
    none_wrong = sum(one.log_right.astype(np.float64) - one.log_any for one in explained)
    some_wrong = 1.0 - float((posterior.weights * np.exp(none_wrong)).sum())
    return posterior.outside + (1 - posterior.outside) * some_wrong


def likely_slip(observation: Observation, bank: Bank, posterior: Posterior) -> str | None:
    """Return the usual slip that would best reconcile an observation with the rest, in words; None where none would."""
    slips = observation.slips(bank)
    explained = explained_by(observation, bank)
    rest = posterior.weights * np.exp(-explained.log_any)
    by_words: dict[str, float] = {}
    for slip in slips:
        share = USUAL_SLIPS / len(slips) * float((rest * np.exp(-0.5 * slip.misfit**2)).sum())
        by_words[slip.words] = by_words.get(slip.words, 0.0) + share
    words = max(by_words, key=lambda each: by_words[each], default=None)
    return words if words is not None and by_words[words] >= RECONCILED_FROM else None


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
        for average in _averages(one)
        for rest, driven in _both_levels(average, levels, readings)
        if (clash := _clash(place, average, rest, driven))
    ]
    return sorted(found, key=lambda clash: -clash.probability)


def _averages(observation: Observation) -> Iterator[NumberRead]:
    if isinstance(observation, VoltsPairRead):
        yield from (observation.high, observation.low)
    elif isinstance(observation, NumberRead) and observation.quantity in AVERAGES:
        yield observation


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
    return Clash((place, driven.place), 1.0 - math.exp(-0.5 * misfit**2)) if misfit > CLASH_FROM else None
