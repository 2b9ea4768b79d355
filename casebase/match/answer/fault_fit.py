"""How well each fault explains the readings of all networks of a job, where one network at most is at fault.

A cause that is a bus state looks like it, or like a sound network where it sits on a branch. One that leaves the wires
alone looks sound. One that may do anything to them looks as it did in its own case.

The posteriors of several networks become one: either every network is sound, or one of them is in a state of fault and
the others are sound. A likelihood here is 1 on average over these: above 1 the readings speak for it, below against it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

from casebase.match.facets.network import (
    LOOKS_HEALTHY_SHARE,
    SAME_PHYSICS_FROM,
    SOUND,
    STATES,
    medium_likeness,
    state_of,
)
from casebase.match.meaning import Meaning, reconciled
from casebase.match.profile import Profile

SOUND_TO_LOOK_AT: Final[Mapping[str, float]] = {SOUND[0]: 0.5, SOUND[1]: 0.5}
"""A network on which nothing is wrong, or nothing that shows from where the leads are (judged)."""

OWN_SHARE: Final = 0.1
"""How much the readings of its own case say beside a cause that is a bus state or leaves the wires alone (judged)."""

OWN_SHARE_ALONE: Final = 0.7
"""How much they say where nothing else tells how the cause looks (judged)."""

SLIP: Final = 0.01
"""Chance that a cause was mistaken, so that anything may be read (judged)."""

ANYTHING: Final[Mapping[str, float]] = dict.fromkeys(STATES, 1.0 / len(STATES))

_SOUND_CAUSES: Final[Mapping[str, Mapping[str, float]]] = {
    SOUND[0]: {SOUND[0]: 0.8, SOUND[1]: 0.2},
    SOUND[1]: {SOUND[0]: 0.1, SOUND[1]: 0.9},
    SOUND[2]: {SOUND[1]: 0.2, SOUND[2]: 0.8},
}
"""A network that should be healthy, quiet or asleep: who reads it may have woken it or not (judged)."""


def states_expected(past: Profile, medium: str, fault: str | None = None) -> dict[str, float]:
    """Return the probability of each bus state on a network of `medium`, given a fault of a past case."""
    state = state_of(fault or past.fault or "")
    own = past.meaning.get(medium)
    if state is None:
        share = OWN_SHARE_ALONE if own else 0.0
        return _mixed((share, own or ANYTHING), (1.0 - share, ANYTHING))
    typical = _SOUND_CAUSES.get(state, {state: 1.0})
    branch = 0.0 if state in SOUND else LOOKS_HEALTHY_SHARE
    rest = 1.0 - branch - OWN_SHARE - SLIP
    return _mixed((rest, typical), (OWN_SHARE, own or typical), (branch, SOUND_TO_LOOK_AT), (SLIP, ANYTHING))


def _mixed(*parts: tuple[float, Mapping[str, float]]) -> dict[str, float]:
    mixed = dict.fromkeys(STATES, 0.0)
    for share, looks in parts:
        whole = sum(looks.values())
        for state, probability in looks.items():
            mixed[state] += share * probability / whole
    return mixed


LEAST_SOUND: Final = 1e-6


@dataclass(frozen=True, slots=True)
class BusRead:
    """One network that was read: its name, its medium, the probability of each of its states."""

    name: str
    medium: str
    shares: Mapping[str, float]

    @property
    def sound(self) -> float:
        """The probability that nothing is wrong with its wires."""
        return sum(self.shares.get(state, 0.0) for state in SOUND)


def buses_read(job: Profile, meanings: Sequence[Meaning] = ()) -> list[BusRead]:
    """Return the networks whose readings tell something, one that clashes left out; without meanings, the profile's."""
    if not meanings:
        return [BusRead(medium, medium, shares) for medium, shares in sorted(job.meaning.items())]
    found = [
        BusRead(one.name, str(one.network.medium), {str(state): share for state, share in left.ranked()})
        for one, left in reconciled(meanings)
    ]
    return sorted(found, key=lambda bus: (bus.medium, bus.name))


def read_rightly(meanings: Sequence[Meaning]) -> float:
    """Return how likely all that counts was read rightly, where that is least likely; 1 without readings."""
    read = [meaning.diagnosis for meaning in meanings if meaning.diagnosis.observations]
    return 1.0 - max(((one.reconciled or one).taken_wrongly for one in read), default=0.0)


@dataclass(frozen=True)
class SingleFault:
    """The one posterior over where the fault is and what it is, from the networks that were read."""

    buses: Sequence[BusRead]

    @cached_property
    def sound(self) -> float:
        """The probability that no network read is at fault; 1 where none was read."""
        return 1.0 / (1.0 + sum(odds for bus in self.buses for odds in _odds(bus).values()))

    @cached_property
    def faulty(self) -> dict[str, float]:
        """The probability of each state of fault, on whichever network."""
        found: dict[str, float] = {}
        for bus in self.buses:
            for state, odds in _odds(bus).items():
                found[state] = found.get(state, 0.0) + odds * self.sound
        return found

    def likelihood(self, medium: str | None, believed: Mapping[str, float]) -> float:
        """Return how well the readings fit a fault on a network of `medium` that may be in any state `believed`.

        A network of a medium that was not read leaves those that were read sound to look at.
        """
        if not self.buses:
            return 1.0
        bus = self._of_medium(medium)
        if bus is None:
            return min(self._on(each, SOUND_TO_LOOK_AT) for each in self.buses)
        return self._on(bus, believed)

    def probability(self, state: str) -> float | None:
        """Return the probability of a state; None without readings.

        Healthy means that no network read is at fault, awake or not; quiet and asleep are of the one that looks worst.
        """
        if not self.buses:
            return None
        if state == SOUND[0]:
            return self.sound
        if state in SOUND:
            worst = min(self.buses, key=lambda bus: bus.sound)
            return self.sound * _within_sound(worst, state)
        return self.faulty.get(state, 0.0)

    def _of_medium(self, medium: str | None) -> BusRead | None:
        """Return the network of that kind that looks worst."""
        alike = [(medium_likeness(bus.medium, medium), bus) for bus in self.buses if medium is not None]
        near = [(likeness, bus) for likeness, bus in alike if likeness >= SAME_PHYSICS_FROM]
        return max(near, key=lambda item: (item[0], -item[1].sound), default=(0.0, None))[1]

    def _on(self, bus: BusRead, believed: Mapping[str, float]) -> float:
        odds = _odds(bus)
        chances = sum(
            share
            * (
                self.sound * _within_sound(bus, state)
                if state in SOUND
                else self.sound * odds.get(state, 0.0)
            )
            for state, share in believed.items()
        )
        return chances * self._alternatives

    @cached_property
    def _alternatives(self) -> int:
        return len(SOUND) + sum(len(_odds(bus)) for bus in self.buses)


def _odds(bus: BusRead) -> dict[str, float]:
    """Return each state of fault against the bus being sound."""
    sound = max(bus.sound, LEAST_SOUND)
    return {state: share / sound for state, share in bus.shares.items() if state not in SOUND}


def _within_sound(bus: BusRead, state: str) -> float:
    return bus.shares.get(state, 0.0) / max(bus.sound, LEAST_SOUND)
