"""Measures of one ranking, and how sure a mean over few questions is.

A tie counts against the ranking: of equal scores the relevant case is taken to stand last. A technician reads the list
from the top, and a case that stands among equals was not found by the ranking.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.match.facets.arrays import Floats

Places = NDArray[np.int64]
Bools = NDArray[np.bool_]

SURE: Final = 0.95
"""Every interval holds the true figure this often, if the questions are like those still to come."""

RESAMPLES: Final = 2000
_SEED: Final = 20
_Z: Final = NormalDist().inv_cdf(0.5 + SURE / 2)


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its 95 % interval."""

    value: float
    low: float
    high: float


def places_of_relevant(scores: Floats, relevant: Bools, most: int = 5) -> Places:
    """Return the places (1 is first) of the `most` best relevant cases, in order; empty where none is relevant."""
    best = np.sort(scores[relevant])[::-1][:most]
    others = scores[~relevant]
    ahead = (others >= best[:, None]).sum(axis=1)
    return np.asarray(1 + np.arange(len(best)) + ahead, dtype=np.int64)


def hit_at(places: Places, most: int) -> bool:
    """Return whether a relevant case stands among the first `most`.

    >>> hit_at(np.array([3, 4]), 1), hit_at(np.array([3, 4]), 3)
    (False, True)
    """
    return bool(len(places)) and bool(places[0] <= most)


def reciprocal_rank(places: Places) -> float:
    """Return 1 / place of the best relevant case, 0 where there is none (Voorhees 1999, TREC-8).

    >>> reciprocal_rank(np.array([4, 9]))
    0.25
    """
    return 1.0 / float(places[0]) if len(places) else 0.0


def ndcg_at(places: Places, relevant: int, most: int = 5) -> float:
    """Return the normalised discounted cumulative gain of the first `most`, every relevant case counting 1.

    `relevant` is the number there are. The discount is 1 / log2(place + 1) (Wang et al. 2013, COLT; after Järvelin and
    Kekäläinen 2002). 0 where none is relevant.
    """
    ideal = _discounts(np.arange(1, min(relevant, most) + 1)).sum()
    return float(_discounts(places[places <= most]).sum() / ideal) if relevant else 0.0


def above_every_look_alike(scores: Floats, relevant: Bools, look_alike: Bools) -> bool | None:
    """Return whether the best relevant case scores above every look-alike; None where there is no look-alike."""
    rivals = scores[look_alike & ~relevant]
    if not len(rivals) or not relevant.any():
        return None
    return bool(scores[relevant].max() > rivals.max())


def share_of(outcomes: Bools) -> Estimate:
    """Return the share of true outcomes with Wilson's score interval (Wilson 1927): it holds for few questions too."""
    count = len(outcomes)
    share = float(np.mean(outcomes))
    middle = (share + _Z**2 / (2 * count)) / (1 + _Z**2 / count)
    half = _Z / (1 + _Z**2 / count) * (share * (1 - share) / count + _Z**2 / (4 * count**2)) ** 0.5
    return Estimate(share, max(0.0, middle - half), min(1.0, middle + half))


def mean_of(values: Floats) -> Estimate:
    """Return the mean with its bootstrap percentile interval (Efron 1979); the same values give the same interval."""
    drawn = np.random.default_rng(_SEED).integers(0, len(values), (RESAMPLES, len(values)))
    low, high = np.quantile(values[drawn].mean(axis=1), [(1 - SURE) / 2, (1 + SURE) / 2])
    return Estimate(float(np.mean(values)), float(low), float(high))


def _discounts(places: Places) -> Floats:
    return np.asarray(1.0 / np.log2(places + 1.0))
