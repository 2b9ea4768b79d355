"""Supply and ground at a module's plug, as workshops measure them; nothing here is simulated.

All values and shares are judged (common practice, no source): a sound supply is 11.7 to 12.8 V and loses up to 0.3 V
under a bulb, a sound ground lifts by up to 0.1 V; a dead supply is 0 to 0.4 V, a poor one falls to 4 to 9 V under
load, a ground that fails lifts by 0.5 to 12 V. A poor feed measured without load looks sound in a third of the
readings. Both sides are measured in 55 %, supply alone in 35 %, ground alone in 10 %. Trucks have two batteries.
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random
from typing import Final

from synthetic_bench import Bench, Row
from synthetic_faults import Spot
from synthetic_fleet import picked

SIDES: Final = ((("supply", "ground"), 0.55), (("supply",), 0.35), (("ground",), 0.10))
UNDER_LOAD: Final = 0.6
LOOKS_SOUND_UNLOADED: Final = 1 / 3
GROUND_SHARE: Final = 0.4
"""How many of the bad feeds, fuses aside, fail on the ground side."""

STARVED: Final = ("module_supply_or_ground", "connector_corrosion", "ground_offset", "module_loads_lines")
"""Causes that may starve the module at fault."""

BATTERIES_OF_A_TRUCK: Final = 2


@dataclass(frozen=True)
class Feed:
    """Volts at a plug: of the supply against battery minus, and how far the ground is lifted."""

    supply: float
    ground: float
    note: str | None = None


def feed_readings(bench: Bench, index: int, repaired: bool) -> list[Row]:
    """Return what is measured of the supply and ground of the module `index` of the network."""
    chance, loaded = bench.chance, bench.chance.random() < UNDER_LOAD
    feed = _feed(bench, index, repaired, loaded)
    cranking = feed.note == CRANKING
    sides = ("supply",) if cranking else picked(SIDES, chance)
    at = f"connector of {bench.named[bench.network.modules[index]]}"
    state = bench.powered() | ({"ignition": "cranking"} if cranking else {})
    common = {"at": at, "stage": "after repair" if repaired else "isolation", **state, **bench.network_key}
    note = feed.note or (chance.choice((None, "21 W bulb across the pins")) if loaded else None)
    return [_row(bench, side, feed) | common | ({"note": note} if note else {}) for side in sides]


def _row(bench: Bench, side: str, feed: Feed) -> Row:
    batteries = BATTERIES_OF_A_TRUCK if bench.network.medium == "J1939" else 1
    volts = (feed.supply if side == "supply" else feed.ground) * batteries
    against = "battery -" if side == "ground" else bench.chance.choice(("ground", "battery -"))
    value = f"{volts:.{bench.chance.choice((1, 1, 2))}f} V"
    return {"quantity": "voltage", "line": side, "against": against, "value": value}


CRANKING: Final = "lowest value while cranking"


def _feed(bench: Bench, index: int, repaired: bool, loaded: bool) -> Feed:
    spot, chance = bench.spot, bench.chance
    sound = Feed(
        chance.uniform(11.7, 12.8) - (chance.uniform(0.0, 0.3) if loaded else 0.0), _sound_ground(chance)
    )
    if spot is None or repaired:
        return sound
    if spot.fault == "low_system_voltage":
        return Feed(chance.uniform(5.8, 9.2), _sound_ground(chance), CRANKING)
    if spot.index != index or not is_starved(spot):
        return sound
    if not loaded and spot.place != "fuse" and chance.random() < LOOKS_SOUND_UNLOADED:
        return sound
    return _failing(spot, sound, chance)


def is_starved(spot: Spot) -> bool:
    """Return whether the fault starves the module it names."""
    if spot.fault == "module_loads_lines":
        return spot.place == "fuse"
    return spot.fault in STARVED and spot.way.state in ("healthy", "ground_offset")


def fails_on_the_ground_side(spot: Spot) -> bool:
    """Return which side of a bad feed fails: the same in every vehicle of a weak spot."""
    if spot.fault == "ground_offset":
        return True
    return spot.place != "fuse" and Random(f"feed {spot.where}").random() < GROUND_SHARE


def _failing(spot: Spot, sound: Feed, chance: Random) -> Feed:
    if spot.fault == "ground_offset":
        return Feed(sound.supply, chance.uniform(0.5, 2.0))
    if fails_on_the_ground_side(spot):
        return Feed(sound.supply, chance.uniform(0.5, 12.0))
    if spot.place == "fuse" or chance.random() < 0.4:
        return Feed(chance.uniform(0.0, 0.4), sound.ground)
    return Feed(chance.uniform(4.0, 9.0), sound.ground)


def _sound_ground(chance: Random) -> float:
    return chance.uniform(0.0, 0.1)
