"""What a set of readings on one bus can mean: probabilities, evidence, clashes, in data and in words.

The simulation bank of each medium.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Final

import numpy as np

from casebase.bus.bank import BUSES_PER_STATE, Bank, Model
from casebase.bus.chain import Array
from casebase.bus.fault_tolerant import fault_tolerant_can
from casebase.bus.flexray import flexray
from casebase.bus.interpret import Interpreted, interpret
from casebase.bus.measured import EitherRead
from casebase.bus.observation import Observation
from casebase.bus.pair import high_speed_can, j1939
from casebase.bus.posterior import (
    HOW_OFTEN,
    SHOWN_FROM,
    Clash,
    Explained,
    Posterior,
    clashes,
    explained_by,
    level_clashes,
    likely_slip,
    posterior_of,
    taken_wrongly,
)
from casebase.bus.roles import BusUnderTest, Roles, roles_for, ways_to_hold
from casebase.bus.single_faults import k_line, lin, single_wire_can
from casebase.record.reading import Reading
from casebase.record.vocabulary import BusState, Medium

_MODELS: Final[dict[Medium, Callable[[], Model]]] = {
    Medium.HIGH_SPEED_CAN: high_speed_can,
    Medium.J1939: j1939,
    Medium.FAULT_TOLERANT_CAN: fault_tolerant_can,
    Medium.SINGLE_WIRE_CAN: single_wire_can,
    Medium.LIN: lin,
    Medium.FLEXRAY: flexray,
    Medium.K_LINE: k_line,
    Medium.CAN_FD: high_speed_can,
}

_OF_FEW_STATES: Final = (Medium.LIN, Medium.K_LINE, Medium.SINGLE_WIRE_CAN)
"""Media with half the states of a pair: twice the buses for each, in the same time."""


@lru_cache(maxsize=16)
def bank_for(medium: Medium, cache: Path | None = None, *, rough: bool = False) -> Bank:
    """Return the bank of a medium; `cache` is a folder in which simulated buses are kept between runs.

    A `rough` one has an eighth of the buses: enough for a posterior that is kept in twentieths, of thousands of cases.
    """
    if medium is Medium.CAN_FD:
        return bank_for(Medium.HIGH_SPEED_CAN, cache, rough=rough)
    per_state = BUSES_PER_STATE * (2 if medium in _OF_FEW_STATES else 1)
    bank = Bank(_MODELS[medium](), cache, per_state)
    return bank.coarse if rough else bank


def computed_media() -> tuple[Medium, ...]:
    """Return the media whose readings can be computed."""
    return tuple(_MODELS)


FAVOURS_FROM: Final = 2.0
AGAINST_BELOW: Final = 0.05
"""How much likelier a state must make a reading than the states do on average, to count for or against it."""

DOUBT_FROM: Final = 0.12
"""How well a slip on a healthy bus must explain the readings, against the state named first (judged)."""

HOST_FROM: Final = 0.5
"""Probability from which the module that the fault lies in is named."""


@dataclass(frozen=True)
class Evidence:
    """What one reading says: the states it speaks for and against."""

    reading: int
    favours: tuple[BusState, ...]
    against: tuple[BusState, ...]


@dataclass(frozen=True)
class Size:
    """How much of a fault there is, in ohm or volt: the middle, and between what nine in ten lie."""

    low: float
    middle: float
    high: float


@dataclass(frozen=True)
class Diagnosis:
    """What the readings of one bus can mean."""

    bank: Bank
    roles: Roles
    readings: tuple[Reading, ...]
    interpreted: Interpreted
    explained: tuple[Explained, ...]
    posterior: Posterior
    prior: Mapping[BusState, float] | None = None

    def probability(self, state: BusState) -> float:
        """Return the probability of one state."""
        return self.posterior.probability(state)

    def ranked(self) -> list[tuple[BusState, float]]:
        """Return (state, probability), the likeliest first."""
        return self.posterior.ranked()

    def credible(self) -> list[BusState]:
        """Return the smallest set of states that holds 90 %."""
        return self.posterior.credible()

    @property
    def observations(self) -> list[Observation]:
        """What was made of the readings."""
        return self.interpreted.observations

    @property
    def outside(self) -> float:
        """The probability that the bus is like none that was simulated."""
        return self.posterior.outside

    def size_of(self, state: BusState) -> Size | None:
        """Return how much of a fault there is, should the bus be in `state`; None where that has no meaning."""
        rows = self.bank.rows_of(state)
        sizes, weights = self.bank.sizes[rows], self.posterior.weights[rows]
        if np.isnan(sizes[0]) or not weights.sum():
            return None
        order = np.argsort(sizes)
        held = np.cumsum(weights[order]) / weights.sum()
        places = np.minimum(np.searchsorted(held, (0.05, 0.5, 0.95)), len(sizes) - 1)
        return Size(*(float(size) for size in sizes[order][places]))

    def line_of(self, state: BusState) -> tuple[str, float] | None:
        """Return the line (`high`, `low`) a fault in `state` lies in, with the probability; None where it has none."""
        rows = self.bank.rows_of(state)
        lines, weights = self.bank.lines[rows], self.posterior.weights[rows]
        shares = {name: float(weights[lines == place].sum()) for place, name in enumerate(("high", "low"))}
        whole = sum(shares.values())
        if not whole:
            return None
        line = max(shares, key=lambda name: shares[name])
        return line, shares[line] / whole

    def without(self, observations: Sequence[int]) -> Diagnosis:
        """Return what the readings mean with some of the observations left out."""
        left = [one for place, one in enumerate(self.observations) if place not in observations]
        interpreted = replace(self.interpreted, observations=left)
        return weighed(self.bank, self.roles, self.readings, interpreted, self.prior)

    def slip_in(self, observation: int) -> str | None:
        """Return the usual slip that would reconcile an observation with the rest, in words."""
        return likely_slip(self.observations[observation], self.bank, self.posterior)

    @cached_property
    def doubts(self) -> list[str]:
        """Usual slips under which a healthy bus reads about as well as the state named first, in words.

        To be asked about, not to be presumed: how seldom a slip is plays no part. None where readings clash.
        """
        first, _ = self.ranked()[0]
        if first is BusState.HEALTHY or BusState.HEALTHY not in self.bank.states or self.clashes:
            return []
        together = np.asarray(sum(one.log_any for one in self.explained), dtype=np.float64)
        as_said = float(np.exp(together[self.bank.rows_of(first)]).mean())
        healthy = self.bank.rows_of(BusState.HEALTHY)
        found = {
            slip.words
            for observation, one in zip(self.observations, self.explained, strict=True)
            for slip in observation.slips(self.bank)
            if float(
                np.exp(together[healthy] - one.log_any[healthy] - 0.5 * slip.misfit[healthy] ** 2).mean()
            )
            >= DOUBT_FROM * as_said
        }
        return sorted(found)

    @cached_property
    def clashes(self) -> list[Clash]:
        """Observations that do not go together: one of them was most likely taken wrongly.

        Averages that do not lie between the levels of their own line come before.
        """
        by_line = level_clashes(self.observations, self.readings)
        named = {clash.observations for clash in by_line}
        found = clashes(self.explained, self.posterior)
        return [*by_line, *(clash for clash in found if clash.observations not in named)]

    @cached_property
    def suspect(self) -> int | None:
        """The observation most likely taken wrongly where readings clash; None where they do not."""
        if not self.clashes:
            return None
        return max(self.clashes[0].observations, key=self._chance_taken_wrongly)

    def _chance_taken_wrongly(self, observation: int) -> float:
        one = self.explained[observation]
        return 1.0 - float((self.posterior.weights * np.exp(one.log_right - one.log_any)).sum())

    @property
    def is_one_reading_alone(self) -> bool:
        """Whether all that is known is one reading: what clashes then clashes with what buses show."""
        return len(self.observations) == 1

    @property
    def is_shown_by_some_bus(self) -> bool:
        """Whether at least one simulated bus shows every single reading."""
        return all(one.log_right.max() > SHOWN_FROM for one in self.explained)

    @cached_property
    def taken_wrongly(self) -> float:
        """The probability that some reading was taken wrongly, or that the bus is like none simulated."""
        return taken_wrongly(self.explained, self.posterior)

    @cached_property
    def reconciled(self) -> Diagnosis | None:
        """What the readings mean where they go together; where they clash, what the others mean without the suspect.

        None where nothing was made of the readings, and where the others clash too.
        """
        left = self if self.suspect is None else self.without((self.suspect,))
        return left if left.observations and not left.clashes else None

    @cached_property
    def evidence(self) -> list[Evidence]:
        """What each reading says by itself, in the order of the readings."""
        return [self._evidence_of(index) for index in range(len(self.readings)) if self._explained_of(index)]

    @cached_property
    def host(self) -> tuple[str, float] | None:
        """The module that the fault most likely lies in, with the probability, where one stands out."""
        roles = self.bank.model.unpluggable
        shares = [
            float(self.posterior.weights[self.posterior.hosts == index].sum()) for index in range(len(roles))
        ]
        named = [
            (share, roles[index]) for index, share in enumerate(shares) if roles[index] in self.roles.names
        ]
        if not named or max(named)[0] < HOST_FROM:
            return None
        share, role = max(named)
        return self.roles.called(role), share

    def _explained_of(self, reading: int) -> list[Array]:
        return [
            one.log_any
            for observation, one in zip(self.observations, self.explained, strict=True)
            if reading in observation.readings
        ]

    def _evidence_of(self, reading: int) -> Evidence:
        explained = np.exp(sum(self._explained_of(reading)))
        by_state = explained.reshape(len(self.bank.states), self.bank.per_state).mean(axis=1)
        pull = by_state / by_state.mean()
        order = np.argsort(-pull)
        favours = tuple(self.bank.states[i] for i in order if pull[i] >= FAVOURS_FROM)
        against = tuple(self.bank.states[i] for i in order[::-1] if pull[i] < AGAINST_BELOW)
        return Evidence(reading, favours, against)


NOTHING_KNOWN: Final = BusUnderTest()


def diagnose(  # noqa: PLR0913  the bus, and how to reckon
    readings: Sequence[Reading],
    medium: Medium,
    bus: BusUnderTest = NOTHING_KNOWN,
    prior: Mapping[BusState, float] | None = None,
    cache: Path | None = None,
    *,
    rough: bool = False,
) -> Diagnosis:
    """Return what `readings`, taken on one bus of `medium`, can mean.

    `prior` gives the states' relative frequencies (left out: all alike). `cache` is a folder for the simulated buses.
    `rough` asks fewer of them, for what is kept of thousands of cases.
    """
    bank = bank_for(medium, cache, rough=rough)
    if bus.who_answers is not None:
        prior = bus.who_answers.weighed(HOW_OFTEN if prior is None else prior, medium)
    found = []
    for known, chance in ways_to_hold(bus, readings):
        roles = roles_for(known, readings, bank.model.unpluggable)
        diagnosis = weighed(bank, roles, tuple(readings), interpret(readings, roles, bank), prior)
        found.append((diagnosis.posterior.log_evidence + math.log(chance), diagnosis))
    return max(found, key=lambda each: each[0])[1]


def weighed(
    bank: Bank,
    roles: Roles,
    readings: tuple[Reading, ...],
    interpreted: Interpreted,
    prior: Mapping[BusState, float] | None = None,
) -> Diagnosis:
    """Return the diagnosis that follows from observations already made of the readings."""
    explained = [explained_by(observation, bank) for observation in interpreted.observations]
    if any(isinstance(observation, EitherRead) for observation in interpreted.observations):
        explained = list(_come_and_gone(interpreted.observations, explained, bank))
    by_chance = math.prod(observation.by_chance for observation in interpreted.observations)
    posterior = posterior_of(bank, [one.log_any for one in explained], prior, by_chance)
    return Diagnosis(bank, roles, readings, interpreted, tuple(explained), posterior, prior)


def _come_and_gone(
    observations: Sequence[Observation], explained: Sequence[Explained], bank: Bank
) -> Iterator[Explained]:
    """Yield how well each is explained where the fault comes and goes: half are taken while the bus is sound."""
    healthy = bank.rows_of(BusState.HEALTHY)
    for observation, one in zip(observations, explained, strict=True):
        if isinstance(observation, EitherRead):
            yield one
        else:
            with_and_without = (np.exp(log) / 2 + np.exp(log[healthy]).mean() / 2 for log in one)
            yield Explained(*map(np.log, with_and_without))
