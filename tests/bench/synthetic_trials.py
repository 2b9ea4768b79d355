"""What was tried on a vehicle and what followed: parts swapped, unplugged, bench-tested, plugs moved, feeds loaded.

Judged: somebody tried something in 35 % of the jobs, once in two thirds of these, else twice; in 60 % on a module in
trouble, else on any of the network. Trials that end a search (the bad part replaced) stand under fix.
Doubt: a used part is bad in 5 %, a bench test misses or blames wrongly in 10 %, moving a bad plug shows it in 60 %.
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random
from typing import Any, Final

from synthetic_faults import Spot
from synthetic_feeds import is_starved
from synthetic_fleet import picked
from synthetic_silence import Silence
from synthetic_topology import NetworkPlan
from synthetic_visits import is_cured_without

TRIED_SHARE: Final = 0.35
TWICE_SHARE: Final = 1 / 3
IN_TROUBLE_SHARE: Final = 0.6
BAD_USED_PART: Final = 0.05
BENCH_MISTAKEN: Final = 0.1
MOVING_SHOWS: Final = 0.6
TOLD_SHARE: Final = 0.6
"""How often it is written down whether a part was used, or configured."""

_ACTIONS: Final = (
    ("swapped", 3.0),
    ("replaced", 3.0),
    ("unplugged", 3.0),
    ("bench-tested", 1.0),
    ("wiggled", 1.5),
    ("loaded", 1.0),
    ("reset", 0.7),
)

Row = dict[str, Any]


@dataclass(frozen=True)
class Tried:
    """Where and on what something is tried. `named`: what the author calls each module."""

    spot: Spot
    network: NetworkPlan
    heard: Silence
    named: dict[str, str]
    chance: Random


def trials_of(tried: Tried) -> list[Row]:
    """Return the trials of one job, mostly none."""
    chance = tried.chance
    if chance.random() >= TRIED_SHARE:
        return []
    rows = [_trial(tried) for _ in range(2 if chance.random() < TWICE_SHARE else 1)]
    return [row for number, row in enumerate(rows) if row not in rows[:number]]


def _trial(tried: Tried) -> Row:
    module, action = _module(tried), picked(_ACTIONS, tried.chance)
    if action in ("swapped", "replaced"):
        return _fitted(tried, module, action)
    what = f"connector of {tried.named[module]}" if action in ("wiggled", "loaded") else tried.named[module]
    return {"did": action, "what": [what], "outcome": _OUTCOMES[action](tried, module)}


def _module(tried: Tried) -> str:
    every = [name for name in tried.network.modules if name != tried.network.gateway] or list(
        tried.network.modules
    )
    trouble = [name for name in tried.heard.affected if name in every]
    return tried.chance.choice(trouble if trouble and tried.chance.random() < IN_TROUBLE_SHARE else every)


def _fitted(tried: Tried, module: str, action: str) -> Row:
    """Return a part fitted without change: another one's fault, or a part that is bad itself.

    The bad part itself is left to the repair, but for a used one that is bad too.
    """
    chance = tried.chance
    used = action == "swapped" or chance.random() < 0.4
    if _is_bad_itself(tried.spot, module) and not (used and chance.random() < BAD_USED_PART):
        return {"did": "unplugged", "what": [tried.named[module]], "outcome": _unplugged(tried, module)}
    told = {"used_part": "yes" if used else "no", "configured": chance.choice(("yes", "no"))}
    kept = {key: value for key, value in told.items() if chance.random() < TOLD_SHARE}
    return {"did": action, "what": [tried.named[module]], **kept, "outcome": "no change"}


def _is_bad_itself(spot: Spot, module: str) -> bool:
    return spot.module == module and spot.place == "module" and spot.part is None


def _unplugged(tried: Tried, module: str) -> str:
    index = tried.network.modules.index(module)
    return "restored" if is_cured_without(tried.spot, index) else "no change"


def _bench_tested(tried: Tried, module: str) -> str:
    failed = _is_bad_itself(tried.spot, module) != (tried.chance.random() < BENCH_MISTAKEN)
    return "failed" if failed else "passed"


def _wiggled(tried: Tried, module: str) -> str:
    bad = tried.spot.module == module and tried.spot.place in ("connector", "splice", "harness")
    return "came back" if bad and tried.chance.random() < MOVING_SHOWS else "no change"


def _loaded(tried: Tried, module: str) -> str:
    return "failed" if tried.spot.module == module and is_starved(tried.spot) else "passed"


def _reset(tried: Tried, module: str) -> str:
    stuck = tried.spot.module == module and tried.spot.way.state == "driver_stuck_dominant"
    return "came back" if stuck and tried.chance.random() < MOVING_SHOWS else "no change"


_OUTCOMES: Final = {
    "unplugged": _unplugged,
    "bench-tested": _bench_tested,
    "wiggled": _wiggled,
    "loaded": _loaded,
    "reset": _reset,
}
