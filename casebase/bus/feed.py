"""The feed of each module that was read at its plug: sound, or supply or ground missing or poor, with probabilities.

It is evidence beside the states of the bus: a module without supply is silent on a bus that is sound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import numpy as np

from casebase.bus.feed_draws import Array, FeedState, Load, feeds_drawn
from casebase.bus.feed_evidence import (
    DLC_NAME,
    explained_by_feeds,
    is_of_a_feed,
    load_of,
    module_at,
    unusable_for_a_feed,
)
from casebase.record.modules import family_of, module_identity
from casebase.record.quantities import Amount
from casebase.record.reading import Reading
from casebase.record.vocabulary import Ignition, Line, Quantity, YesNo

PRIOR: Final = {
    FeedState.SOUND: 0.6,
    FeedState.SUPPLY_MISSING: 0.2,
    FeedState.SUPPLY_WEAK: 0.1,
    FeedState.GROUND_POOR: 0.1,
}
"""Before anything is read at the plug of a module that somebody thinks of reading (judged)."""

FROM_24_VOLTS: Final = 18.0


@dataclass(frozen=True)
class ReadAtPlug:
    """One reading as evidence: its index, and how well each drawn feed explains it, shape (rows,), 0..1."""

    reading: int
    explains: Array
    is_loaded: bool


@dataclass(frozen=True)
class Feed:
    """What was read at the plug of one module, and what it means; `module` is its name, or `DLC`."""

    module: str
    read: tuple[ReadAtPlug, ...]
    readings: tuple[Reading, ...]

    @property
    def family(self) -> str:
        """The family of the module, `DLC` there."""
        return DLC_NAME if self.module == DLC_NAME else family_of(self.module)

    @cached_property
    def likelihoods(self) -> dict[FeedState, float]:
        """How well each state explains all that was read, 0..1."""
        together = np.prod([each.explains for each in self.read], axis=0)
        return _by_state(together)

    @cached_property
    def probabilities(self) -> dict[FeedState, float]:
        """The probability of each state; they sum to 1."""
        weighed = {state: PRIOR[state] * self.likelihoods[state] for state in FeedState}
        whole = sum(weighed.values())
        return {state: weight / whole for state, weight in weighed.items()}

    @property
    def state(self) -> FeedState:
        """The likeliest state."""
        return max(self.probabilities, key=self.probabilities.__getitem__)

    @property
    def sound(self) -> float:
        """The probability that nothing is wrong with it."""
        return self.probabilities[FeedState.SOUND]

    @property
    def is_loaded(self) -> bool:
        """Whether anything was read while current flowed: only then is a poor joint seen."""
        return any(each.is_loaded for each in self.read)

    @cached_property
    def shown(self) -> str:
        """The reading that says most for the state, in words."""
        pulls = [_by_state(each.explains) for each in self.read]
        told = [pull[self.state] / sum(pull.values()) for pull in pulls]
        best = max(range(len(told)), key=lambda place: (told[place], self.read[place].is_loaded))
        return _shown(
            self.readings[self.read[best].reading], "its pins" if self.module == DLC_NAME else "its plug"
        )


def feeds_of(readings: Sequence[Reading]) -> list[Feed]:
    """Return the feed of each module at whose plug supply or ground was read, in the order of the readings."""
    drawn = feeds_drawn(2.0 if _is_24_volts(readings) else 1.0)
    found: dict[str, Feed] = {}
    for index, reading in enumerate(readings):
        module = module_at(reading)
        if module is None or unusable_for_a_feed(reading):
            continue
        feed = found.setdefault(module_identity(module), Feed(module, (), tuple(readings)))
        at_plug = ReadAtPlug(
            index,
            explained_by_feeds(reading, module, drawn),
            load_of(reading, module) in (Load.LAMP, Load.MODULE),
        )
        found[module_identity(module)] = replace(feed, read=(*feed.read, at_plug))
    return list(found.values())


def any_bad(feeds: Sequence[Feed]) -> bool:
    """Return whether any module's feed is more likely bad than sound."""
    return any(map(is_bad, feeds))


def is_bad(feed: Feed) -> bool:
    """Return whether a feed is more likely bad than sound."""
    return feed.sound < 0.5


def worst_state(feed: Feed) -> FeedState:
    """Return the likeliest of the states in which something is wrong."""
    bad = {state: share for state, share in feed.probabilities.items() if state is not FeedState.SOUND}
    return max(bad, key=bad.__getitem__)


def _is_24_volts(readings: Sequence[Reading]) -> bool:
    return any(
        is_of_a_feed(reading)
        and reading.quantity is Quantity.VOLTAGE
        and isinstance(reading.value, Amount)
        and reading.value.number > FROM_24_VOLTS
        for reading in readings
    )


def _by_state(explains: Array) -> dict[FeedState, float]:
    means = explains.reshape(len(FeedState), -1).mean(axis=1)
    return dict(zip(FeedState, map(float, means), strict=True))


# --- in words -----------------------------------------------------------------------------------------------------

SURE_FROM: Final = 0.9
LIKELY_FROM: Final = 0.6

STATE_WORDS: Final = {
    FeedState.SOUND: "supply and ground sound",
    FeedState.SUPPLY_MISSING: "supply missing",
    FeedState.SUPPLY_WEAK: "supply weak",
    FeedState.GROUND_POOR: "ground missing or poor",
}


def feed_words(feed: Feed) -> str:
    """Return one line on a feed: `ABS: supply missing: 0.3 V at its plug`."""
    share = feed.probabilities[feed.state]
    said = STATE_WORDS[feed.state]
    if share < LIKELY_FROM:
        ranked = sorted(feed.probabilities.items(), key=lambda item: -item[1])
        said = f"not decided ({', '.join(f'{STATE_WORDS[state]} {part:.2f}' for state, part in ranked[:3])})"
    elif share < SURE_FROM:
        said = f"most likely {said} ({share:.2f})"
    unloaded = feed.state is FeedState.SOUND and not feed.is_loaded
    return f"{feed.module}: {said}: {feed.shown}{UNLOADED if unloaded else ''}"


UNLOADED: Final = "; a poor joint shows only under load"


def feed_data(feed: Feed) -> dict[str, Any]:
    """Return a feed as plain data."""
    return {
        "module": feed.module,
        "state": str(feed.state),
        "states": [
            {"state": str(state), "probability": round(share, 4)}
            for state, share in sorted(feed.probabilities.items(), key=lambda item: -item[1])
        ],
        "under_load": feed.is_loaded,
        "words": feed_words(feed),
    }


def _shown(reading: Reading, place: str) -> str:
    """Return a reading as it stands beside its module: `0.3 V at its plug`."""
    moment = {Ignition.CRANKING: " while cranking", Ignition.RUNNING: " with the engine running"}
    loaded = {YesNo.YES: " under load", YesNo.NO: " without load"}
    when = moment.get(reading.ignition, "") if reading.ignition else ""
    load = loaded[reading.loaded] if reading.loaded else ""
    return f"{reading.value} {_seen(reading, place)}{load}{when}"


def _seen(reading: Reading, place: str) -> str:
    leads = {reading.line, reading.against}
    wire = "supply" if reading.line is Line.SUPPLY else "ground"
    if reading.quantity is Quantity.RESISTANCE:
        return f"along its {wire} wire"
    if leads == {Line.SUPPLY, Line.BATTERY_PLUS}:
        return "lost along its supply wire"
    if reading.line is Line.GROUND and leads <= {Line.GROUND, Line.BATTERY_MINUS, None}:
        return "lost along its ground wire"
    return f"at {place}"
