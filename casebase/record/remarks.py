"""What is kept but deserves a second look: remarks on a record, each with the path of its field."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from casebase.record.case import Case
from casebase.record.quantities import Comparison
from casebase.record.reading import Reading
from casebase.record.status import missing_for_verified
from casebase.record.vin import model_year_remark, vin_remark
from casebase.record.vocabulary import Battery, Ignition, Kind, Quantity


def remarks_on(case: Case) -> list[str]:
    """Return every remark on `case`, in the order of the record."""
    return [remark for check in _CHECKS for remark in check(case)]


def earlier_reading(case: Case, index: int) -> Reading | None:
    """Return the last reading before `index` of the same quantity, lines and place: what `unchanged` refers to."""
    measured = _what_is_measured(case, case.readings[index])
    for earlier in reversed(case.readings[:index]):
        if _what_is_measured(case, earlier) == measured and not isinstance(earlier.value, Comparison):
            return earlier
    return None


def _what_is_measured(case: Case, reading: Reading) -> tuple[object, ...]:
    # The only network may be named in one reading and left out in the next.
    network = case.network_of(reading.network)
    return network, reading.quantity, reading.line, reading.against, reading.at


def _vin_fits(case: Case) -> Iterator[str]:
    vehicle = case.vehicle
    if vehicle.vin:
        found = (vin_remark(vehicle.vin, vehicle.market), model_year_remark(vehicle.vin, vehicle.model_year))
        yield from (f"vehicle.vin: {remark}" for remark in found if remark)


def _readings_are_whole(case: Case) -> Iterator[str]:
    for index, reading in enumerate(case.readings):
        where = f"readings[{index}]"
        if reading.unknown_state:
            keys = ", ".join(reading.unknown_state)
            yield f"{where}: {keys} not stated; kept, and counts as less certain"
        if reading.quantity is Quantity.RESISTANCE and _is_powered(reading):
            yield f"{where}: ohms read on a live circuit mean nothing: disconnect the battery and read again"
        if isinstance(reading.value, Comparison) and earlier_reading(case, index) is None:
            yield f"{where}: '{reading.value}' has no earlier reading of the same kind before it"


def _is_powered(reading: Reading) -> bool:
    if reading.battery is Battery.DISCONNECTED:
        return False
    return reading.battery is Battery.CONNECTED or reading.ignition in (Ignition.ON, Ignition.RUNNING)


def _readings_name_their_network(case: Case) -> Iterator[str]:
    if len(case.networks) > 1:
        for index, reading in enumerate(case.readings):
            if reading.network is None:
                yield f"readings[{index}]: network not stated although the record lists {len(case.networks)}"


def _repair_is_proven(case: Case) -> Iterator[str]:
    if case.kind is Kind.FAULT_CASE and case.fix is not None:
        yield from (f"not verified yet; still needed: {words}" for words in missing_for_verified(case))


_CHECKS: Final[tuple[Callable[[Case], Iterator[str]], ...]] = (
    _vin_fits,
    _readings_are_whole,
    _readings_name_their_network,
    _repair_is_proven,
)
