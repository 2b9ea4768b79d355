"""Many feeds of a module as they may be, and what a meter would show at its plug on each of them.

A feed is a supply wire and a ground wire in series with the load that stands on them: a lamp, the module itself, or
the meter alone. What sound wires, poor joints and loads measure is common practice, no source, where nothing else is
named.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.record.vocabulary import Line

Array = NDArray[np.float64]


class FeedState(StrEnum):
    """What the feed of a module may be."""

    SOUND = "sound"
    SUPPLY_MISSING = "supply missing"
    SUPPLY_WEAK = "supply weak"
    GROUND_POOR = "ground missing or poor"


class Supplied(StrEnum):
    """What the vehicle battery goes through while something is read."""

    RESTING = "resting"
    ON = "on"
    CRANKING = "cranking"
    RUNNING = "running"


class Load(StrEnum):
    """What draws current through the wires while something is read."""

    NONE = "none"
    LAMP = "lamp"
    MODULE = "module"


DRAWS_PER_STATE: Final = 1500
_SEED: Final = 5

SOUND_BATTERY_VOLTS: Final = {
    Supplied.RESTING: (11.9, 12.9),
    Supplied.ON: (11.5, 12.8),
    Supplied.CRANKING: (9.4, 11.5),
    Supplied.RUNNING: (13.0, 14.9),
}
"""Of a 12 V vehicle. While starting not below 10 V, running 13 to 14.5 V (a machine maker's manual for a roller); the
rest is a lead-acid battery between half and full, and a little beyond (common practice, no source)."""

WEAK_BATTERY_VOLTS: Final = {
    Supplied.RESTING: (8.0, 11.6),
    Supplied.ON: (7.0, 11.2),
    Supplied.CRANKING: (4.5, 8.9),
    Supplied.RUNNING: (9.0, 12.6),
}
"""Modules must work from 9 V up (ISO 16750-2, code C, from memory); a battery below reaches all of them alike."""

SOUND_SUPPLY_OHMS: Final = (0.01, 0.2)
"""Fuse, wire and contacts: 0.35 V at most with a lamp of 21 W; half a volt is the usual limit for a whole circuit."""
SOUND_GROUND_OHMS: Final = (0.005, 0.1)
"""0.2 V at most with a lamp of 21 W; 0.1 to 0.2 V is the usual limit for a ground."""
WEAK_SUPPLY_OHMS: Final = (0.4, 300.0)
POOR_GROUND_OHMS: Final = (0.25, 1000.0)
OPEN_OHMS: Final = 1e9
LAMP_OHMS: Final = (3.0, 7.5)
"""21 W at 12 V is 6.9 ohm hot; a lamp that glows dull has less."""
MODULE_OHMS: Final = (5.0, 120.0)
"""0.1 to 2.4 A."""
METER_OHMS: Final = 1e7

MISSING_SHARE_OF_POOR_GROUND: Final = 0.4
WEAK_BATTERY_SHARE: Final = 0.3
SWITCHED_SHARE: Final = 0.5
"""How often the pin read is fed with the ignition only (judged)."""
BACK_FED_SHARE: Final = 0.15
"""How often a module without supply is fed a few volts by way of its other pins (judged)."""
OWN_GROUND_SHARE: Final = 0.4
"""How often `ground` is the plug's own ground pin, and not a bright spot of the body (judged)."""


@dataclass(frozen=True)
class Feeds:
    """Feeds drawn at random, shape (rows,) each; `state` counts in the order of `FeedState`.

    `battery` gives volts at the battery by what it goes through; `ghost` what an open lead shows; `back_fed` what the
    supply pin of a module without supply shows while it is plugged in.
    """

    state: NDArray[np.int64]
    battery: dict[Supplied, Array]
    supply_ohms: Array
    ground_ohms: Array
    lamp_ohms: Array
    module_ohms: Array
    switched: NDArray[np.bool_]
    own_ground: NDArray[np.bool_]
    ghost: Array
    back_fed: Array
    through_module: Array

    def for_volts(self, factor: float) -> Feeds:
        """Return the same feeds in a vehicle of another voltage: 2 for 24 V."""
        return replace(
            self,
            battery={supplied: volts * factor for supplied, volts in self.battery.items()},
            lamp_ohms=self.lamp_ohms * factor**2,
            module_ohms=self.module_ohms * factor**2,
        )


@lru_cache(maxsize=2)
def feeds_drawn(factor: float = 1.0) -> Feeds:
    """Return the same feeds every time, of every state alike many; `factor` is 2 in a vehicle of 24 V."""
    return _drawn().for_volts(factor)


def _drawn() -> Feeds:
    random = np.random.default_rng(_SEED)
    rows = DRAWS_PER_STATE * len(FeedState)
    state = np.repeat(np.arange(len(FeedState)), DRAWS_PER_STATE)
    supply_ohms = _log_uniform(random, rows, SOUND_SUPPLY_OHMS)
    ground_ohms = _log_uniform(random, rows, SOUND_GROUND_OHMS)
    weak, missing, poor = (
        state == list(FeedState).index(each)
        for each in (FeedState.SUPPLY_WEAK, FeedState.SUPPLY_MISSING, FeedState.GROUND_POOR)
    )
    weak_battery = weak & (random.random(rows) < WEAK_BATTERY_SHARE)
    supply_ohms = np.where(weak & ~weak_battery, _log_uniform(random, rows, WEAK_SUPPLY_OHMS), supply_ohms)
    supply_ohms = np.where(missing, OPEN_OHMS, supply_ohms)
    gone = random.random(rows) < MISSING_SHARE_OF_POOR_GROUND
    poor_ohms = np.where(gone, OPEN_OHMS, _log_uniform(random, rows, POOR_GROUND_OHMS))
    back_fed = np.where(
        random.random(rows) < BACK_FED_SHARE, random.uniform(0.5, 7.0, rows), random.exponential(0.2, rows)
    )
    return Feeds(
        state,
        {
            supplied: np.where(
                weak_battery,
                random.uniform(*WEAK_BATTERY_VOLTS[supplied], rows),
                random.uniform(*SOUND_BATTERY_VOLTS[supplied], rows),
            )
            for supplied in Supplied
        },
        supply_ohms,
        np.where(poor, poor_ohms, ground_ohms),
        _log_uniform(random, rows, LAMP_OHMS),
        _log_uniform(random, rows, MODULE_OHMS),
        random.random(rows) < SWITCHED_SHARE,
        random.random(rows) < OWN_GROUND_SHARE,
        random.exponential(0.1, rows),
        back_fed,
        _log_uniform(random, rows, (100.0, 1e5)),
    )


def _log_uniform(random: np.random.Generator, rows: int, ends: tuple[float, float]) -> Array:
    return np.asarray(np.exp(random.uniform(np.log(ends[0]), np.log(ends[1]), rows)))


@dataclass(frozen=True)
class Taken:
    """How something was read: what the battery went through, what drew current, whether the ignition was off."""

    supplied: Supplied
    load: Load
    ignition_off: bool = False


def volts_between(feeds: Feeds, line: Line, against: Line, taken: Taken) -> Array:
    """Return what a meter shows between two leads at the plug, shape (rows,), V, without its sign.

    `ground` as the other lead is the plug's own ground pin on some of the feeds, the body on others. A pin that floats
    shows next to nothing against anything.
    """
    pins, floating = _pins(feeds, taken)
    other, floats = pins[against], floating[against]
    if against is Line.GROUND:
        other, floats = np.where(feeds.own_ground, other, 0.0), floats & feeds.own_ground
    return np.where(floating[line] | floats, feeds.ghost, np.abs(pins[line] - other))


def _pins(feeds: Feeds, taken: Taken) -> tuple[dict[Line, Array], dict[Line, NDArray[np.bool_]]]:
    """Return the volts of each lead against battery -, and whether nothing but the meter holds it anywhere."""
    battery = feeds.battery[taken.supplied]
    dead = (feeds.supply_ohms >= OPEN_OHMS) | (feeds.switched & taken.ignition_off)
    by_load = {Load.NONE: np.full_like(battery, METER_OHMS), Load.LAMP: feeds.lamp_ohms}
    current = battery / (feeds.supply_ohms + feeds.ground_ohms + by_load.get(taken.load, feeds.module_ohms))
    on_dead = feeds.back_fed if taken.load is Load.MODULE else np.zeros_like(battery)
    unloaded, never = np.full(len(battery), taken.load is Load.NONE), np.zeros(len(battery), dtype=bool)
    pins = {
        Line.SUPPLY: np.where(dead, on_dead, battery - current * feeds.supply_ohms),
        Line.GROUND: np.where(dead, 0.0, current * feeds.ground_ohms),
        Line.BATTERY_PLUS: battery,
        Line.BATTERY_MINUS: np.zeros_like(battery),
    }
    floating = {
        Line.SUPPLY: unloaded & dead,
        Line.GROUND: unloaded & (feeds.ground_ohms >= OPEN_OHMS),
        Line.BATTERY_PLUS: never,
        Line.BATTERY_MINUS: never,
    }
    return pins, floating


def ohms_along(feeds: Feeds, line: Line, *, plugged: bool) -> Array:
    """Return the ohms of the supply or the ground wire as a meter shows them, shape (rows,).

    Beside an open wire of a module that is plugged in, a meter reads by way of the module.
    """
    own = feeds.supply_ohms if line is Line.SUPPLY else feeds.ground_ohms
    beside = feeds.through_module if plugged else np.full_like(own, np.inf)
    return 1.0 / (1.0 / own + 1.0 / beside)
