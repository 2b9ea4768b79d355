"""What a scope shows of a wide bus at the DLC: levels at rest and driven, traffic, and looks in the fixed words."""

from __future__ import annotations

from typing import Any, Final

from wide_bus import WideBus
from wide_draws import Chance
from wide_meter import level
from wide_solve import Found, Pair

TRAFFIC_VOLTS: Final = 0.25
"""Least swing that is taken for traffic on a screen of 1 V a division (judged)."""

LINES: Final = ("CAN high", "CAN low")
SLOW_SECONDS: Final = 0.8e-6
"""Two fifths of a bit at 500 kbit/s: an edge seen to be slow (judged)."""


def scope_of(
    bus: WideBus, found: Found, shares: tuple[float, ...], chance: Chance, *, asleep: bool
) -> dict[str, Any]:
    """Return a waveform reading as a record's keys."""
    rest = (found.asleep if asleep else found.rest)["dlc"]
    driven = found.sent[shares.index(max(shares))]["dlc"]
    swings = (driven[0] - rest[0], driven[1] - rest[1])
    traffic = max(shares) > 0 and max(map(abs, swings)) > TRAFFIC_VOLTS
    seen: dict[str, Any] = {"traffic": "yes" if traffic else "no", "recessive": _levels(rest, chance)}
    if traffic:
        seen["dominant"] = _levels(driven, chance)
        seen["dominant_share"] = round(min(sum(shares) * chance.random.gauss(1, 0.15), 0.9), 2)
        seen["looks"] = _looks(rest, swings, _edge_seconds(bus, found), chance)
    elif rest[0] - rest[1] > 0.9:
        seen["looks"] = ["stuck"]
    state = {"quantity": "waveform", "at": "DLC", "ignition": "on", "battery": "connected"}
    return {**state, "unplugged": "nothing", "waveform": seen}


def _levels(volts: Pair, chance: Chance) -> dict[str, str]:
    return {line: level(of_line, chance) for line, of_line in zip(LINES, volts, strict=True)}


def _edge_seconds(bus: WideBus, found: Found) -> float:
    """Return the fall time of a recessive edge: resistance between the lines times the bus's capacitance."""
    return 2.2 * min(found.ohms["dlc", "between"], 1e5) * bus.picofarads * 1e-12


def _looks(rest: Pair, swings: Pair, edge_seconds: float, chance: Chance) -> list[str]:
    apart = rest[0] - rest[1] + swings[0] - swings[1]
    if rest[0] - rest[1] > 0.9:
        return ["stuck"]
    still = [abs(swing) < 0.15 for swing in swings]
    if any(still):
        return ["one line flat"]
    if swings[0] * swings[1] > 0 and apart < 0.5:
        return ["both lines together"]
    looks = ["too small"] if apart < 1.2 else ["too tall"] if apart > 3.2 else []
    if edge_seconds > SLOW_SECONDS:
        looks.append("slow edges")
    elif apart > 2.6 and chance.often(0.4):  # one terminator missing rings (common practice, no source)
        looks.append("ringing")
    return looks or ["clean"]
