"""How long a scope shows the lines driven, as evidence: it must go with the averages that a meter shows.

A meter shows rest + share x (driven - rest) of each sender; the simulated buses keep how long their senders drive the
lines as far as a scope would count it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.bus.chain import Array
from casebase.bus.meter import SCOPE_SHARE_FLOOR, SCOPE_SHARE_MOVES, STATE_NOT_STATED
from casebase.bus.observation import Bench, capped, column_of
from casebase.bus.observe import View

SHARE: Final = "dominant_share"


def share_error(share: float, *, stated: bool = True) -> float:
    """Return the standard error of a share of time read off a scope: traffic differs from one capture to the next."""
    own = float(np.hypot(SCOPE_SHARE_FLOOR, SCOPE_SHARE_MOVES * share))
    return own * (1.0 if stated else STATE_NOT_STATED)


@dataclass(frozen=True)
class ShareRead:
    """The share of time in which the lines are driven, 0..1, with its error, where traffic was seen."""

    readings: tuple[int, ...]
    view: View
    share: float
    error: float

    @property
    def told(self) -> tuple[tuple[View, str], ...]:
        """What need not be read again: the scope was on."""
        return ((self.view, "traffic"),)

    def misfit(self, bench: Bench) -> Array:
        """Return |read - simulated| in standard errors.

        A bus without traffic explains a share as well as those with traffic do on average: that there is traffic is
        evidence of its own.
        """
        seen = column_of(bench, self.view, "traffic") > 0.5
        apart = capped((column_of(bench, self.view, SHARE) - self.share) / self.error)
        return np.where(seen, apart, _on_average(apart[seen]))

    def slips(self, bench: Bench) -> list[Array]:
        """Return nothing: nobody usually takes it wrongly."""
        return []


def _on_average(misfit: NDArray[np.float64]) -> float:
    explained = float(np.exp(-0.5 * misfit**2).mean()) if len(misfit) else 1.0
    return float(capped(np.sqrt(-2.0 * np.log(max(explained, 1e-300)))))
