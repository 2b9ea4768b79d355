"""Measures of a ranking against scikit-learn, SciPy and published examples."""

import warnings

import numpy as np
import pytest
from scipy import stats
from sklearn.metrics import label_ranking_average_precision_score, ndcg_score
from sklearn.model_selection import GroupKFold

from casebase.match.evaluation.fitting import grouped_folds
from casebase.match.evaluation.metrics import (
    above_every_look_alike,
    hit_at,
    mean_of,
    ndcg_at,
    places_of_relevant,
    reciprocal_rank,
    share_of,
)

pytestmark = pytest.mark.slow  # for what it imports

RANDOM = np.random.default_rng(7)


def ranking(cases, relevant, steps=None):
    """Return random scores, on `steps` levels where there are to be ties, and which cases are relevant."""
    scores = RANDOM.permutation(cases) / cases if steps is None else RANDOM.integers(0, steps, cases) / steps
    marked = np.zeros(cases, dtype=bool)
    marked[RANDOM.choice(cases, relevant, replace=False)] = True
    return scores, marked


def ndcg(scores, relevant, most=5):
    """Return nDCG as the evaluation works it out."""
    return ndcg_at(places_of_relevant(scores, relevant, most), int(relevant.sum()), most)


@pytest.mark.parametrize("relevant", [1, 2, 7, 30])
@pytest.mark.parametrize("most", [1, 3, 5])
def test_ndcg_without_ties_is_scikit_learns(relevant, most):
    """sklearn.metrics.ndcg_score on binary relevance."""
    for _ in range(50):
        scores, marked = ranking(40, relevant)
        assert ndcg(scores, marked, most) == pytest.approx(ndcg_score([marked], [scores], k=most))


def test_ndcg_with_ties_is_scikit_learns_worst_order():
    """With ties it is ndcg_score of the same scores once every relevant case stands last among its equals."""
    for _ in range(200):
        scores, marked = ranking(40, 4, steps=6)
        worst = scores - 1e-6 * marked - 1e-9 * np.arange(40)
        assert ndcg(scores, marked) == pytest.approx(ndcg_score([marked], [worst], k=5))
        assert ndcg(scores, marked) <= ndcg_score([marked], [scores], k=5) + 1e-12


@pytest.mark.parametrize("steps", [None, 4, 12])
def test_reciprocal_rank_of_one_relevant_case_is_its_average_precision(steps):
    """sklearn.metrics.label_ranking_average_precision_score, which counts ties against the ranking too."""
    for _ in range(200):
        scores, marked = ranking(30, 1, steps)
        expected = label_ranking_average_precision_score([marked], [scores])
        assert reciprocal_rank(places_of_relevant(scores, marked)) == pytest.approx(expected)


@pytest.mark.parametrize("steps", [None, 5])
def test_places_are_those_of_scipys_ranks(steps):
    """scipy.stats.rankdata, method `max`: the best relevant case's place, other relevant ones of its score apart."""
    for _ in range(100):
        scores, marked = ranking(25, 1, steps)
        place = int(stats.rankdata(-scores, method="max")[marked][0])
        assert places_of_relevant(scores, marked).tolist() == [place]
        assert [hit_at(np.array([place]), most) for most in (1, 3, 5)] == [
            place <= most for most in (1, 3, 5)
        ]


def test_reciprocal_rank_worked_by_hand():
    """Ranks 3, 2 and 1 give 11/18: the worked example of `Mean reciprocal rank`, Wikipedia, after Voorhees 1999."""
    scores = np.array([0.9, 0.6, 0.3])
    answers = [reciprocal_rank(places_of_relevant(scores, np.arange(3) == right)) for right in (2, 1, 0)]
    assert np.mean(answers) == pytest.approx(11 / 18)


def test_ndcg_worked_by_hand():
    """Relevant at places 3 and 5 of three relevant: (1/log2 4 + 1/log2 6) / (1/log2 2 + 1/log2 3 + 1/log2 4) = 0.4162.

    The definition is that of Wang et al. 2013 (COLT); the example is that of the Evret documentation, page `nDCG`.
    """
    scores = np.array([0.9, 0.8, 0.7, 0.6, 0.5, 0.4])
    assert ndcg(scores, np.array([0, 0, 1, 0, 1, 1], dtype=bool)) == pytest.approx(0.4162, abs=5e-5)


def test_look_alikes_must_stand_below_the_best_relevant_case():
    """Equal is not above; a look-alike below, or none at all, is told apart."""
    relevant, look_alike = np.array([True, False, False]), np.array([False, True, False])
    assert above_every_look_alike(np.array([0.8, 0.5, 0.9]), relevant, look_alike) is True
    assert above_every_look_alike(np.array([0.5, 0.5, 0.1]), relevant, look_alike) is False
    assert above_every_look_alike(np.array([0.5, 0.5, 0.1]), relevant, np.zeros(3, dtype=bool)) is None


@pytest.mark.parametrize(("found", "asked"), [(0, 5), (3, 5), (20, 34), (34, 34), (281, 300)])
def test_interval_of_a_share_is_wilsons(found, asked):
    """scipy.stats.binomtest(...).proportion_ci(method="wilson")."""
    ours = share_of(np.arange(asked) < found)
    theirs = stats.binomtest(found, asked).proportion_ci(0.95, method="wilson")
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high))


@pytest.mark.parametrize(
    ("found", "asked", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_interval_of_a_share_is_newcombes_table(found, asked, low, high):
    """Newcombe 1998 (Statistics in Medicine 17), table I, method 3 (from memory)."""
    ours = share_of(np.arange(asked) < found)
    assert (ours.low, ours.high) == pytest.approx((low, high), abs=6e-5)


def test_interval_of_a_mean_is_scipys_bootstrap():
    """scipy.stats.bootstrap, percentile method, on reciprocal ranks of 40 questions."""
    ranks = 1.0 / RANDOM.integers(1, 6, 40)
    theirs = stats.bootstrap(
        (ranks,), np.mean, method="percentile", rng=np.random.default_rng(1)
    ).confidence_interval
    ours = mean_of(ranks)
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), abs=0.01)
    assert mean_of(ranks) == ours


def test_intervals_hold_the_true_share_as_often_as_they_say():
    """Of 2000 small libraries of 40 questions, about 95 % of the intervals hold the true .8 (Wilson and bootstrap)."""
    drawn = RANDOM.random((2000, 40)) < 0.8
    held = [interval.low <= 0.8 <= interval.high for interval in map(share_of, drawn)]
    assert 0.93 < np.mean(held) < 0.98
    means = [mean_of(each.astype(float)) for each in drawn[:300]]
    assert 0.88 < np.mean([interval.low <= 0.8 <= interval.high for interval in means]) < 0.99


def test_groups_are_held_back_as_scikit_learn_does():
    """sklearn.model_selection.GroupKFold: groups stay whole, and the folds come out of the same sizes."""
    groups = [f"model {number}" for number in RANDOM.zipf(1.6, 120) % 15]
    ours = grouped_folds(groups, 5)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = [len(held) for _, held in GroupKFold(5).split(groups, groups=groups)]
    assert sorted(np.bincount(ours).tolist()) == sorted(theirs)
    assert all(len(set(ours[np.array(groups) == group])) == 1 for group in groups)
