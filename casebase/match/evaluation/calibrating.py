"""Fitting the figures of the pooling to jobs whose cause is known: so that 70 % comes true seven times in ten."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import fields, replace
from typing import Final, NamedTuple

from casebase.errors import InputError
from casebase.match.answer.case_votes import JUDGED, CauseKey, Pooling
from casebase.match.answer.causes import SOMETHING_ELSE, cause_shares
from casebase.match.facets.measure import Match
from casebase.match.meaning import Meaning
from casebase.match.profile import Profile
from casebase.record.modules import family_of

STEPS: Final = (0.67, 0.85, 1.18, 1.5)
"""Factors by which one figure after the other is tried."""

LEAST_GAIN: Final = 1e-4
LEAST_SHARE: Final = 1e-6


class Asked(NamedTuple):
    """A stuck job with its nearest cases, and what its cause was; `module` as somebody called it."""

    job: Profile
    matches: Sequence[Match]
    meanings: Sequence[Meaning]
    fault: str
    module: str | None


def log_loss(asked: Sequence[Asked], pooling: Pooling = JUDGED) -> float:
    """Return the mean of -log(probability given to the cause that it was); a cause not named counts as the remainder.

    Raises InputError without jobs.
    """
    if not asked:
        raise InputError("no job with a known cause to judge the pooling by: expected at least one")
    return math.fsum(-math.log(_given_to_the_truth(one, pooling)) for one in asked) / len(asked)


def calibrated(
    asked: Sequence[Asked],
    start: Pooling = JUDGED,
    rounds: int = 4,
    progress: Callable[[int, int], None] | None = None,
) -> Pooling:
    """Return the figures with the least log loss, each tried in turn a few steps up and down, from `start`.

    `progress` is called with (rounds done, of how many). Raises InputError without jobs.
    """
    best, least = start, log_loss(asked, start)
    for done in range(rounds):
        before = least
        for name in (one.name for one in fields(Pooling)):
            for tried in _neighbours(best, name):
                loss = log_loss(asked, tried)
                if loss < least:
                    best, least = tried, loss
        if progress:
            progress(done + 1, rounds)
        if before - least < LEAST_GAIN:
            break
    return best


def _given_to_the_truth(one: Asked, pooling: Pooling) -> float:
    shares = cause_shares(one.job, one.matches, one.meanings, pooling)
    family = family_of(one.module)
    given = shares.get(CauseKey(one.fault, family), shares[CauseKey(SOMETHING_ELSE, None)])
    return max(given, LEAST_SHARE)


def _neighbours(pooling: Pooling, name: str) -> Iterator[Pooling]:
    value = getattr(pooling, name)
    highest = 1.0 if name in _SHARES else math.inf
    for step in STEPS:
        yield replace(pooling, **{name: min(highest, value * step)})


_SHARES: Final = frozenset({"unverified_share", "not_proven_share", "told_again", "moved_share"})
