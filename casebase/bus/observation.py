"""One thing read on a bus, as a measure of how badly each simulated bus misses it.

`misfit` is in standard errors: 0 where the simulated bus shows exactly what was read. The errors hold the meter's and
a smoothing that makes a few thousand simulated buses stand for all.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Protocol

import numpy as np

from casebase.bus.chain import Array
from casebase.bus.instruments import OHMS_REPEAT, OVER_LIMIT_OHMS, SCOPE_VOLTS, Uncertain, View

Columns = Mapping[str, Any]

SMOOTH_OHMS_SHARE: Final = 0.012
"""Of a resistance between the lines: well under the scatter of terminators."""

SMOOTH_GROUND_LOG: Final = 0.10
"""Of the size of the resistances to ground: it follows from how many modules there are and tells of no fault."""

SMOOTH_VOLTS: Final = 0.004
SMOOTH_VOLTS_SHARE: Final = 0.006
"""Of a voltage: what fine differences near ground tell is kept."""

FARTHEST: Final = 30.0
"""A misfit is never counted as more than this, so that sums stay finite."""


class Bench(Protocol):
    """What gives an observation the simulated columns; `unplugged` as in `View`."""

    def columns(self, unplugged: str) -> Columns:
        """Return the columns seen with `unplugged` taken off."""


class Observation(Protocol):
    """Something read; `readings` are the indices of the readings it comes from."""

    @property
    def readings(self) -> tuple[int, ...]:
        """The readings it comes from."""

    @property
    def told(self) -> tuple[tuple[View, str], ...]:
        """What need not be read again: (where, simulated quantity)."""

    def misfit(self, bench: Bench) -> Array:
        """Return how many standard errors each simulated bus misses it by, never negative."""

    def slips(self, bench: Bench) -> list[Array]:
        """Return the misfits it would have, had it been taken wrongly: each way that people take it wrongly."""


class _NoUsualSlip:
    """What nobody usually takes wrongly."""

    def slips(self, bench: Bench) -> list[Array]:
        """Return nothing."""
        return []


def column_of(bench: Bench, view: View, quantity: str) -> Array:
    """Return one simulated column as float64."""
    return np.asarray(bench.columns(view.unplugged)[view.column(quantity)], dtype=np.float64)


@dataclass(frozen=True)
class NumberRead:
    """A resistance or voltage with its error; `rests_at_ground`: a voltage that lies near 0 V when the bus sleeps."""

    readings: tuple[int, ...]
    view: View
    quantity: str
    read: Uncertain
    rests_at_ground: bool = False

    @property
    def told(self) -> tuple[tuple[View, str], ...]:
        """What need not be read again."""
        return ((self.view, self.quantity),)

    def misfit(self, bench: Bench) -> Array:
        """Return |read - simulated| in standard errors."""
        return self._from(column_of(bench, self.view, self.quantity), 1.0)

    def slips(self, bench: Bench) -> list[Array]:
        """Return the misfits with the point moved, the lead on the other line, or the bus asleep unnoticed."""
        own = column_of(bench, self.view, self.quantity)
        slips = [self._from(own, factor) for factor in (0.1, 10.0)]
        other = _OTHER_LINE.get(self.quantity)
        if other is not None:
            slips.append(self._from(column_of(bench, self.view, other), 1.0))
        if self.rests_at_ground:
            slips.append(np.full_like(own, min(abs(self.read.value) / ASLEEP_VOLTS, FARTHEST)))
        return slips

    def _from(self, true: Array, factor: float) -> Array:
        """Return the misfit of what was read from `true`, shown `factor` times too large."""
        smooth = (
            SMOOTH_OHMS_SHARE * self.read.value
            if self.quantity.startswith("ohms")
            else _volts_smoothing(self.read.value)
        )
        if self.quantity in _THROUGH_MODULES and self.read.value > 300:
            smooth = SMOOTH_GROUND_LOG * self.read.value
        error = (self.read.error**2 + smooth**2) ** 0.5
        return capped((factor * true - self.read.value) / error)


ASLEEP_VOLTS: Final = 0.06
"""A line of a sleeping bus lies within 0.1 V of ground (TCAN1042HGV 7.7): taken as a standard error."""

_THROUGH_MODULES: Final = {"ohms_high_ground", "ohms_low_ground", "ohms_line_ground", "ohms_line_battery"}
"""Resistances that follow from how many modules there are."""

_OTHER_LINE: Final = {
    "volts_high": "volts_low",
    "volts_low": "volts_high",
    "ohms_high_ground": "ohms_low_ground",
    "ohms_low_ground": "ohms_high_ground",
}


@dataclass(frozen=True)
class GroundPairRead:
    """Both lines' resistance to ground: the size tells little, the difference much, as the meter's gain cancels."""

    readings: tuple[int, ...]
    view: View
    high: Uncertain
    low: Uncertain
    typing: float

    @property
    def told(self) -> tuple[tuple[View, str], ...]:
        """What need not be read again: both lines."""
        return (self.view, "ohms_high_ground"), (self.view, "ohms_low_ground")

    def misfit(self, bench: Bench) -> Array:
        """Return the misfit of size and difference together."""
        return self._from(*self._columns(bench))

    def slips(self, bench: Bench) -> list[Array]:
        """Return the misfits with the two lines exchanged, and with both readings taken on one line."""
        high, low = self._columns(bench)
        return [self._from(low, high), self._from(high, high), self._from(low, low)]

    def _columns(self, bench: Bench) -> tuple[Array, Array]:
        return tuple(column_of(bench, self.view, f"ohms_{line}_ground") for line in ("high", "low"))  # type: ignore[return-value]

    def _from(self, high: Array, low: Array) -> Array:
        size = (np.log(high * low) - np.log(self.high.value * self.low.value)) / 2
        apart = self.high.value - self.low.value
        mean = (self.high.value + self.low.value) / 2
        error = (2 * (OHMS_REPEAT * mean) ** 2 + self.typing**2 + 0.5) ** 0.5
        both = np.hypot(size / SMOOTH_GROUND_LOG, ((high - low) - apart) / error)
        return capped(both)


@dataclass(frozen=True)
class OverLimitRead(_NoUsualSlip):
    """`OL`: more than the meter shows."""

    readings: tuple[int, ...]
    view: View
    quantity: str

    @property
    def told(self) -> tuple[tuple[View, str], ...]:
        """What need not be read again."""
        return ((self.view, self.quantity),)

    def misfit(self, bench: Bench) -> Array:
        """Return 0 for what no meter shows, growing below the lowest limit."""
        return capped(
            np.log(OVER_LIMIT_OHMS[0] / column_of(bench, self.view, self.quantity)).clip(min=0) / 0.5
        )


@dataclass(frozen=True)
class UnchangedRead(_NoUsualSlip):
    """The same value as an earlier reading, in another state."""

    readings: tuple[int, ...]
    view: View
    before: View
    quantity: str

    @property
    def told(self) -> tuple[tuple[View, str], ...]:
        """What need not be read again."""
        return ((self.view, self.quantity),)

    def misfit(self, bench: Bench) -> Array:
        """Return how far the two simulated values lie apart."""
        now, then = (column_of(bench, view, self.quantity) for view in (self.view, self.before))
        if self.quantity.startswith("ohms"):
            return capped(np.log((now + 2) / (then + 2)) / 0.08)
        return capped((now - then) / 0.12)


@dataclass(frozen=True)
class BackToNormalRead(_NoUsualSlip):
    """A value as on a healthy bus, in this state; `healthy` marks the rows of healthy buses."""

    readings: tuple[int, ...]
    view: View
    quantity: str
    healthy: slice

    @property
    def told(self) -> tuple[tuple[View, str], ...]:
        """What need not be read again."""
        return ((self.view, self.quantity),)

    def misfit(self, bench: Bench) -> Array:
        """Return the distance from the middle of what healthy buses show here."""
        values = column_of(bench, self.view, self.quantity)
        normal = values[self.healthy]
        if self.quantity.startswith("ohms"):
            values, normal = np.log(values + 1), np.log(normal + 1)
        low, middle, high = np.percentile(normal, [16, 50, 84])
        return capped((values - middle) / ((high - low) / 2 + 0.02) / 1.5)


@dataclass(frozen=True)
class TrafficRead(_NoUsualSlip):
    """Traffic seen on a scope, or none."""

    readings: tuple[int, ...]
    view: View
    seen: bool

    @property
    def told(self) -> tuple[tuple[View, str], ...]:
        """What need not be read again: the scope was on."""
        return ((self.view, "traffic"),)

    def misfit(self, bench: Bench) -> Array:
        """Return 0 where the simulated bus agrees."""
        return np.where((column_of(bench, self.view, "traffic") > 0.5) == self.seen, 0.0, WRONG_LOOK)


@dataclass(frozen=True)
class LevelRead(_NoUsualSlip):
    """A level read off a scope."""

    readings: tuple[int, ...]
    view: View
    quantity: str
    volts: float

    @property
    def told(self) -> tuple[tuple[View, str], ...]:
        """What need not be read again: the scope was on, so traffic would have been seen."""
        return (self.view, self.quantity), (self.view, "traffic")

    def misfit(self, bench: Bench) -> Array:
        """Return |read - simulated| in standard errors."""
        error = SCOPE_VOLTS + SMOOTH_VOLTS_SHARE * abs(self.volts)
        return capped((column_of(bench, self.view, self.quantity) - self.volts) / error)


WRONG_LOOK: Final = 2.6
"""Misfit of a plain yes or no that does not agree: one in thirty looks is wrong (judged)."""


def _volts_smoothing(volts: float) -> float:
    return float(np.hypot(SMOOTH_VOLTS, SMOOTH_VOLTS_SHARE * volts))


def capped(misfit: Any) -> Array:
    """Return the size of a misfit, bounded."""
    return np.asarray(
        np.minimum(np.abs(np.nan_to_num(misfit, nan=FARTHEST, posinf=FARTHEST, neginf=FARTHEST)), FARTHEST)
    )
