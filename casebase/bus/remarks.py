"""What a technician should know beside the states: what changes by itself, nobody sending, averages against traffic."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from casebase.bus.diagnose import Diagnosis
from casebase.bus.measured import EitherRead, side_of
from casebase.bus.observation import NumberRead, TrafficRead
from casebase.record.quantities import Amount
from casebase.record.reading import Reading
from casebase.record.vocabulary import BusState, Quantity

OPEN_STATES: Final = (BusState.HIGH_OPEN, BusState.LOW_OPEN, BusState.BOTH_OPEN, BusState.POOR_JOINT)
"""Faults of the wires on the way to a module, never of what is behind its pins."""

QUIET_FROM: Final = 0.4
"""Probability of a quiet bus from which it is said what that may be (judged)."""


SOUND_PAIR_OHMS: Final = (50.0, 72.0)
"""50 to 70 ohm in order (esd electronics, CAN Troubleshooting Guide), and a little wear at the connector (judged)."""

EQUAL_WITHIN_VOLTS: Final = 0.06
"""Averages of both lines nearer to each other show no traffic to speak of (a meter's error on each; judged)."""


def remarks(diagnosis: Diagnosis) -> Iterator[str]:
    """Yield what is to be said beside the states, a sentence or two each."""
    if not diagnosis.clashes:
        yield from _of_quiet(diagnosis)
    yield from _of_equal_averages(diagnosis)
    yield from _of_ac_volts(diagnosis)
    yield from _of_change(diagnosis)


def _used(diagnosis: Diagnosis) -> list[Reading]:
    used = {index for observation in diagnosis.observations for index in observation.readings}
    return [diagnosis.readings[index] for index in sorted(used)]


def _of_change(diagnosis: Diagnosis) -> Iterator[str]:
    """Yield that a value changes while nothing else does, where one does, or what else two values may be."""
    changing = [reading for reading in _used(diagnosis) if reading.is_intermittent]
    if changing:
        yield (
            f"{changing[0].what()} changes by itself ({changing[0].value}): the fault is intermittent, so both"
            " values count. Move harness and plugs piece by piece with the meter on MIN/MAX."
        )
    for one in diagnosis.observations:
        if isinstance(one, EitherRead) and len(one.readings) > 1:
            both = _first_and_last(diagnosis, *one.readings)
            yield f"{both}: taken as a fault that comes and goes. Was anything unplugged for one of them?"
    for earlier, later in diagnosis.interpreted.overtaken:
        yield (
            f"{_first_and_last(diagnosis, earlier, later)}: only the last counts here. If nothing was done in"
            " between, the fault comes and goes: give both as one reading."
        )


def _first_and_last(diagnosis: Diagnosis, earlier: int, later: int) -> str:
    first, last = diagnosis.readings[earlier], diagnosis.readings[later]
    return f"{first.what()} was first {first.value}, then {last.value}"


def _of_quiet(diagnosis: Diagnosis) -> Iterator[str]:
    """Yield what a bus is that nobody sends on."""
    if dict(diagnosis.ranked()).get(BusState.BUS_QUIET, 0.0) < QUIET_FROM:
        return
    sound = any(
        isinstance(each, NumberRead)
        and each.quantity == "ohms_between"
        and SOUND_PAIR_OHMS[0] <= each.read.value <= SOUND_PAIR_OHMS[1]
        for each in diagnosis.observations
    )
    if sound:
        yield "The ohms rule out lines shorted together."
    yield (
        "No traffic: behind a gateway the diagnostic connector is quiet until a tester asks, which may be"
        " normal here. Watch the lines while a tester asks."
    )


def _of_equal_averages(diagnosis: Diagnosis) -> Iterator[str]:
    """Yield that a meter shows no traffic where a scope does: frames pull the averages of a pair apart."""
    seen = any(isinstance(each, TrafficRead) and each.seen for each in diagnosis.observations)
    volts = {side: volts for reading in _used(diagnosis) for side, volts in _average(reading)}
    if seen and volts.keys() >= {"high", "low"} and abs(volts["high"] - volts["low"]) <= EQUAL_WITHIN_VOLTS:
        yield (
            "Traffic was seen, yet both lines average the same: there is next to none, or meter and scope were on the"
            " lines at different moments. Take volts and scope again at the same time."
        )


def _average(reading: Reading) -> Iterator[tuple[str, float]]:
    side = side_of(reading.line)
    plain = reading.quantity is Quantity.VOLTAGE and isinstance(reading.value, Amount)
    if plain and side and reading.number is not None and not reading.unplugged:
        yield side, reading.number


def _of_ac_volts(diagnosis: Diagnosis) -> Iterator[str]:
    """Yield what AC volts are worth, where no DC volts stand beside them."""
    used = _used(diagnosis)
    if any(each.quantity is Quantity.AC_VOLTAGE for each in used) and not any(
        each.quantity is Quantity.VOLTAGE for each in used
    ):
        yield "AC volts show that there is traffic, not where the lines lie: take DC volts of each line to ground."
