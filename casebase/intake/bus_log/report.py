"""What a log says and what follows from it, put together: load, silences, differences from a known-good log."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from casebase.intake.bus_log.habits import Flood, Habit
from casebase.intake.bus_log.known_good import Difference, differences
from casebase.intake.bus_log.senders import j1939_fields, looks_like_j1939, source_words
from casebase.intake.bus_log.silence import BusPause, Silence, bus_pauses, silences
from casebase.intake.bus_log.states import BusStates
from casebase.intake.bus_log.traffic import BusTraffic, IdentifierKey, Traffic


@dataclass(frozen=True, slots=True)
class BitRates:
    """Bits per second: nominal, and of CAN FD's data phase; None where nobody said."""

    nominal: float | None = None
    data: float | None = None


@dataclass(frozen=True, slots=True)
class Load:
    """Shares of the time that frames filled the bus, from 0 to 1, error frames left out."""

    mean: float
    without_stuffing: float
    """Had there been no stuff bits: what counting bytes alone gives."""
    peak: float
    peak_begin: float
    peak_seconds: float
    """How long the stretch is that the peak was taken over."""
    at_most: bool
    """Whether it is an upper bound, for nobody said the bit rate of CAN FD's data phase."""


@dataclass(frozen=True)
class BusReport:
    """What follows for one channel."""

    bus: BusTraffic
    j1939: bool
    senders: Mapping[IdentifierKey, str]
    silences: tuple[Silence, ...]
    states: BusStates
    floods: tuple[Flood, ...]
    habits: Mapping[IdentifierKey, Habit]
    pauses: tuple[BusPause, ...]
    load: Load | None
    never_seen: tuple[tuple[str, tuple[IdentifierKey, ...]], ...]
    """Modules of the table, and which of their identifiers this channel never had."""
    difference: Difference | None


@dataclass(frozen=True)
class Report:
    """What follows from a log."""

    traffic: Traffic
    known_good: Traffic | None
    rates: BitRates
    buses: tuple[BusReport, ...]


def report_of(
    traffic: Traffic,
    known_good: Traffic | None = None,
    modules: Mapping[IdentifierKey, str] | None = None,
    rates: BitRates | None = None,
) -> Report:
    """Return what follows from a log, from a known-good log and a table of modules beside it, and from bit rates."""
    table, told = modules or {}, rates or BitRates()
    found = differences(traffic, known_good, table) if known_good else ()
    by_channel = {one.channel: one for one in found}
    return Report(
        traffic,
        known_good,
        told,
        tuple(
            _bus_report(
                bus, traffic, table, told, by_channel.get(bus.channel), _good_bus(bus, found, known_good)
            )
            for bus in traffic.buses
        ),
    )


def _good_bus(
    bus: BusTraffic, found: tuple[Difference, ...], known_good: Traffic | None
) -> BusTraffic | None:
    """Return the channel of the known-good log that a channel was held against."""
    other = next((one.good_channel for one in found if one.channel == bus.channel), None)
    buses = known_good.buses if known_good and other is not None else ()
    return next((one for one in buses if one.channel == other), None)


def _bus_report(  # noqa: PLR0913, PLR0917  one channel, and what is known beside it
    bus: BusTraffic,
    traffic: Traffic,
    table: Mapping[IdentifierKey, str],
    rates: BitRates,
    difference: Difference | None,
    good: BusTraffic | None,
) -> BusReport:
    keys = [one.key for one in bus.identifiers]
    j1939 = looks_like_j1939(keys)
    senders = {key: name for key in keys if (name := _sender(key, table, j1939))}
    by_address = j1939 and not any(key in table for key in keys)
    silent = silences(bus, traffic.duration, senders, good, by_address=by_address)
    return BusReport(
        bus=bus,
        j1939=j1939,
        senders=senders,
        silences=silent.found,
        states=silent.states,
        floods=silent.floods,
        habits=silent.habits,
        pauses=bus_pauses(bus, traffic.duration),
        load=load_of(bus, traffic.duration, rates),
        never_seen=_never_seen(set(keys), table),
        difference=difference,
    )


def _sender(key: IdentifierKey, table: Mapping[IdentifierKey, str], j1939: bool) -> str | None:
    if key in table:
        return table[key]
    return source_words(j1939_fields(key.number).source) if j1939 and key.extended else None


def _never_seen(
    seen: set[IdentifierKey], table: Mapping[IdentifierKey, str]
) -> tuple[tuple[str, tuple[IdentifierKey, ...]], ...]:
    gone: dict[str, list[IdentifierKey]] = {}
    for key in sorted(table.keys() - seen):
        gone.setdefault(table[key], []).append(key)
    # A table may serve several buses: of another bus's module this one has nothing at all.
    return tuple((name, tuple(keys)) for name, keys in sorted(gone.items()))


def load_of(bus: BusTraffic, duration: float, rates: BitRates) -> Load | None:
    """Return how full a channel was; None where the bit rate is not known or the log has no length."""
    if rates.nominal is None or duration <= 0 or not bus.frames:
        return None
    data_rate = rates.data or rates.nominal
    full = bus.nominal_bits / rates.nominal + bus.data_phase_bits / data_rate
    stuffed = bus.nominal_bits + bus.data_phase_bits
    seconds = bus.bits_over_time.seconds_per_bin
    nominal = bus.bits_over_time.per_second() / rates.nominal
    extra = bus.data_bits_over_time.per_second() / data_rate
    if bus.data_bits_over_time.seconds_per_bin == seconds:
        nominal[: len(extra)] += extra
    peak = int(np.argmax(nominal))
    return Load(
        mean=full / duration,
        without_stuffing=full / duration * bus.shortest_bits / stuffed,
        peak=float(nominal[peak]),
        peak_begin=peak * seconds,
        peak_seconds=seconds,
        at_most=bus.data_phase_bits > 0 and rates.data is None,
    )
