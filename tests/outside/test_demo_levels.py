"""The invented records of the demonstration against levels published outside this project.

The figures are those of chip makers' data sheets and of hardware makers' guides named beside each; where only
arithmetic or the trade's habit speaks, that is said. A record that breaks a check teaches something false.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final, NamedTuple

import pytest

from casebase.record.case import Case, Network, status_of
from casebase.record.loading import load_file
from casebase.record.reading import Reading
from casebase.record.vocabulary import (
    POWER_LINES,
    Fault,
    Ignition,
    Kind,
    Line,
    Medium,
    Quantity,
    Stage,
    Status,
    YesNo,
)
from tests.demo_records import demo_records

FILES = sorted(
    path
    for path in (Path(__file__).parents[2] / "demo_cases").rglob("*.yaml")
    if path.parent.name != "layouts"
)


class Limits(NamedTuple):
    """The ends of a published range, and the document."""

    low: float
    high: float
    document: str


CAN_DATA_SHEET: Final = "TI TCAN1042HGV, 7.7 Electrical Characteristics"
TJA1055: Final = "NXP TJA1055 Rev 5, table 8, VCC 4.75 to 5.25 V"
TH8055: Final = "Melexis TH8055 Rev 1.1a, page 7"
TLIN1021: Final = "TI TLIN1021-Q1 SLLSEU9D; supply of 10.5 to 15 V, common practice, no source"
K_LINE_STANDARD: Final = "ISO 14230-1:2012, 8.2.2, as quoted; sending ECU 20 % of VB, from memory"
TJA1083: Final = "NXP TJA1083, table 11"

HIGH_SPEED_PAIR: Final = [(Medium.HIGH_SPEED_CAN, line) for line in (Line.CAN_HIGH, Line.CAN_LOW)]
FLEXRAY_PAIR: Final = [(Medium.FLEXRAY, line) for line in (Line.BUS_PLUS, Line.BUS_MINUS)]
ESD_GUIDE: Final = "esd C.3032.21 Rev 1.1, CAN Troubleshooting Guide, Termination"
PAIR_OHMS: Final = {
    Medium.HIGH_SPEED_CAN: Limits(50, 70, ESD_GUIDE),
    Medium.J1939: Limits(50, 70, ESD_GUIDE),
    Medium.FLEXRAY: Limits(40, 55, f"{TJA1083}, bus load"),
}
ONE_TERMINATOR: Final = Limits(
    105, 135, "108 to 132 ohm, ICP DAS PISO-DNM100-D v1.0 page 22, with nodes in parallel and a meter's error"
)
TO_GROUND_OHMS: Final = {
    Medium.HIGH_SPEED_CAN: Limits(300, 35e3, "9 to 35 kohm a node, NXP TJA1051 Rev 7, TJA1041A; 30 nodes"),
    Medium.J1939: Limits(300, 35e3, "9 to 35 kohm a node, NXP TJA1051 Rev 7 table 7; 30 nodes, SAE J1939-11"),
    Medium.FLEXRAY: Limits(455, 40e3, "10 to 40 kohm a node, NXP TJA1085 Rev 1 page 38; 22 nodes, NI-XNET"),
    Medium.SINGLE_WIRE_CAN: Limits(270, 4596, "Melexis TH8055 Rev 1.1a, page 10, network load"),
    Medium.LIN: Limits(900, 60e3, "1 kohm with a diode beside 30 kohm a responder, TI SLLA383A"),
}
RECESSIVE: Final = {
    **dict.fromkeys(HIGH_SPEED_PAIR, Limits(2.0, 3.0, CAN_DATA_SHEET)),
    (Medium.FAULT_TOLERANT_CAN, Line.CAN_HIGH): Limits(0.0, 0.2, TJA1055),
    (Medium.FAULT_TOLERANT_CAN, Line.CAN_LOW): Limits(4.55, 5.25, TJA1055),
    (Medium.SINGLE_WIRE_CAN, Line.CAN_SINGLE): Limits(-0.1, 0.2, TH8055),
    (Medium.LIN, Line.LIN): Limits(0.85 * 10.5, 15.0, TLIN1021),
    **dict.fromkeys(FLEXRAY_PAIR, Limits(2.0, 3.0, TJA1083)),
    (Medium.K_LINE, Line.K_LINE): Limits(0.9 * 10.5, 15.0, K_LINE_STANDARD),
}
DOMINANT: Final = {
    (Medium.HIGH_SPEED_CAN, Line.CAN_HIGH): Limits(2.75, 4.5, CAN_DATA_SHEET),
    (Medium.HIGH_SPEED_CAN, Line.CAN_LOW): Limits(0.5, 2.25, CAN_DATA_SHEET),
    (Medium.FAULT_TOLERANT_CAN, Line.CAN_HIGH): Limits(3.35, 5.25, TJA1055),
    (Medium.FAULT_TOLERANT_CAN, Line.CAN_LOW): Limits(0.0, 1.4, TJA1055),
    (Medium.SINGLE_WIRE_CAN, Line.CAN_SINGLE): Limits(3.5, 4.55, TH8055),
    (Medium.LIN, Line.LIN): Limits(0.0, 0.2 * 12, TLIN1021),
    **dict.fromkeys(FLEXRAY_PAIR, Limits(1.5, 3.5, f"{TJA1083}: 2.5 V and half of up to 2 V")),
    (Medium.K_LINE, Line.K_LINE): Limits(0.0, 0.2 * 12, K_LINE_STANDARD),
}
AVERAGE: Final = RECESSIVE | {
    # A meter shows the mean: of a busy bus less than half of the time is dominant (derived, 2.5 V + 1 V x share).
    (Medium.FAULT_TOLERANT_CAN, Line.CAN_HIGH): Limits(0.0, 2.2, f"{TJA1055}, mean"),
    (Medium.FAULT_TOLERANT_CAN, Line.CAN_LOW): Limits(2.9, 5.25, f"{TJA1055}, mean"),
    (Medium.SINGLE_WIRE_CAN, Line.CAN_SINGLE): Limits(-0.1, 2.3, f"{TH8055}, mean"),
    (Medium.LIN, Line.LIN): Limits(6.0, 15.0, f"{TLIN1021}, mean"),
    (Medium.K_LINE, Line.K_LINE): Limits(6.0, 15.0, f"{K_LINE_STANDARD}, mean"),
}
ASLEEP: Final = {
    **dict.fromkeys(HIGH_SPEED_PAIR, Limits(-0.1, 0.1, CAN_DATA_SHEET)),
    (Medium.FAULT_TOLERANT_CAN, Line.CAN_HIGH): Limits(-0.1, 0.2, TJA1055),
    (Medium.FAULT_TOLERANT_CAN, Line.CAN_LOW): Limits(10.5, 15.0, "pulled to VBAT, from memory"),
    **dict.fromkeys(FLEXRAY_PAIR, Limits(-0.1, 0.1, f"{TJA1083}, low power")),
}
BIT_RATES: Final = {
    Medium.HIGH_SPEED_CAN: Limits(9.2e3, 1e6, "TI TCAN1043-Q1 SLLSEV0F; TI ISO1050 SLLS983L"),
    Medium.J1939: Limits(250e3, 500e3, "SAE J1939-11 and -14; the latter from memory"),
    Medium.FAULT_TOLERANT_CAN: Limits(9.2e3, 125e3, "NXP AH0801 TJA1055T application hints, Rev 1.5"),
    Medium.SINGLE_WIRE_CAN: Limits(33_333, 83_334, "Melexis TH8056; 83.333 from memory"),
    Medium.LIN: Limits(2.4e3, 20e3, "TI TLIN1029A-Q1, overview"),
    Medium.FLEXRAY: Limits(2.5e6, 10e6, "from memory"),
    Medium.K_LINE: Limits(10.4e3, 10.4e3, "ISO 9141-2, from memory"),
}
LINE_FAULTS: Final = ("shorted", "open", "terminator", "pull_up")
"""Parts of the words for faults of one network's wires, which leave the vehicle's other networks healthy."""


RECORDS = [(path.stem, case) for path, records in demo_records().items() for case in records]
KNOWN_GOOD = [pytest.param(case, id=name) for name, case in RECORDS if case.kind is Kind.KNOWN_GOOD]
VERIFIED = [pytest.param(case, id=name) for name, case in RECORDS if status_of(case) is Status.FIXED_VERIFIED]
LINE_FAULT_CASES = [
    pytest.param(case, id=name)
    for name, case in RECORDS
    if case.cause and case.cause.network and any(word in case.cause.fault for word in LINE_FAULTS)
]
BEHIND_A_GATEWAY = [
    pytest.param(case, id=name)
    for name, case in RECORDS
    if case.cause and case.cause.fault is Fault.GATEWAY_ISOLATION_NORMAL
]
EVERY_RECORD = [pytest.param(case, id=name) for name, case in RECORDS]


def _electrical(medium: Medium) -> Medium:
    """Return the medium whose levels count: J1939 has those of high-speed CAN (ISO 11898-2)."""
    return Medium.HIGH_SPEED_CAN if medium is Medium.J1939 else medium


def _is_of_pair(reading: Reading) -> bool:
    return {reading.line, reading.against} in (
        {Line.CAN_HIGH, Line.CAN_LOW},
        {Line.BUS_PLUS, Line.BUS_MINUS},
    )


def _healthy(reading: Reading, network: Network) -> list[Limits]:
    """Return the ranges in one of which a reading of a healthy network lies; empty where none is published."""
    if reading.quantity is Quantity.RESISTANCE:
        return _healthy_ohms(reading, network)
    if reading.quantity is not Quantity.VOLTAGE or reading.against not in (Line.GROUND, None):
        return []
    key = (_electrical(network.medium), reading.line)
    awake = reading.ignition in (Ignition.ON, Ignition.RUNNING)
    return [table[key] for table in ((AVERAGE,) if awake else (AVERAGE, ASLEEP)) if key in table]


def _healthy_ohms(reading: Reading, network: Network) -> list[Limits]:
    if reading.line not in POWER_LINES and reading.against is Line.GROUND and not reading.unplugged:
        return [TO_GROUND_OHMS[network.medium]] if network.medium in TO_GROUND_OHMS else []
    if not _is_of_pair(reading) or network.medium not in PAIR_OHMS:
        return []
    unplugged = set(reading.unplugged or ())
    if unplugged & set(network.terminators_in):
        return [ONE_TERMINATOR]
    perhaps = [ONE_TERMINATOR] if unplugged and not network.terminators_in else []
    return [PAIR_OHMS[network.medium], *perhaps]


def _breaches(case: Case, wanted: Callable[[Reading], bool]) -> list[str]:
    """Return every wanted reading that lies outside the ranges of a healthy network."""
    told = []
    for index, reading in enumerate(case.readings):
        network = case.network_of(reading.network)
        if network is None or not wanted(reading):
            continue
        ranges = _healthy(reading, network)
        if reading.number is not None and ranges and not any(_within(reading.number, it) for it in ranges):
            told.append(f"readings[{index}]: {reading.what()} {reading.value}, expected {ranges}")
        told += [f"readings[{index}]: {words}" for words in _level_breaches(reading, network)]
    return told


def _within(number: float, limits: Limits) -> bool:
    return limits.low <= number <= limits.high


def _level_breaches(reading: Reading, network: Network) -> Iterator[str]:
    seen = reading.waveform
    if seen is None:
        return
    for name, levels, table in (
        ("recessive", seen.recessive, RECESSIVE),
        ("dominant", seen.dominant, DOMINANT),
    ):
        for line, volts in levels.items():
            limits = table[_electrical(network.medium), line]
            if not _within(volts.number, limits):
                yield f"{name} {line} {volts}, expected {limits}"


def _means(readings: list[Reading], case: Case, network: Network) -> Iterator[tuple[float, float]]:
    """Yield the mean volts of both lines of an awake network, taken in one place, state and stage."""
    found: dict[tuple[object, ...], dict[Line | None, float]] = {}
    for it in readings:
        awake = it.ignition in (Ignition.ON, Ignition.RUNNING) and it.against is Line.GROUND
        if case.network_of(it.network) is network and it.quantity is Quantity.VOLTAGE and awake and it.number:
            state = (it.at, it.ignition, it.tester, tuple(it.unplugged or ()))
            found.setdefault(state, {}).setdefault(it.line, it.number)
    for levels in found.values():
        if Line.CAN_HIGH in levels and Line.CAN_LOW in levels:
            yield levels[Line.CAN_HIGH], levels[Line.CAN_LOW]


@pytest.mark.slow
@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_demonstration_file_can_be_read(path: Path) -> None:
    """A record that cannot be read cannot be checked."""
    assert load_file(path)


def test_there_are_records_of_every_kind_to_check() -> None:
    """A folder that was moved would make the checks below pass by having nothing to do."""
    assert len(KNOWN_GOOD) >= 4
    assert len(VERIFIED) >= 8
    assert BEHIND_A_GATEWAY


@pytest.mark.slow
@pytest.mark.parametrize("case", EVERY_RECORD)
def test_the_medium_allows_the_bit_rate(case: Case) -> None:
    """Of the arbitration phase; a CAN FD data phase runs at up to 8 Mbit/s (from memory)."""
    for network in case.networks:
        limits = BIT_RATES[network.medium]
        assert network.bit_rate is None or _within(network.bit_rate.number, limits), limits
        assert network.data_bit_rate is None or network.data_bit_rate.number <= 8e6


@pytest.mark.parametrize("case", KNOWN_GOOD)
def test_a_healthy_vehicle_reads_within_published_limits(case: Case) -> None:
    """Every reading of a known good record, ohms, volts and levels on the scope."""
    assert _breaches(case, lambda reading: True) == []


@pytest.mark.slow
@pytest.mark.parametrize("case", VERIFIED)
def test_after_a_verified_repair_readings_are_healthy_again(case: Case) -> None:
    """What was read after the repair lies where a healthy network lies."""
    assert _breaches(case, lambda reading: reading.stage is Stage.AFTER_REPAIR) == []


@pytest.mark.parametrize("case", LINE_FAULT_CASES)
def test_a_fault_of_one_network_leaves_the_others_healthy(case: Case) -> None:
    """A shorted or open wire belongs to one network; a gateway keeps the others apart."""
    assert case.cause is not None
    at_fault = case.cause.network
    assert _breaches(case, lambda reading: reading.network is not None and reading.network != at_fault) == []


@pytest.mark.parametrize("case", BEHIND_A_GATEWAY)
def test_a_quiet_dlc_behind_a_gateway_reads_healthy(case: Case) -> None:
    """No traffic until a tester asks, recessive levels, and both terminators (see the levels above)."""
    silent = [it for it in case.readings if it.waveform and it.waveform.traffic is YesNo.NO]
    assert silent
    assert _breaches(case, lambda reading: True) == []


@pytest.mark.parametrize("case", [*KNOWN_GOOD, *VERIFIED])
def test_healthy_mean_volts_of_a_pair_sum_to_five(case: Case) -> None:
    """Driver symmetry within 400 mV (TI TCAN1044V SLLSFG2); the fault-tolerant pair swings alike (TJA1055)."""
    for network in case.networks:
        if _electrical(network.medium) not in (Medium.HIGH_SPEED_CAN, Medium.FAULT_TOLERANT_CAN):
            continue
        wanted = set(Stage) if case.kind is Kind.KNOWN_GOOD else {Stage.AFTER_REPAIR}
        for high, low in _means([it for it in case.readings if it.stage in wanted], case, network):
            assert high + low == pytest.approx(5.0, abs=0.4)
            if network.medium is not Medium.FAULT_TOLERANT_CAN:
                assert high - low >= -0.12, f"recessive difference, {CAN_DATA_SHEET}"


@pytest.mark.parametrize("case", KNOWN_GOOD)
def test_both_lines_of_a_healthy_pair_read_alike_to_ground(case: Case) -> None:
    """Input resistances match within 3 % (Philips TJA1041A), and the terminators tie the lines together."""
    for network in case.networks:
        ohms = [
            it.number
            for it in case.readings
            if case.network_of(it.network) is network and it.quantity is Quantity.RESISTANCE
            if it.against is Line.GROUND and it.number and not it.unplugged
        ]
        assert not ohms or max(ohms) <= 1.05 * min(ohms)


@pytest.mark.parametrize("case", KNOWN_GOOD)
def test_a_healthy_vehicle_has_its_supply(case: Case) -> None:
    """11.5 to 15 V, or twice that on a truck (common practice, no source)."""
    for it in case.readings:
        if it.quantity is Quantity.VOLTAGE and it.line in (Line.SUPPLY, Line.BATTERY_PLUS) and it.number:
            assert 11.5 <= it.number <= 15 or 23 <= it.number <= 30
