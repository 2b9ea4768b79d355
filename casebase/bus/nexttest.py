"""The best next test: for every reading not taken yet, the bits it is expected to tell about the state, per minute.

The simulated buses that explain the readings so far stand for what may be true. For each test some of them are taken
as the truth in turn, their reading is made with a meter's error, and the rest is weighed again by it: the entropy
that is left, on average, is what the test cannot tell.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.bus.candidates import Candidate, candidates_for
from casebase.bus.chain import Array
from casebase.bus.diagnose import Diagnosis
from casebase.bus.posterior import expected_entropy
from casebase.record.vocabulary import BusState

LEAST_BITS: Final = 0.02
"""A test expected to tell less is not worth naming."""

ROWS_WEIGHED: Final = 1600
TRUTHS: Final = 220
_SEED: Final = 7
STATE_SETTLED_FROM: Final = 0.9
"""From this probability of one state on, where the fault lies is what there is to find."""

LEAST_LOG: Final = -80.0
"""Log of the least that a row explains: what lies further off explains nothing either way."""

Labels = NDArray[np.int64]
Singles = NDArray[np.float32]

SPLIT_LEAVES: Final = 0.35
"""Two states are split by a test that leaves, on average, less than this share of their confusion."""


@dataclass(frozen=True)
class NextTest:
    """A test worth doing: the bits it is expected to tell, which states it tells apart, whether it tells where."""

    candidate: Candidate
    bits: float
    splits: tuple[tuple[BusState, BusState], ...]
    tells_where: bool = False

    @property
    def bits_per_minute(self) -> float:
        """What the tests are ranked by."""
        return self.bits / self.candidate.minutes


def next_tests(diagnosis: Diagnosis, most: int = 3) -> list[NextTest]:
    """Return the tests that tell most per minute, the best first."""
    rows = _sample(diagnosis)
    rated = [_rated(diagnosis, candidate, rows) for candidate in candidates_for(diagnosis)]
    worth = [test for test in rated if test.bits >= LEAST_BITS]
    return sorted(worth, key=lambda test: -test.bits_per_minute)[:most]


def _rated(diagnosis: Diagnosis, candidate: Candidate, rows: Labels) -> NextTest:
    explained = _explained(candidate.features(diagnosis.bank, rows))
    states = diagnosis.bank.state_of_row[rows]
    bits, before, left = _information(explained, states, len(diagnosis.bank.states))
    splits = tuple(_splits(diagnosis, before, left, states[:TRUTHS]))
    if diagnosis.ranked()[0][1] < STATE_SETTLED_FROM:
        return NextTest(candidate, bits, splits)
    roles = _named_host(diagnosis)[rows]
    where, _, _ = _information(explained, roles, len(diagnosis.bank.model.unpluggable) + 1)
    return NextTest(candidate, bits + where, splits, tells_where=where >= LEAST_BITS)


def _information(explained: Singles, labels: Labels, many: int) -> tuple[float, Array, Array]:
    """Return the bits that a reading is expected to tell about `labels`, with what is believed before and after."""
    left = _left_after(explained, labels, many)
    before = np.bincount(labels, minlength=many) / len(labels)
    bits = expected_entropy(before) - expected_entropy(left)
    return max(bits, 0.0), before, left


def _named_host(diagnosis: Diagnosis) -> Labels:
    """Return for each simulated bus which named module its fault lies in, 0 for anywhere else."""
    named = np.array([role in diagnosis.roles.names for role in diagnosis.bank.model.unpluggable])
    hosts = diagnosis.posterior.hosts
    return np.where((hosts >= 0) & named[hosts], hosts + 1, 0)


def _sample(diagnosis: Diagnosis) -> Labels:
    """Return rows drawn by their weight, in random order."""
    random = np.random.default_rng(_SEED)
    return random.choice(len(diagnosis.posterior.weights), size=ROWS_WEIGHED, p=diagnosis.posterior.weights)


def _explained(features: Array) -> Singles:
    """Return how well each row explains the reading of each row taken as the truth; (truths, rows).

    `features` are scaled to standard errors. The truth itself is not counted among what explains it. In place, in 32
    bits: fetching memory took most of the time.
    """
    random = np.random.default_rng(_SEED + 1)
    truths = features[:TRUTHS] + random.normal(0, 1, features[:TRUTHS].shape)
    explained = np.zeros((len(truths), len(features)), dtype=np.float32)
    for shown, of_row in zip(truths.T.astype(np.float32), features.T.astype(np.float32), strict=True):
        apart = shown[:, None] - of_row
        explained -= np.square(apart, out=apart)
    explained *= 0.5
    np.exp(np.maximum(explained, LEAST_LOG, out=explained), out=explained)
    np.fill_diagonal(explained, 0.0)
    return explained


def _left_after(explained: Singles, states: Labels, many: int) -> Array:
    """Return, for each row taken as the truth, the probabilities of the states after its reading; (truths, states)."""
    one_hot = np.eye(many, dtype=np.float32)[states]
    prior = one_hot.mean(axis=0)
    left = explained @ one_hot + FLOOR * prior
    return np.asarray(left / left.sum(axis=1, keepdims=True))


FLOOR: Final = 0.02
"""Where hardly any simulated bus explains a reading, it is taken to tell nothing."""


def _splits(
    diagnosis: Diagnosis, before: Array, left: Array, truths: Labels
) -> Iterator[tuple[BusState, BusState]]:
    """Yield the pairs of likely states that the test tells apart, the likeliest first."""
    likely = [index for index in np.argsort(-before)[:4] if before[index] > 0.03]
    for place, one in enumerate(likely):
        for other in likely[place + 1 :]:
            chance = before[other] / (before[one] + before[other])
            seen = left[truths == one]
            if len(seen) and _confusion(seen, one, other) < SPLIT_LEAVES * chance:
                yield diagnosis.bank.states[one], diagnosis.bank.states[other]


def _confusion(seen: Array, one: int, other: int) -> float:
    """Return how likely `other` still is against `one`, on average, where `one` is true."""
    return float((seen[:, other] / np.maximum(seen[:, one] + seen[:, other], 1e-12)).mean())
