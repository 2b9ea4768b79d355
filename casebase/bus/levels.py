"""What a picture of the levels shows, free of any drawing: rulers of volts and ohms, each reading a mark on one."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from casebase.bus.media import Band, HealthyOhms, expected_bands, healthy_ohms
from casebase.record.quantities import Amount
from casebase.record.reading import Reading, Waveform
from casebase.record.vocabulary import (
    LINES_OF_MEDIUM,
    POWER_LINES,
    Battery,
    Ignition,
    Into,
    Line,
    Medium,
    Quantity,
    Stage,
)

TOPS: Final = (5.0, 15.0, 30.0, 60.0)
"""Where a scale of volts may end: the lines' own supply, a 12 V, a 24 V and a 48 V battery."""

LOWEST_OHMS: Final = 0.1
HIGHEST_OHMS: Final = 1e7
"""The ends of the scale of ohms, in powers of ten; OL stands at the upper end."""

_PAIRS_WITH_A_SUM: Final = (Medium.HIGH_SPEED_CAN, Medium.J1939, Medium.CAN_FD)
_USUAL: Final = "average with traffic"
_ASLEEP: Final = "asleep"
_SCOPE_LEVELS: Final = ("recessive", "dominant")
_TO_GROUND: Final = (None, Line.GROUND, Line.BATTERY_MINUS)


@dataclass(frozen=True)
class Mark:
    """One reading on a ruler, in volts or ohms; `low` and `high` differ where a range was read, OL is infinite.

    `state` is the state of the vehicle in words; `beside` only what has to be seen next to the mark. `level` is
    the level that a scope showed, empty for a meter.
    """

    number: float
    low: float
    high: float
    value: str
    at: str
    stage: Stage
    state: str = ""
    beside: str = ""
    level: str = ""
    ignition_off: bool = False

    def words(self) -> str:
        """Return value, place, stage and state in words: `2.69 V at DLC, as found, ignition on`."""
        return ", ".join(part for part in (f"{self.value} at {self.at}", self.stage, self.state) if part)


@dataclass(frozen=True)
class Lane:
    """The marks of one line that are drawn against one band; `band` is None where nothing tells what is expected."""

    band: Band | None
    marks: tuple[Mark, ...]

    @property
    def on_scope(self) -> bool:
        """Whether a scope showed these levels, and no meter."""
        return any(mark.level for mark in self.marks)


@dataclass(frozen=True)
class VoltRuler:
    """The volts of one line to ground, in the order of the readings, and the bands of a healthy line."""

    line: Line
    bands: tuple[Band, ...]
    marks: tuple[Mark, ...]

    @property
    def usual(self) -> Band | None:
        """The band in which a meter's mean lies while there is traffic."""
        return next((band for band in self.bands if band.label == _USUAL), None)

    def lanes(self) -> list[Lane]:
        """Return the marks by the band nearest to them; one lane without marks where the line was not read."""
        nearest = [(self._nearest(mark), mark) for mark in self.marks]
        lanes = [
            Lane(band, tuple(mark for near, mark in nearest if near == band))
            for band in (*self.bands, None)
            if any(near == band for near, _ in nearest)
        ]
        return lanes or [Lane(self.usual, ())]

    def bands_for(self, mark: Mark) -> tuple[Band, ...]:
        """Return the bands in which this mark may lie; with the ignition off the bus may be awake or asleep."""
        of_meter = (_USUAL, _ASLEEP) if mark.ignition_off else (_USUAL,)
        labels = (mark.level,) if mark.level else of_meter
        return tuple(band for band in self.bands if band.label in labels)

    def _nearest(self, mark: Mark) -> Band | None:
        def volts_away(band: Band) -> float:
            return max(band.low - mark.number, mark.number - band.high, 0.0)

        return min(self.bands_for(mark), key=volts_away, default=None)


@dataclass(frozen=True)
class OhmRuler:
    """The ohms between two leads; `healthy` is None where no figure tells what a healthy bus shows there."""

    line: Line
    against: Line | None
    healthy: HealthyOhms | None
    marks: tuple[Mark, ...]

    @property
    def between(self) -> str:
        """What the leads were on: `CAN high to CAN low`."""
        return f"{self.line} to {self.against or 'what is not stated'}"


@dataclass(frozen=True)
class LineSum:
    """The sum of what a meter showed on both lines at one place, in volts."""

    stage: Stage
    volts: float
    at: str


@dataclass(frozen=True)
class Levels:
    """What a picture of the levels of one bus shows. `top_volts`: where the scale of every line ends."""

    top_volts: float
    rulers: tuple[VoltRuler, ...]
    sums: tuple[LineSum, ...]
    ohms: tuple[OhmRuler, ...]

    @property
    def has_volts(self) -> bool:
        """Whether any line has a mark."""
        return any(ruler.marks for ruler in self.rulers)

    @property
    def marks(self) -> tuple[Mark, ...]:
        """Every mark, volts first."""
        volts = (mark for ruler in self.rulers for mark in ruler.marks)
        return (*volts, *(mark for ruler in self.ohms for mark in ruler.marks))


def levels_of(readings: Sequence[Reading], medium: Medium, *, with_scope: bool = True) -> Levels:
    """Return what a picture of `readings`, taken on one bus, shows; `with_scope`: a scope's levels are marks too."""
    bands = expected_bands(medium)
    marks = list(_volt_marks(readings, medium, with_scope=with_scope))
    return Levels(
        _scale_top([mark.high for _, mark in marks] + _power_volts(readings), bands),
        tuple(
            VoltRuler(
                line,
                tuple(band for band in bands if band.line == line),
                tuple(mark for on, mark in marks if on == line),
            )
            for line in LINES_OF_MEDIUM[medium]
        ),
        tuple(_sums(readings, medium)),
        tuple(_ohm_rulers(readings, medium)),
    )


def share_of_volts(volts: float, top_volts: float) -> float:
    """Return where `volts` stands between 0 and the top of the scale: 0 to 1, what lies outside at the ends."""
    return min(1.0, max(0.0, volts / top_volts))


def share_of_ohms(ohms: float) -> float:
    """Return where `ohms` stands on the logarithmic scale: 0 to 1; OL and what lies outside at the ends."""
    clipped = min(max(ohms, LOWEST_OHMS), HIGHEST_OHMS)
    return math.log(clipped / LOWEST_OHMS) / math.log(HIGHEST_OHMS / LOWEST_OHMS)


def _volt_marks(
    readings: Sequence[Reading], medium: Medium, *, with_scope: bool
) -> Iterator[tuple[Line, Mark]]:
    lines = LINES_OF_MEDIUM[medium]
    for reading in readings:
        if _is_level(reading) and reading.line and isinstance(reading.value, Amount):
            found = [("", reading.line, reading.value)]
        else:
            found = list(_scope_levels(reading.waveform)) if with_scope and reading.waveform else []
        yield from ((line, _mark(reading, amount, level)) for level, line, amount in found if line in lines)


def _is_level(reading: Reading) -> bool:
    """Return whether these are volts to ground: those between two lines do not belong on either's ruler."""
    return reading.quantity is Quantity.VOLTAGE and reading.against in _TO_GROUND


def _scope_levels(waveform: Waveform) -> Iterator[tuple[str, Line, Amount]]:
    for level in _SCOPE_LEVELS:
        for line, amount in getattr(waveform, level).items():
            yield level, line, amount


def _mark(reading: Reading, amount: Amount | None, level: str = "") -> Mark:
    """Return the mark of a reading; without an amount the meter showed OL."""
    return Mark(
        number=amount.number if amount else math.inf,
        low=amount.low if amount else math.inf,
        high=amount.high if amount else math.inf,
        value=str(amount or reading.value),
        at=reading.at,
        stage=reading.stage,
        state=reading.state(),
        beside=_beside(reading),
        level=level,
        ignition_off=reading.ignition is Ignition.OFF,
    )


def _beside(reading: Reading) -> str:
    """Return the part of the state without which a mark would mislead."""
    ohms = reading.quantity is Quantity.RESISTANCE
    parts = (
        f"{', '.join(reading.unplugged)} unplugged" if reading.unplugged else "",
        "ignition off" if not ohms and reading.ignition is Ignition.OFF else "",
        "battery connected" if ohms and reading.battery is Battery.CONNECTED else "",
    )
    return ", ".join(part for part in parts if part)


def _scale_top(volts: Sequence[float], bands: Sequence[Band]) -> float:
    highest = max([band.high for band in bands] + list(volts))
    return next(top for top in TOPS if highest <= top)


def _power_volts(readings: Sequence[Reading]) -> list[float]:
    """Return what was read of battery + and of ground: the scale holds these too, so it ends at the battery."""
    powered = (it for it in readings if it.line in (Line.BATTERY_PLUS, Line.GROUND) and _is_level(it))
    return [it.number or 0.0 for it in powered]


def _sums(readings: Sequence[Reading], medium: Medium) -> Iterator[LineSum]:
    """Sum the first means of both lines at the place that was measured first, as found and after repair."""
    if medium not in _PAIRS_WITH_A_SUM:
        return
    for stage in (Stage.AS_FOUND, Stage.AFTER_REPAIR):
        plain = [it for it in readings if _is_plain(it, stage)]
        alike = [it for it in plain if (it.at, it.ignition) == (plain[0].at, plain[0].ignition)]
        by_line = {it.line: it.number or 0.0 for it in reversed(alike)}
        if len(by_line) == 2 and not _looks_asleep(plain[0], max(by_line.values())):
            yield LineSum(stage, by_line[Line.CAN_HIGH] + by_line[Line.CAN_LOW], plain[0].at)


def _is_plain(reading: Reading, stage: Stage) -> bool:
    """Return whether a sum may be made of it: a line of the pair with nothing unplugged."""
    return (
        _is_level(reading)
        and reading.number is not None
        and reading.line in (Line.CAN_HIGH, Line.CAN_LOW)
        and not reading.unplugged
        and reading.stage is stage
    )


def _looks_asleep(reading: Reading, higher_volts: float) -> bool:
    """Return whether both lines rest at ground as they do asleep, where their sum tells nothing."""
    asleep = next(band for band in expected_bands(Medium.HIGH_SPEED_CAN) if band.label == _ASLEEP)
    return reading.ignition is Ignition.OFF and higher_volts <= asleep.high


def _ohm_rulers(readings: Sequence[Reading], medium: Medium) -> Iterator[OhmRuler]:
    """Gather the ohms by what the leads were on, the pair itself first."""
    healthy = healthy_ohms(medium)
    rulers: dict[tuple[Line, Line | None], list[Mark]] = {}
    for reading in readings:
        leads = _leads(reading, medium)
        if leads and reading.number is not None:
            amount = reading.value if isinstance(reading.value, Amount) else None
            rulers.setdefault(leads, []).append(_mark(reading, amount))
    for leads in sorted(rulers, key=lambda leads: leads[1] in POWER_LINES):
        known = healthy if healthy and leads == (healthy.line, healthy.against) else None
        yield OhmRuler(*leads, known, tuple(rulers[leads]))


def _leads(reading: Reading, medium: Medium) -> tuple[Line, Line | None] | None:
    """Return what the leads were on, either way round alike; None where no line of this bus is among them."""
    lines = LINES_OF_MEDIUM[medium]
    first, second = reading.line, reading.against
    if second in lines and (first not in lines or lines.index(first) > lines.index(second)):
        first, second = second, first
    of_the_bus = reading.quantity is Quantity.RESISTANCE and reading.to is None
    if not of_the_bus or reading.into is Into.MODULE or first not in lines:
        return None
    return first, second
