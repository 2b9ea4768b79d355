"""What a proven cause must have shown before the repair, in the invented records of the demonstration.

Only where the physics leaves no doubt: Ohm's law on two terminators of 120 ohm (108 to 132 ohm, ICP DAS
PISO-DNM100-D v1.0, page 22) and the behaviour of shorted lines that chip makers publish.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from typing import Final

import pytest

from casebase.record.case import Case
from casebase.record.reading import Reading
from casebase.record.vocabulary import Fault, Ignition, Line, Look, Medium, Quantity, Stage
from tests.demo_records import demo_records

CASES = [(path.stem, case) for path, records in demo_records().items() for case in records if case.cause]


def _is_of_pair(reading: Reading) -> bool:
    return {reading.line, reading.against} in (
        {Line.CAN_HIGH, Line.CAN_LOW},
        {Line.BUS_PLUS, Line.BUS_MINUS},
    )


def _ohms_of_pair(case: Case) -> list[float]:
    return [it.number for it in _before_repair(case) if _is_of_pair(it) and it.number is not None]


def _before_repair(case: Case) -> list[Reading]:
    """Return the readings before the repair on the network of the cause."""
    assert case.cause is not None
    at_fault = case.network_of(case.cause.network)
    readings = [it for it in case.readings if it.stage is not Stage.AFTER_REPAIR]
    return [it for it in readings if at_fault is None or case.network_of(it.network) is at_fault]


def _numbers(case: Case, quantity: Quantity, *lines: Line) -> list[float]:
    """Return what was read on a line to ground before the repair, ignition not off for volts."""
    return [
        it.number
        for it in _before_repair(case)
        if it.quantity is quantity and it.line in lines and it.against in (Line.GROUND, None)
        if it.number is not None and not (quantity is Quantity.VOLTAGE and it.ignition is Ignition.OFF)
    ]


def _volts(case: Case, *lines: Line) -> list[float]:
    return _numbers(case, Quantity.VOLTAGE, *lines)


def _is_grounded(case: Case, *lines: Line) -> bool:
    """Some volts near 0 or some ohms of a metallic contact; none of the supplied volts near normal."""
    ohms = _numbers(case, Quantity.RESISTANCE, *lines)
    return (not ohms or min(ohms) <= 10) and (not _volts(case, *lines) or min(_volts(case, *lines)) <= 0.3)


def _is_on_battery(case: Case, *lines: Line) -> bool:
    return max(_volts(case, *lines), default=0) >= 10.5


def _has_ohms(low: float, high: float) -> Callable[[Case], bool]:
    return lambda case: any(low <= ohms <= high for ohms in _ohms_of_pair(case))


def _is_open(case: Case) -> bool:
    return not _ohms_of_pair(case) or max(_ohms_of_pair(case)) >= 105


def _lines_together(case: Case) -> bool:
    pairs = product(_volts(case, Line.CAN_HIGH), _volts(case, Line.CAN_LOW))
    return min(_ohms_of_pair(case), default=0) <= 10 and all(abs(high - low) <= 0.15 for high, low in pairs)


def _is_stuck(case: Case) -> bool:
    pairs = product(_volts(case, Line.CAN_HIGH), _volts(case, Line.CAN_LOW))
    return any(1.4 <= high - low <= 3.3 for high, low in pairs)


def _supply_is_low(case: Case) -> bool:
    """Below 10.5 V a 12 V supply does not hold (common practice, no source)."""
    return min(_volts(case, Line.SUPPLY, Line.BATTERY_PLUS), default=99) < 10.5


def _looks_noisy(case: Case) -> bool:
    return any(it.waveform and Look.NOISE in it.waveform.looks for it in _before_repair(case))


SIGNATURES: Final[dict[Fault, tuple[str, Callable[[Case], bool]]]] = {
    Fault.LINES_SHORTED_TOGETHER: ("under 10 ohm between the lines, equal volts", _lines_together),
    Fault.HIGH_SHORTED_TO_GROUND: (
        "high at 0 V and at 0 ohm",
        lambda case: _is_grounded(case, Line.CAN_HIGH),
    ),
    Fault.LOW_SHORTED_TO_GROUND: ("low at 0 V and at 0 ohm", lambda case: _is_grounded(case, Line.CAN_LOW)),
    Fault.LINE_SHORTED_TO_GROUND: (
        "the line at 0 V and at 0 ohm",
        lambda case: _is_grounded(case, Line.LIN, Line.K_LINE, Line.CAN_SINGLE),
    ),
    Fault.HIGH_SHORTED_TO_BATTERY: (
        "high at battery volts",
        lambda case: _is_on_battery(case, Line.CAN_HIGH),
    ),
    Fault.LOW_SHORTED_TO_BATTERY: (
        "low at battery volts, awake",
        lambda case: _is_on_battery(case, Line.CAN_LOW),
    ),
    Fault.HIGH_OPEN: ("one terminator or none seen from somewhere", _is_open),
    Fault.LOW_OPEN: ("one terminator or none seen from somewhere", _is_open),
    Fault.BOTH_OPEN: ("one terminator or none seen from somewhere", _is_open),
    Fault.TERMINATOR_MISSING: ("105 to 135 ohm", _has_ohms(105, 135)),
    Fault.BOTH_TERMINATORS_MISSING: ("2 to 16 kohm", _has_ohms(2e3, 16e3)),
    Fault.EXTRA_TERMINATOR: ("three of 108 to 132 ohm: 35 to 45 ohm", _has_ohms(35, 45)),
    Fault.DRIVER_STUCK_DOMINANT: ("the dominant difference as a steady mean", _is_stuck),
    Fault.LOW_SYSTEM_VOLTAGE: ("a supply below 10.5 V", _supply_is_low),
    Fault.MODULE_SUPPLY_OR_GROUND: ("a supply below 10.5 V", _supply_is_low),
    Fault.NOISE_COUPLING: ("noise on the scope", _looks_noisy),
}
"""What the physics of a fault must show somewhere (meter and scope values derived from Ohm's law)."""


def _of(fault: Fault) -> list[tuple[str, Case]]:
    return [(name, case) for name, case in CASES if case.cause and case.cause.fault is fault]


@pytest.mark.parametrize("fault", list(SIGNATURES))
def test_a_cause_shows_what_its_physics_demands(fault: Fault) -> None:
    """Somewhere before the repair, in every record with this cause."""
    words, shows = SIGNATURES[fault]
    assert [name for name, case in _of(fault) if not shows(case)] == [], words


def test_most_causes_are_in_the_demonstration() -> None:
    """The check above has something to judge."""
    assert len([fault for fault in SIGNATURES if _of(fault)]) >= 10


@pytest.mark.parametrize(
    ("fault", "line"),
    [(Fault.HIGH_SHORTED_TO_GROUND, Line.CAN_LOW), (Fault.LOW_SHORTED_TO_GROUND, Line.CAN_HIGH)],
)
def test_a_grounded_line_drags_the_other_down_through_the_terminators(fault: Fault, line: Line) -> None:
    """On high-speed CAN 60 ohm tie the lines: the other falls far below 2 V (TI forum thread 1241050)."""
    for name, case in _of(fault):
        assert case.cause is not None
        network = case.network_of(case.cause.network)
        if network and network.medium in (Medium.HIGH_SPEED_CAN, Medium.J1939):
            assert all(volts < 2.0 for volts in _volts(case, line)), name
            assert all(50 <= ohms <= 70 for ohms in _ohms_of_pair(case)), name


@pytest.mark.parametrize(
    ("fault", "line"),
    [(Fault.HIGH_SHORTED_TO_BATTERY, Line.CAN_LOW), (Fault.LOW_SHORTED_TO_BATTERY, Line.CAN_HIGH)],
)
def test_a_line_on_battery_pulls_the_other_up_through_the_terminators(fault: Fault, line: Line) -> None:
    """On high-speed CAN the other line follows, well above the 3 V of a recessive bus (TI TCAN1042HGV, 7.7)."""
    for name, case in _of(fault):
        assert case.cause is not None
        network = case.network_of(case.cause.network)
        if network and network.medium in (Medium.HIGH_SPEED_CAN, Medium.J1939):
            assert max(_volts(case, line), default=99) > 3.0, name


def test_a_single_faulted_line_leaves_the_other_of_a_fault_tolerant_pair_talking() -> None:
    """NXP TJA1055 Rev 4, table 4: with one line grounded or on battery the bus works on the other."""
    for fault, line, low, high in (
        (Fault.HIGH_SHORTED_TO_GROUND, Line.CAN_LOW, 2.9, 5.25),
        (Fault.LOW_SHORTED_TO_BATTERY, Line.CAN_HIGH, 0.05, 2.2),
    ):
        for name, case in _of(fault):
            assert case.cause is not None
            network = case.network_of(case.cause.network)
            if network and network.medium is Medium.FAULT_TOLERANT_CAN:
                assert all(low <= volts <= high for volts in _volts(case, line)), name
