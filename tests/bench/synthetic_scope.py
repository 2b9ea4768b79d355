"""What a scope shows of a bus that ngspice solved: levels, traffic, and how it looks in fixed words.

Limits between the words are judged: a line that moves less than 0.15 V is flat, a differential under 1.4 V too
small, over 2.5 V too tall. Seven looks in ten are named, 3 % of them wrongly; levels carry the 2 % of a scope and
are read to 0.1 V.
"""

from __future__ import annotations

from random import Random
from typing import Any, Final

from ngspice_bus import SpiceBus
from ngspice_run import Solved
from synthetic_faults import Spot

NAMED_SHARE: Final = 0.7
MISJUDGED_SHARE: Final = 0.03
FLAT_VOLTS, SMALL_VOLTS, TALL_VOLTS, STUCK_VOLTS = 0.15, 1.4, 2.5, 0.9
_WORDS: Final = (
    "clean",
    "too tall",
    "too small",
    "slow edges",
    "ringing",
    "one line flat",
    "both lines together",
)

Levels = tuple[float, float]


def scope_reading(bus: SpiceBus, solved: Solved, spot: Spot | None, chance: Random) -> dict[str, Any]:
    """Return a waveform reading without place and state."""
    asleep = bus.state == "bus_asleep"
    rest = solved.asleep if asleep else solved.rest
    sent = None if asleep else sent_levels(bus, solved)
    seen: dict[str, Any] = {"traffic": "yes" if sent else "no"}
    if chance.random() < 0.7:
        seen["recessive"] = levels_shown(rest, chance)
    if sent and chance.random() < 0.8:
        seen["dominant"] = levels_shown(sent, chance)
    looks = _looks(rest, sent, spot, chance)
    if looks and chance.random() < NAMED_SHARE:
        seen["looks"] = [chance.choice(_WORDS)] if chance.random() < MISJUDGED_SHARE else looks
    return {"quantity": "waveform", "waveform": seen}


def sent_levels(bus: SpiceBus, solved: Solved) -> Levels | None:
    """Return the levels while the busiest sender drives; None where nobody sends, or nothing moves on the screen."""
    busiest = max(range(len(bus.shares)), key=bus.shares.__getitem__)
    sent = solved.sent[busiest]
    moved = max(abs(after - before) for after, before in zip(sent, solved.rest, strict=True))
    return sent if bus.shares[busiest] > 0 and moved > FLAT_VOLTS else None


def levels_shown(levels: Levels, chance: Random) -> dict[str, str]:
    """Return the level of each line as somebody reads it off the screen."""
    gain = 1 + chance.uniform(-0.02, 0.02)
    return {
        line: f"{level * gain:.1f} V" for line, level in zip(("CAN high", "CAN low"), levels, strict=True)
    }


def _looks(rest: Levels, sent: Levels | None, spot: Spot | None, chance: Random) -> list[str]:
    if sent is None:
        return ["stuck"] if rest[0] - rest[1] > STUCK_VOLTS else []
    if spot and _is_noisy(spot) and chance.random() < 0.75:
        return ["noise"]
    state = spot.way.state if spot else "healthy"
    looks = [_shape(rest, sent)]
    if state == "both_terminators_missing":
        looks.append("slow edges")
    elif state == "terminator_missing" and chance.random() < 0.6:
        looks.append("ringing")
    return [look for look in looks if look != "clean" or len(looks) == 1]


def _shape(rest: Levels, sent: Levels) -> str:
    high, low = (after - before for after, before in zip(sent, rest, strict=True))
    if min(abs(high), abs(low)) < FLAT_VOLTS:
        return "one line flat"
    if high * low > 0:
        return "both lines together"
    differential = sent[0] - sent[1]
    if differential < SMALL_VOLTS:
        return "too small"
    return "too tall" if differential > TALL_VOLTS else "clean"


def _is_noisy(spot: Spot) -> bool:
    by_device = spot.fault == "aftermarket_device" and spot.way.effect == "some"
    return spot.fault == "noise_coupling" or (by_device and spot.way.state == "healthy")
