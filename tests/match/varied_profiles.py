"""Profiles made from those of the demo records: things left out, mixed and moved, the same on every run."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from casebase.match.profile import MEASURED, SHARES, Profile, ReadingTrait
from casebase.record.vocabulary import Look, Status

DIMENSIONS = 16
STATES = ("healthy", "bus_quiet", "high_open", "low_open", "terminator_missing", "lines_shorted_together")
LOOKS = tuple(map(str, Look))
ENDED = (str(Status.FIXED_VERIFIED), str(Status.FIXED_NOT_PROVEN), str(Status.NOT_FIXED))


def varied(profiles: Sequence[Profile], count: int, seed: int) -> list[Profile]:
    """Return `count` profiles, none quite like another."""
    chance = random.Random(seed)
    return [_varied(profiles, number, chance) for number in range(count)]


def _varied(profiles: Sequence[Profile], number: int, chance: random.Random) -> Profile:
    one, other, vehicle = (chance.choice(profiles) for _ in range(3))
    return replace(
        one,
        case_id=f"varied-{number}",
        make=vehicle.make,
        model=chance.choice((vehicle.model, f"{vehicle.model} II", vehicle.model.upper())),
        platform=chance.choice((vehicle.platform, None)),
        model_year=chance.choice((vehicle.model_year, 2012, None)),
        status=one.status and chance.choice((*ENDED, one.status)),
        shop=chance.choice(("Shop A", "Shop B", None)),
        dated=chance.choice((None, "2024-05-01", "2025-11-30")),
        readings=tuple(
            _moved(reading, chance) for reading in _some((*one.readings, *other.readings), chance)
        ),
        codes=_some((*one.codes, *other.codes), chance),
        silent={key: level for key, level in one.silent.items() if chance.random() < 0.7},
        lamps=_some((*one.lamps, *other.lamps), chance),
        conditions=_some(one.conditions, chance),
        networks=_some(one.networks, chance),
        meaning=_meaning(one, chance),
        host=chance.choice((None, ("ABS", 0.8), ("engine control", 0.6))),
        vector=_vector(chance),
    )


def _some(items, chance):
    return tuple(item for item in items if chance.random() < 0.6)


def _moved(reading: ReadingTrait, chance: random.Random) -> ReadingTrait:
    number = None if reading.number is None else reading.number * chance.uniform(0.9, 1.1)
    return replace(
        reading,
        number=number,
        powered=chance.choice((reading.powered, None)),
        unplugged=chance.choice((reading.unplugged, reading.unplugged, None)),
        **(_pictured(reading, chance) if reading.quantity == "waveform" else {}),
    )


def _pictured(reading: ReadingTrait, chance: random.Random):
    """Return another picture of a scope: mostly with levels, some of them left out, some with shares."""
    if chance.random() < 0.25:
        return {"measured": ()}
    levels = dict(reading.measured) or {
        "recessive CAN high": 2.5,
        "dominant CAN high": 3.5,
        "dominant CAN low": 1.5,
    }
    known = {
        name: level + chance.uniform(-0.6, 0.6) for name, level in levels.items() if chance.random() < 0.8
    }
    known |= {name: chance.random() for name in SHARES if chance.random() < 0.5}
    return {
        "measured": tuple((name, known[name]) for name in MEASURED if name in known),
        "traffic": chance.choice((reading.traffic, "yes", "no", None)),
        "looks": tuple(sorted(chance.sample(LOOKS, chance.randrange(3)))),
    }


def _meaning(profile: Profile, chance: random.Random):
    if chance.random() < 0.3:
        return {}
    shares = [chance.random() ** 4 for _ in STATES]
    posterior = {state: share / sum(shares) for state, share in zip(STATES, shares, strict=True)}
    return {network.medium: posterior for network in profile.networks}


def _vector(chance: random.Random):
    if chance.random() < 0.2:
        return None
    numbers = np.array([chance.gauss(0.3, 1.0) for _ in range(DIMENSIONS)])
    return (numbers / np.linalg.norm(numbers)).astype(np.float32)
