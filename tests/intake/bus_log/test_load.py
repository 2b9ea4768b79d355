"""Sums over time and bursts of error frames, in memory that stays small."""

from __future__ import annotations

import numpy as np

from casebase.intake.bus_log import tally
from casebase.intake.bus_log.tally import ErrorFrames, OverTime


def test_sums_are_kept_per_second() -> None:
    """Block by block, in any order."""
    over = OverTime(100.0)
    over.add(np.array([100.0, 100.9, 103.5]), np.array([1, 2, 4]))
    over.add(np.array([101.0, 99.0]), np.array([8, 16]))
    assert over.per_second().tolist() == [19, 8, 0, 4]


def test_a_log_of_years_is_kept_in_longer_stretches_without_losing_anything() -> None:
    """Two seconds into one, again and again; the sum stays."""
    over = OverTime(0.0)
    moments = np.linspace(0, 1e8, 5000)
    over.add(moments[:10], np.ones(10))
    over.add(moments, np.ones(5000))
    assert over.seconds_per_bin == 1024
    assert len(over.sums) <= tally.MOST_BINS
    assert over.sums.sum() == 5010


def test_error_frames_close_together_are_one_burst_across_blocks() -> None:
    """Three bursts, the second of which goes on in the next block."""
    errors = ErrorFrames()
    none = np.zeros(3, np.uint32)
    errors.add(np.array([1.0, 1.05, 5.0]), none)
    errors.add(np.array([5.05, 5.1, 9.0]), none)
    errors.close()
    assert [(burst.begin, burst.end, burst.count) for burst in errors.bursts] == [
        (1.0, 1.05, 2),
        (5.0, 5.1, 3),
        (9.0, 9.0, 1),
    ]
    assert (errors.count, errors.bursts_seen) == (6, 3)


def test_of_thousands_of_bursts_the_first_are_kept_and_all_are_counted() -> None:
    """One a second for an hour."""
    errors = ErrorFrames()
    errors.add(np.arange(3600.0), np.zeros(3600, np.uint32))
    errors.close()
    assert len(errors.bursts) == tally.MOST_BURSTS
    assert errors.bursts_seen == errors.count == 3600
