"""Scores of probabilities against what was true: accuracy, sets, log loss in bits, calibration."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

BINS: Final = 10
LEAST: Final = 1e-6
"""A probability is never counted as less: one case costs at most 20 bits."""


@dataclass(frozen=True)
class Answer:
    """The probabilities given for one bus, and the state it was in."""

    true: str
    probabilities: dict[str, float]
    credible: tuple[str, ...]
    clash: bool

    @property
    def first(self) -> str:
        """The likeliest state."""
        return max(self.probabilities, key=lambda state: self.probabilities[state])

    @property
    def surest(self) -> float:
        """The probability of the likeliest state."""
        return max(self.probabilities.values())

    @property
    def right(self) -> bool:
        """Whether the first answer is the true state."""
        return self.first == self.true

    @property
    def bits(self) -> float:
        """The log loss in bits."""
        return float(-np.log2(max(self.probabilities[self.true], LEAST)))


@dataclass(frozen=True)
class Score:
    """The figures of many answers."""

    count: int
    accuracy: float
    coverage: float
    size: float
    bits: float
    first_error: float
    every_error: float
    clashes: float

    def __str__(self) -> str:
        return (
            f"{self.count:5d}  {self.accuracy:8.3f}  {self.coverage:8.3f}  {self.size:5.2f}  {self.bits:6.3f}"
            f"  {self.first_error:9.3f}  {self.every_error:9.3f}  {self.clashes:6.3f}"
        )


HEADER: Final = "count  accuracy  coverage   size    bits  cal.first  cal.every  clash"


def score(answers: Sequence[Answer]) -> Score:
    """Return the figures of `answers`."""
    every = [
        (probability, state == answer.true)
        for answer in answers
        for state, probability in answer.probabilities.items()
    ]
    return Score(
        count=len(answers),
        accuracy=_mean(answer.right for answer in answers),
        coverage=_mean(answer.true in answer.credible for answer in answers),
        size=_mean(len(answer.credible) for answer in answers),
        bits=_mean(answer.bits for answer in answers),
        first_error=calibration_error([(answer.surest, answer.right) for answer in answers]),
        every_error=calibration_error(every),
        clashes=_mean(answer.clash for answer in answers),
    )


def calibration_error(pairs: Sequence[tuple[float, bool]], bins: int = BINS) -> float:
    """Return the mean distance between probability and frequency over equal bins, weighted by their counts."""
    probabilities, came_true = np.array(pairs, dtype=np.float64).T
    which = np.minimum((probabilities * bins).astype(int), bins - 1)
    return float(sum(_gap(which == index, probabilities, came_true) for index in range(bins)) / len(pairs))


def _gap(
    mask: NDArray[np.bool_], probabilities: NDArray[np.float64], came_true: NDArray[np.float64]
) -> float:
    return abs(float(probabilities[mask].sum() - came_true[mask].sum()))


def reliability(answers: Sequence[Answer]) -> list[tuple[int, float, float]]:
    """Return (count, mean probability, share right) of the first answers in ten bins, empty ones left out."""
    rows = []
    for index in range(BINS):
        held = [a for a in answers if min(int(a.surest * BINS), BINS - 1) == index]
        if held:
            rows.append((len(held), _mean(a.surest for a in held), _mean(a.right for a in held)))
    return rows


def _mean(values: object) -> float:
    return float(np.mean(list(values)))  # type: ignore[call-overload]
