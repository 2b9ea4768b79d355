"""How well each cause explains the supplies and grounds that were read: 1 on average before anything was read there.

A module without supply speaks for a fault of its own feed and against what leaves the feed alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from casebase.bus.feed import PRIOR, Feed
from casebase.bus.feed_draws import FeedState
from casebase.record.vocabulary import Fault

_BAD: Final = (FeedState.SUPPLY_MISSING, FeedState.SUPPLY_WEAK, FeedState.GROUND_POOR)

_OF_THE_FEED: Final[dict[str, tuple[FeedState, ...]]] = {
    Fault.MODULE_SUPPLY_OR_GROUND: _BAD,
    Fault.GROUND_OFFSET: (FeedState.GROUND_POOR,),
    Fault.MODULE_LOADS_LINES: (FeedState.SUPPLY_MISSING,),
}
"""What the feed of the module at fault looks like with causes that are of the feed."""

_MAY_TOUCH_THE_FEED: Final = frozenset({Fault.CONNECTOR_CORROSION, Fault.WATER_IN_MODULE})
MAY_TOUCH_SHARE: Final = 0.5
"""How often water and corrosion reach the feed as well (judged)."""

ANYTHING_SHARE: Final = 0.05
"""How often the feed has a fault of its own beside the cause, or its plug is not where one thinks (judged)."""

REST_SHARE: Final = 0.3
"""How often what no case had leaves the feed bad too (judged)."""


@dataclass(frozen=True)
class FeedFit:
    """The feeds read on one job, held against causes."""

    feeds: Sequence[Feed] = ()

    def likelihood(self, fault: str, family: str | None) -> float:
        """Return how well everything read at the plugs fits a cause that goes with a module of `family`."""
        return math.prod(self._of(feed, fault, family) for feed in self.feeds)

    def rest(self) -> float:
        """Return how well it fits what no case had."""
        sound = math.prod(_ratio(feed, (FeedState.SOUND,)) for feed in self.feeds)
        return REST_SHARE + (1.0 - REST_SHARE) * min(sound, 1.0)

    def bad(self) -> dict[str, float]:
        """Return, by family, the probability that the feed there is bad, where that is likelier than sound."""
        return {feed.family: 1.0 - feed.sound for feed in self.feeds if feed.sound < 0.5}

    def _of(self, feed: Feed, fault: str, family: str | None) -> float:
        sound = _ratio(feed, (FeedState.SOUND,))
        looks = sound
        if fault == Fault.LOW_SYSTEM_VOLTAGE:
            looks = _ratio(feed, (FeedState.SUPPLY_WEAK,))
        elif family in {None, feed.family} and fault in _OF_THE_FEED:
            looks = _ratio(feed, _OF_THE_FEED[fault])
        elif family == feed.family and fault in _MAY_TOUCH_THE_FEED:
            looks = MAY_TOUCH_SHARE * _ratio(feed, _BAD) + (1.0 - MAY_TOUCH_SHARE) * sound
        return ANYTHING_SHARE + (1.0 - ANYTHING_SHARE) * looks


def _ratio(feed: Feed, states: Sequence[FeedState]) -> float:
    """Return how much likelier these states are with what was read than before."""
    before = sum(PRIOR[state] for state in states)
    return sum(feed.probabilities[state] for state in states) / before
