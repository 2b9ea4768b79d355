"""Facet `meaning`: whether what was found there is what the readings here can mean.

The job's side is the posterior over bus states that its readings give. The past case's side is what was found in the
end, blurred: a cause is hardly ever proven beyond doubt, and a fault on a branch looks healthy from elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from casebase.bus.words import STATE_WORDS
from casebase.match.facet import UNKNOWN, Compared
from casebase.match.network_facet import medium_likeness
from casebase.match.profile import Profile
from casebase.match.rarity import Rarity
from casebase.record.vocabulary import BusState

CAUSE_SHARE: Final = 0.65
"""How far a proven cause is believed on the stored side: at 1.0 look-alikes of the readings get through (judged)."""

LOOKS_HEALTHY_SHARE: Final = 0.20
"""Chance that a fault looks healthy from where the leads are: it may sit on a branch (judged)."""

SAME_PHYSICS_FROM: Final = 0.5
FITS_FROM, UNFIT_BELOW = 0.3, 0.05

_STATES: Final = {str(state): state for state in BusState}
_LOOKS_LIKE: Final = {
    "module_supply_or_ground": str(BusState.HEALTHY),
    "configuration": str(BusState.HEALTHY),
    "none": str(BusState.HEALTHY),
    "gateway_isolation_normal": str(BusState.BUS_QUIET),
}
"""Causes that leave the wires as they should be; water, corrosion and added devices may do anything to them."""

_HEALTHY: Final = (str(BusState.HEALTHY), str(BusState.BUS_QUIET))


def compare_meaning(job: Profile, past: Profile, rarity: Rarity) -> Compared:
    """Compare what the job's readings can mean with what was found in a past case on the same kind of bus."""
    looks_like = _LOOKS_LIKE.get(past.fault or "", past.fault)
    if looks_like not in _STATES:
        return UNKNOWN
    media = [network.medium for network in past.networks if network.affected]
    comparable = [
        shares
        for medium, shares in job.meaning.items()
        if any(medium_likeness(medium, other) >= SAME_PHYSICS_FROM for other in media)
    ]
    if not comparable:
        return UNKNOWN
    shares = min(comparable, key=lambda each: each.get(str(BusState.HEALTHY), 0.0))
    believed = _believed(looks_like, tuple(shares))
    likeness = sum(math.sqrt(shares.get(state, 0.0) * share) for state, share in believed.items())
    return Compared(min(1.0, likeness), 1.0, *_in_words(looks_like, shares))


def _believed(state: str, states: tuple[str, ...]) -> Mapping[str, float]:
    """Return what is believed of the bus of a case that was found in `state`."""
    believed = dict.fromkeys(
        (*states, state, *_HEALTHY), (1 - CAUSE_SHARE - LOOKS_HEALTHY_SHARE) / len(states)
    )
    believed[state] += CAUSE_SHARE
    for healthy in _HEALTHY:
        believed[healthy] += LOOKS_HEALTHY_SHARE / len(_HEALTHY)
    return believed


def _in_words(state: str, shares: Mapping[str, float]) -> tuple[list[str], list[str]]:
    share = shares.get(state, 0.0)
    words = f"{STATE_WORDS[_STATES[state]]}, as found there"
    if share >= FITS_FROM:
        return [f"the readings here can mean {words} (probability {share:.2f})"], []
    if share < UNFIT_BELOW:
        return [], [f"the readings here hardly mean {words} (probability {share:.2f})"]
    return [], []
