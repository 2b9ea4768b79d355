"""The statistics of the diagnosis against SciPy."""

import numpy as np
import pytest
from scipy import integrate, special, stats

from casebase.bus.next_test import _explained, _Told
from casebase.bus.posterior import _log_mean, expected_entropy

ONCE = np.ones(1600, dtype=int)
TRUTHS = np.arange(220)


@pytest.mark.parametrize("shares", [[1.0], [0.5, 0.5], [0.7, 0.2, 0.1, 0.0], [1 / 15] * 15])
def test_entropy_in_bits(shares):
    """scipy.stats.entropy with base 2."""
    assert expected_entropy(np.array(shares)) == pytest.approx(stats.entropy(shares, base=2))


def test_mean_of_tiny_likelihoods():
    """scipy.special.logsumexp: nothing is lost where every likelihood is below the smallest number."""
    logs = np.random.default_rng(1).uniform(-2000, -1000, (3, 50))
    assert _log_mean(logs) == pytest.approx(special.logsumexp(logs, axis=1) - np.log(50))


@pytest.mark.slow
@pytest.mark.parametrize("apart", [0.5, 1.5, 3.0, 8.0])
def test_information_of_a_noisy_reading(apart):
    """Two states whose true readings lie `apart` standard errors from each other: the bits by numerical integration."""

    def loss(x):
        one, other = stats.norm.pdf(x), stats.norm.pdf(x - apart)
        share = one / (one + other)
        return (one + other) / 2 * stats.entropy([share, 1 - share], base=2)

    exact = 1.0 - integrate.quad(loss, -8, apart + 8, limit=200)[0]
    labels = np.tile([0, 1], 800)
    features = labels[:, None] * apart
    told = _Told(labels, ONCE, 2)
    assert told.told_by(_explained(features, told.one_hot, ONCE, TRUTHS))[0] == pytest.approx(exact, abs=0.08)


def test_what_is_believed_after_a_reading_is_bayes():
    """The probabilities left after a reading are those of Bayes' rule with normal errors (scipy.stats.norm)."""
    labels = np.tile([0, 1, 2, 1], 400)
    features = np.choose(labels, [0.0, 1.0, 4.0])[:, None]
    told = _Told(labels, ONCE, 3)
    _, left = told.told_by(_explained(features, told.one_hot, ONCE, TRUTHS))
    assert left.sum(axis=1) == pytest.approx(np.ones(len(left)))
    shown = features[: len(left)] + np.random.default_rng(8).normal(0, 1, (len(left), 1))
    by_rule = told.before * stats.norm.pdf(shown - np.array([0.0, 1.0, 4.0]))
    by_rule /= by_rule.sum(axis=1, keepdims=True)
    assert np.abs(left - by_rule).max() < 0.05


def test_a_bus_drawn_many_times_counts_as_often():
    """Rows given once with how often they were drawn tell what the same rows written out tell."""
    random = np.random.default_rng(5)
    values, labels = random.normal(0, 2, (40, 2)), random.integers(0, 3, 40)
    drawn = random.integers(0, 40, 1600)
    rows, places, times = np.unique(drawn, return_inverse=True, return_counts=True)
    written_out = _explained(values[drawn], np.eye(3, dtype=np.float32)[labels[drawn]], ONCE, TRUTHS)
    counted = _explained(values[rows], np.eye(3, dtype=np.float32)[labels[rows]], times, places[TRUTHS])

    assert counted == pytest.approx(written_out, rel=1e-4)
