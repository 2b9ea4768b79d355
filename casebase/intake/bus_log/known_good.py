"""A log compared with one of the same vehicle when it was well: what is missing, late, new, of another length."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from casebase.intake.bus_log.habits import is_tester
from casebase.intake.bus_log.traffic import BusTraffic, Identifier, IdentifierKey, Traffic

LATE_FACTOR: Final = 1.2
"""A period counts as longer from here on (chosen), where chance does not explain it."""

_NOTCH: Final = 1.57
"""Median plus or minus 1.57 quartile ranges over the root of the count: about 95 % (McGill, Tukey, Larsen 1978)."""

_PERIODS_EXPECTED: Final = 5


@dataclass(frozen=True, slots=True)
class Missing:
    """An identifier of the known-good log that this log lacks; its period there, None where it had none."""

    key: IdentifierKey
    period: float | None
    log_long_enough: bool
    """Whether it should have come at least five times in this log."""


@dataclass(frozen=True, slots=True)
class OtherPeriod:
    """An identifier whose median interval is longer (or shorter) than in the known-good log; in seconds."""

    key: IdentifierKey
    period: float
    good_period: float

    @property
    def factor(self) -> float:
        """How many times longer."""
        return self.period / self.good_period


@dataclass(frozen=True, slots=True)
class OtherLength:
    """An identifier with data lengths that the known-good log does not have; in bytes."""

    key: IdentifierKey
    lengths: tuple[int, ...]
    good_lengths: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class SilentModule:
    """A module by the table of modules: how many of its identifiers are missing, and of how many."""

    module: str
    missing: tuple[IdentifierKey, ...]
    expected: int

    @property
    def whole(self) -> bool:
        """Whether all that it should send is missing."""
        return len(self.missing) == self.expected


@dataclass(frozen=True)
class Difference:
    """One channel of a log against the known-good log."""

    channel: str
    good_channel: str
    missing: tuple[Missing, ...]
    late: tuple[OtherPeriod, ...]
    early: tuple[OtherPeriod, ...]
    new: tuple[IdentifierKey, ...]
    new_diagnostic: tuple[IdentifierKey, ...]
    lengths: tuple[OtherLength, ...]
    modules: tuple[SilentModule, ...]

    @property
    def nothing(self) -> bool:
        """Whether no difference was found."""
        return not (self.missing or self.late or self.early or self.new or self.lengths)


def differences(
    traffic: Traffic, good: Traffic, modules: Mapping[IdentifierKey, str]
) -> tuple[Difference, ...]:
    """Return how each channel differs from the known-good log's channel of that name, or its only one."""
    return tuple(
        _difference(bus, other, traffic.duration, modules)
        for bus in traffic.buses
        if (other := _channel_like(bus, traffic, good)) is not None
    )


def _channel_like(bus: BusTraffic, traffic: Traffic, good: Traffic) -> BusTraffic | None:
    if len(traffic.buses) == len(good.buses) == 1:
        return good.buses[0]
    named = next((other for other in good.buses if other.channel == bus.channel), None)
    keys = {one.key for one in bus.identifiers}
    shared = [len(keys & {one.key for one in other.identifiers}) for other in good.buses]
    most = max(shared, default=0)
    # Loggers number their channels anew: of several the one that carries the same identifiers is the same bus.
    alike = [other for other, count in zip(good.buses, shared, strict=True) if count == most]
    return alike[0] if most > 0.5 * len(keys) and len(alike) == 1 else named


def _difference(
    bus: BusTraffic, good: BusTraffic, duration: float, modules: Mapping[IdentifierKey, str]
) -> Difference:
    here = {one.key: one for one in bus.identifiers}
    there = {one.key: one for one in good.identifiers}
    both = [(here[key], there[key]) for key in sorted(here.keys() & there.keys())]
    missing = tuple(_missing(there[key], duration) for key in sorted(there.keys() - here.keys()))
    new = sorted(here.keys() - there.keys())
    periods = [found for one, other in both if (found := _other_period(one, other)) is not None]
    return Difference(
        channel=bus.channel,
        good_channel=good.channel,
        missing=tuple(one for one in missing if not is_tester(one.key)),
        late=tuple(one for one in periods if one.factor > 1),
        early=tuple(one for one in periods if one.factor < 1),
        new=tuple(key for key in new if not is_tester(key)),
        new_diagnostic=tuple(key for key in new if is_tester(key)),
        lengths=tuple(
            OtherLength(one.key, one.lengths, other.lengths)
            for one, other in both
            if not set(one.lengths) <= set(other.lengths)
        ),
        modules=_silent_modules(missing, there, modules),
    )


def _missing(good: Identifier, duration: float) -> Missing:
    period = good.period if good.steady else None
    return Missing(good.key, period, period is not None and duration >= _PERIODS_EXPECTED * period)


def _other_period(one: Identifier, good: Identifier) -> OtherPeriod | None:
    """Return a period that differs by the factor, and by more than chance lets both medians differ."""
    if one.intervals is None or good.intervals is None or not good.steady:
        return None
    found = OtherPeriod(one.key, one.intervals.median, good.intervals.median)
    unlike = found.factor >= LATE_FACTOR or found.factor <= 1 / LATE_FACTOR
    apart = abs(found.period - found.good_period) > _uncertainty(one) + _uncertainty(good)
    return found if unlike and apart else None


def _uncertainty(one: Identifier) -> float:
    if one.intervals is None:
        return float("inf")
    return _NOTCH * (one.intervals.of_75 - one.intervals.of_25) / float(max(1, one.count - 1) ** 0.5)


def _silent_modules(
    missing: tuple[Missing, ...],
    there: Mapping[IdentifierKey, Identifier],
    modules: Mapping[IdentifierKey, str],
) -> tuple[SilentModule, ...]:
    """Return the modules that lack identifiers which this log was long enough to hold."""
    gone: dict[str, list[IdentifierKey]] = {}
    for one in missing:
        if one.log_long_enough and one.key in modules:
            gone.setdefault(modules[one.key], []).append(one.key)
    expected = {
        name: sum(1 for key, good in there.items() if modules.get(key) == name and good.steady)
        for name in gone
    }
    found = [SilentModule(name, tuple(keys), expected[name]) for name, keys in gone.items()]
    return tuple(sorted(found, key=lambda one: (not one.whole, -len(one.missing), one.module)))
