"""Figures of answers on wide buses, where more than one bus state may be right."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from wide_truth import Truth

LEAST: Final = 1e-6
"""A probability is never counted as less: one case costs at most 20 bits."""

UNSURE_BELOW: Final = 0.7
RULED_OUT_BELOW, SURE_ABOVE = 0.05, 0.8


@dataclass(frozen=True)
class Answered:
    """What casebase said of one visit.

    `clash`: it said that readings do not fit together, or lie outside what was simulated. `doubted`: it named a slip
    under which a healthy bus reads the same. `amount`: the ends of the
    90 % range of the parameter of the true state, in ohm or volt, where it gives one.
    """

    truth: Truth
    probabilities: dict[str, float]
    credible: tuple[str, ...]
    clash: bool
    amount: tuple[float, float] | None = None
    doubted: bool = False

    @property
    def first(self) -> str:
        """The likeliest state."""
        return max(self.probabilities, key=lambda state: self.probabilities[state])

    @property
    def surest(self) -> float:
        """Its probability."""
        return max(self.probabilities.values())

    @property
    def true_share(self) -> float:
        """The probability of all states that are right."""
        return sum(self.probabilities.get(state, 0.0) for state in self.truth.states)

    @property
    def right(self) -> bool:
        """Whether the likeliest state is right."""
        return self.first in self.truth.states

    @property
    def covered(self) -> bool:
        """Whether the 90 % set holds a right one."""
        return any(state in self.credible for state in self.truth.states)

    @property
    def surely_wrong(self) -> bool:
        """Whether it is sure of a wrong state and says nothing."""
        wrong = max((p for s, p in self.probabilities.items() if s not in self.truth.states), default=0.0)
        return self.true_share < RULED_OUT_BELOW and wrong > SURE_ABOVE and not (self.clash or self.doubted)

    @property
    def noticed(self) -> bool:
        """Whether it says that something is odd, names a slip to rule out first, or is not sure."""
        return self.clash or self.doubted or self.surest < UNSURE_BELOW

    @property
    def bits(self) -> float:
        """Log loss."""
        return float(-np.log2(max(self.true_share, LEAST)))


HEADER: Final = "count  top-1  in set   size    bits  sure+wrong  clash  unseen"


def figures(answers: Sequence[Answered]) -> str:
    """Return one line of figures under `HEADER`."""
    return (
        f"{len(answers):5d}  {mean(a.right for a in answers):5.3f}  {mean(a.covered for a in answers):6.3f}"
        f"  {mean(len(a.credible) for a in answers):5.2f}  {mean(a.bits for a in answers):6.3f}"
        f"  {mean(a.surely_wrong for a in answers):10.3f}  {mean(a.clash for a in answers):5.3f}"
        f"  {mean(not a.truth.seen for a in answers):6.3f}"
    )


def amount_figures(answers: Sequence[Answered]) -> str:
    """Return how often the 90 % range of the parameter holds it, and how wide it is, in a sentence."""
    held = [
        (a.truth.amount, a.amount) for a in answers if a.truth.amount is not None and a.amount is not None
    ]
    if not held:
        return "no range of a parameter is given yet"
    inside = mean(low <= amount <= high for amount, (low, high) in held)
    width = np.median([high / max(low, 1e-3) for _, (low, high) in held])
    return (
        f"{len(held)} ranges: {inside:.3f} hold the parameter; the upper end is {width:.1f} times the lower"
    )


def mean(values: Iterable[float]) -> float:
    """Return the mean, NaN of nothing."""
    held = list(values)
    return float(np.mean(held)) if held else float("nan")
