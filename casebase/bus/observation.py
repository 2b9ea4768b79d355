"""One thing read on a bus, as a measure of how badly each simulated bus misses it.

`misfit` is in standard errors: 0 where the simulated bus shows exactly what was read. The errors hold the meter's and
a smoothing that makes a few thousand simulated buses stand for all.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Final, NamedTuple, Protocol

import numpy as np

from casebase.bus.chain import Array
from casebase.bus.instruments import OHMS_REPEAT, OVER_LIMIT_OHMS, SCOPE_VOLTS, Uncertain, View

Columns = Mapping[str, Any]

SMOOTH_OHMS_SHARE: Final = 0.012
"""Of a resistance between the lines: well under the scatter of terminators."""

SMOOTH_GROUND_LOG: Final = 0.10
"""Of the size of the resistances to ground: it follows from how many modules there are and tells of no fault."""

TERMINATORS_MAKE_OHMS: Final = 300.0

TELLS_NOTHING_FROM_OHMS: Final = 1e4
"""From here on sound buses read anything to ground, and its size tells little (published: 14.7 kohm to OL)."""

SMOOTH_VOLTS: Final = 0.006
SMOOTH_VOLTS_SHARE: Final = 0.006
"""Of a voltage: what fine differences near ground tell is kept."""

FARTHEST: Final = 30.0
"""A misfit is never counted as more than this, so that sums stay finite."""


class Bench(Protocol):
    """What gives an observation the simulated columns; `unplugged` as in `View`."""

    def columns(self, unplugged: str) -> Columns:
        """Return the columns seen with `unplugged` taken off."""


class Slip(NamedTuple):
    """A usual way to take a reading wrongly, in words, and the misfit that it would have then, shape (rows,)."""

    words: str
    misfit: Array


POINT_MOVED: Final = "the decimal point or the range misread"
OTHER_LINE: Final = "the lead on the other line"
LINES_EXCHANGED: Final = "the two lines exchanged"
ONE_LINE_TWICE: Final = "one line read twice"
ASLEEP: Final = "the bus asleep meanwhile"
AC_RANGE_LEFT: Final = "the meter left on its AC range"
RANGE_BY_HAND: Final = "a low range set by hand, so that OL means only more than that"


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

    @property
    def live(self) -> bool:
        """Whether it was read with the bus supplied; without, on a network that rests."""

    @property
    def by_chance(self) -> float:
        """How likely a bus outside all that is simulated is to explain it."""

    def slips(self, bench: Bench) -> list[Slip]:
        """Return the misfits it would have, had it been taken wrongly: each way that people take it wrongly."""


OHMS_SPAN: Final = 18.0
"""Natural logarithm of the span over which any resistance may lie: 0.1 ohm to 10 Mohm."""

VOLTS_SPAN: Final = 16.0
"""Volts over which any level may lie."""

WORD_BY_CHANCE: Final = 0.3
"""How likely a word (over limit, unchanged, traffic seen) is to be right of any bus at all (judged)."""


def chance_of_ohms(ohms: float, error: float) -> float:
    """Return how likely any resistance at all lies within `error` of one that was read."""
    return min(2.5 * error / max(ohms, 2.0) / OHMS_SPAN, WORD_BY_CHANCE)


def smooth_ground_log(ohms: float) -> float:
    """Return the smoothing of the logarithm of a resistance to ground."""
    return SMOOTH_GROUND_LOG * (1.0 + max(0.0, math.log(ohms / TELLS_NOTHING_FROM_OHMS)))


def smooth_ohms_share(ohms: float) -> float:
    """Return the smoothing of a resistance as a share of it: what terminators never make tells little by its value."""
    return SMOOTH_OHMS_SHARE + 0.02 * max(0.0, math.log(max(ohms, 1.0) / TERMINATORS_MAKE_OHMS))


def chance_of_volts(error: float) -> float:
    """Return how likely any voltage at all lies within `error` of one that was read."""
    return min(2.5 * error / VOLTS_SPAN, WORD_BY_CHANCE)


class _NoUsualSlip:
    """What nobody usually takes wrongly."""

    @property
    def live(self) -> bool:
        """Whether it was read with the bus supplied."""
        return not getattr(self, "quantity", "").startswith("ohms")

    @property
    def by_chance(self) -> float:
        """How likely any bus at all is to explain it."""
        return WORD_BY_CHANCE

    def slips(self, bench: Bench) -> list[Slip]:
        """Return nothing."""
        return []


def column_of(bench: Bench, view: View, quantity: str) -> Array:
    """Return one simulated column, shape (rows,); the volts between two lines are the difference of their columns."""
    one, less, other = quantity.removeprefix("volts_").partition("_less_")
    if less:
        return column_of(bench, view, f"volts_{one}") - column_of(bench, view, f"volts_{other}")
    return np.asarray(bench.columns(view.unplugged)[view.column(quantity)])


@dataclass(frozen=True)
class NumberRead:
    """A resistance or voltage with its error; `rests_at_ground`: a voltage that lies near 0 V when the bus sleeps."""

    readings: tuple[int, ...]
    view: View
    quantity: str
    read: Uncertain
    rests_at_ground: bool = False

    @property
    def live(self) -> bool:
        """Whether it was read with the bus supplied."""
        return not self.quantity.startswith("ohms")

    @property
    def told(self) -> tuple[tuple[View, str], ...]:
        """What need not be read again."""
        return ((self.view, self.quantity),)

    @property
    def by_chance(self) -> float:
        """How likely any bus at all is to explain it."""
        if self.quantity.startswith("ohms"):
            return chance_of_ohms(self.read.value, self.error)
        return chance_of_volts(self.error)

    @property
    def error(self) -> float:
        """The standard error, with the smoothing."""
        if not self.quantity.startswith("ohms"):
            return float(np.hypot(self.read.error, _volts_smoothing(self.read.value)))
        through = self.quantity in _THROUGH_MODULES and self.read.value > 300
        share = smooth_ground_log(self.read.value) if through else smooth_ohms_share(self.read.value)
        return float(np.hypot(self.read.error, share * self.read.value))

    def misfit(self, bench: Bench) -> Array:
        """Return |read - simulated| in standard errors."""
        return self.missed_by(column_of(bench, self.view, self.quantity))

    def slips(self, bench: Bench) -> list[Slip]:
        """Return the misfits with the point moved, the lead on the other line, or the bus asleep unnoticed."""
        own = column_of(bench, self.view, self.quantity)
        slips = [Slip(POINT_MOVED, self.missed_by(own, factor)) for factor in (0.1, 10.0)]
        other = _OTHER_LINE.get(self.quantity)
        if other is not None:
            slips.append(Slip(OTHER_LINE, self.missed_by(column_of(bench, self.view, other))))
        if self.rests_at_ground:
            asleep = rarer(abs(self.read.value) / ASLEEP_VOLTS, self.error / ASLEEP_VOLTS)
            slips.append(Slip(ASLEEP, np.full_like(own, asleep)))
        return slips

    def missed_by(self, true: Array, factor: float = 1.0) -> Array:
        """Return the misfit of what was read from `true`, shown `factor` times too large."""
        return capped((factor * true - self.read.value) / self.error)


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


AC_RANGE: Final = (0.1, 1.2)
"""What share of the alternating part a meter left on its AC range shows: hardly any has the bandwidth (judged)."""


@dataclass(frozen=True)
class VoltsPairRead:
    """Both lines' averages, read in one place and state: what is taken wrongly, is so for both."""

    high: NumberRead
    low: NumberRead
    live: ClassVar[bool] = True

    @property
    def view(self) -> View:
        """Where both were read."""
        return self.high.view

    @property
    def readings(self) -> tuple[int, ...]:
        """The readings it comes from."""
        return (*self.high.readings, *self.low.readings)

    @property
    def told(self) -> tuple[tuple[View, str], ...]:
        """What need not be read again: both lines."""
        return (*self.high.told, *self.low.told)

    @property
    def by_chance(self) -> float:
        """How likely any bus at all is to explain both."""
        return self.high.by_chance * self.low.by_chance

    def misfit(self, bench: Bench) -> Array:
        """Return the misfit of both together."""
        return self._missed_by(*self._columns(bench))

    def slips(self, bench: Bench) -> list[Slip]:
        """Return the misfits with the lines exchanged, one line read twice, a point moved, the bus asleep, AC."""
        high, low = self._columns(bench)
        asleep = math.hypot(self.high.read.value, self.low.read.value) / ASLEEP_VOLTS
        density = self.high.error * self.low.error / ASLEEP_VOLTS**2
        high_right, low_right = self.high.missed_by(high), self.low.missed_by(low)
        high_crossed, low_crossed = self.high.missed_by(low), self.low.missed_by(high)
        slips = [
            Slip(LINES_EXCHANGED, _together(high_crossed, low_crossed)),
            Slip(ONE_LINE_TWICE, _together(high_right, low_crossed)),
            Slip(ONE_LINE_TWICE, _together(high_crossed, low_right)),
            Slip(ASLEEP, np.full_like(high, rarer(asleep, density))),
            Slip(AC_RANGE_LEFT, self._on_ac_range(bench)),
        ]
        for factor in (0.1, 10.0):
            slips.append(Slip(POINT_MOVED, _together(self.high.missed_by(high, factor), low_right)))
            slips.append(Slip(POINT_MOVED, _together(high_right, self.low.missed_by(low, factor))))
        return slips

    def _columns(self, bench: Bench) -> tuple[Array, Array]:
        return column_of(bench, self.view, "volts_high"), column_of(bench, self.view, "volts_low")

    def _missed_by(self, high: Array, low: Array) -> Array:
        return _together(self.high.missed_by(high), self.low.missed_by(low))

    def _on_ac_range(self, bench: Bench) -> Array:
        """Return how far both lie from what an AC range shows: part of share (1 - share) swing squared, rooted."""
        share = column_of(bench, self.view, "dominant_share")
        root = np.sqrt(share * (1 - share))
        found = []
        for line, read in (("high", self.high), ("low", self.low)):
            swing = np.abs(
                column_of(bench, self.view, f"dominant_{line}")
                - column_of(bench, self.view, f"recessive_{line}")
            )
            least, most = (part * swing * root for part in AC_RANGE)
            beyond = np.maximum(read.read.value - most, least - read.read.value).clip(min=0)
            density = np.minimum(2.5 * read.error / (most - least + 2.5 * read.error), 1.0)
            found.append(rarer(beyond / read.read.error, density))
        return _together(*found)


def rarer(misfit: Any, density: Any) -> Any:
    """Return a misfit made larger where what was read might have been many things: `density` of those lie near it."""
    return capped(np.sqrt(misfit * misfit - 2.0 * np.log(np.minimum(density, 1.0))))


def _together(one: Array, other: Array) -> Array:
    return np.asarray(np.minimum(np.sqrt(one * one + other * other), FARTHEST))


@dataclass(frozen=True)
class GroundPairRead:
    """Both lines' resistance to ground: the size tells little, the difference much, as the meter's gain cancels."""

    readings: tuple[int, ...]
    view: View
    high: Uncertain
    low: Uncertain
    typing: float
    live: ClassVar[bool] = False

    @property
    def told(self) -> tuple[tuple[View, str], ...]:
        """What need not be read again: both lines."""
        return (self.view, "ohms_high_ground"), (self.view, "ohms_low_ground")

    @property
    def by_chance(self) -> float:
        """How likely any bus at all is to explain both."""
        size = 2.5 * self._smoothing() / OHMS_SPAN
        return size * min(2.5 * self._error() / (self.high.value + self.low.value), WORD_BY_CHANCE)

    def misfit(self, bench: Bench) -> Array:
        """Return the misfit of size and difference together."""
        return self._from(*self._columns(bench))

    def slips(self, bench: Bench) -> list[Slip]:
        """Return the misfits with the two lines exchanged, and with both readings taken on one line."""
        high, low = self._columns(bench)
        return [
            Slip(LINES_EXCHANGED, self._from(low, high)),
            Slip(ONE_LINE_TWICE, self._from(high, high)),
            Slip(ONE_LINE_TWICE, self._from(low, low)),
        ]

    def _columns(self, bench: Bench) -> tuple[Array, Array]:
        return tuple(column_of(bench, self.view, f"ohms_{line}_ground") for line in ("high", "low"))  # type: ignore[return-value]

    def _from(self, high: Array, low: Array) -> Array:
        size = (np.log(high * low) - math.log(self.high.value * self.low.value)) / 2
        apart = self.high.value - self.low.value
        return _together(capped(size / self._smoothing()), capped(((high - low) - apart) / self._error()))

    def _smoothing(self) -> float:
        return smooth_ground_log((self.high.value * self.low.value) ** 0.5)

    def _error(self) -> float:
        """Return the standard error of the difference: the meter's gain is common to both."""
        mean = (self.high.value + self.low.value) / 2
        return float((2 * (OHMS_REPEAT * mean) ** 2 + self.typing**2 + 0.5) ** 0.5)


HAND_RANGE_OHMS: Final = 600.0
"""Where a range ends that was chosen by hand for the pair: 200 to 600 ohm (common practice, no source)."""


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
        return self._below(bench, OVER_LIMIT_OHMS[0])

    def slips(self, bench: Bench) -> list[Slip]:
        """Return the misfit with a low range chosen by hand, several times as likely as any other slip."""
        return [Slip(RANGE_BY_HAND, self._below(bench, HAND_RANGE_OHMS))]

    def _below(self, bench: Bench, limit_ohms: float) -> Array:
        true = column_of(bench, self.view, self.quantity)
        return capped(np.log(limit_ohms / np.maximum(true, 0.01)).clip(min=0) / 0.5)


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

    @property
    def by_chance(self) -> float:
        """How likely any bus at all is to explain it."""
        return chance_of_volts(SCOPE_VOLTS)

    def misfit(self, bench: Bench) -> Array:
        """Return |read - simulated| in standard errors."""
        error = SCOPE_VOLTS + SMOOTH_VOLTS_SHARE * abs(self.volts)
        return capped((column_of(bench, self.view, self.quantity) - self.volts) / error)


WRONG_LOOK: Final = 2.6
"""Misfit of a plain yes or no that does not agree: one in thirty looks is wrong (judged)."""


def _volts_smoothing(volts: float) -> float:
    return float(np.hypot(SMOOTH_VOLTS, SMOOTH_VOLTS_SHARE * volts))


def capped(misfit: Any) -> Array:
    """Return the size of a misfit, bounded; what cannot be told is as far off as can be."""
    return np.asarray(np.fmin(np.abs(misfit), FARTHEST))
