"""Low-speed fault-tolerant CAN: one line may fail and the other goes on (NXP TJA1055 Rev 4, table 4)."""

import numpy as np
import pytest

from casebase import places
from casebase.bus.bank import Bank
from casebase.bus.diagnose import diagnose
from casebase.bus.fault_tolerant import draw_fault_tolerant, fault_tolerant_can
from casebase.record.reading import Reading
from casebase.record.vocabulary import BusState, Medium


@pytest.fixture(scope="module")
def bank() -> Bank:
    """A small bank."""
    return Bank(fault_tolerant_can(), places.simulation_folder(), per_state=400)


def _seen(bank, state, quantity, unplugged="nothing", place="DLC"):
    return bank.columns(unplugged)[f"{place}|{unplugged}|{quantity}"][bank.rows_of(state)]


def _median(bank, state, quantity):
    return float(np.median(_seen(bank, state, quantity)))


@pytest.mark.slow
def test_a_healthy_bus_rests_near_ground_and_near_five_volts(bank):
    """CAN high at 0.2 V at most, CAN low at VCC less 0.2 V at least (NXP TJA1055 Rev 5, table 8)."""
    assert -0.05 < _median(bank, BusState.HEALTHY, "recessive_high") < 0.2
    assert 4.8 < _median(bank, BusState.HEALTHY, "recessive_low") < 5.2


def test_a_healthy_bus_is_driven_to_3_6_and_1_4_volts_or_beyond(bank):
    """VCC - 1.4 V and 1.4 V at 40 mA (NXP TJA1055 Rev 5, table 8), which 100 ohm a line draws."""
    assert (_seen(bank, BusState.HEALTHY, "dominant_high") >= 3.4).all()
    assert (_seen(bank, BusState.HEALTHY, "dominant_low") <= 1.405).all()


def test_asleep_can_low_stands_near_the_battery(bank):
    """RTL is switched to the battery (from memory, ISO 11898-3)."""
    assert _median(bank, BusState.BUS_ASLEEP, "volts_low") > 10.5
    assert _median(bank, BusState.BUS_ASLEEP, "volts_high") < 0.2


def test_the_resistors_of_all_modules_make_about_100_ohm_a_line():
    """None below 500 ohm (NXP TJA1055_4 page 16); about 100 in all, 125 at most (NI VeriStand manual)."""
    drawn = draw_fault_tolerant(BusState.HEALTHY, 500, seed=3)
    each = drawn.buses.powered_module.high
    assert each.max() <= 1 / 500 + 1e-9
    assert 90 <= np.median(1 / each.sum(axis=0)) <= 126


@pytest.mark.parametrize(
    ("state", "works"),
    [
        (BusState.HIGH_SHORTED_TO_GROUND, "low"),
        (BusState.HIGH_SHORTED_TO_BATTERY, "low"),
        (BusState.LOW_SHORTED_TO_GROUND, "high"),
        (BusState.LOW_SHORTED_TO_BATTERY, "high"),
        (BusState.LINES_SHORTED_TOGETHER, "high"),
    ],
)
def test_with_one_line_shorted_the_other_goes_on(bank, state, works):
    """Single-ended thresholds: CAN high about 1.7 V, CAN low about 3.3 V (NXP TJA1055 Rev 5, table 8)."""
    rest, driven = _median(bank, state, f"recessive_{works}"), _median(bank, state, f"dominant_{works}")
    threshold = 1.7 if works == "high" else 3.3
    assert min(rest, driven) < threshold < max(rest, driven)
    assert np.mean(_seen(bank, state, "traffic")) > 0.75


@pytest.mark.parametrize(
    ("state", "line", "low", "high"),
    [
        (BusState.HIGH_SHORTED_TO_GROUND, "high", -0.05, 0.2),
        (BusState.LOW_SHORTED_TO_GROUND, "low", -0.05, 0.2),
        (BusState.HIGH_SHORTED_TO_BATTERY, "high", 10.5, 15.0),
        (BusState.LOW_SHORTED_TO_BATTERY, "low", 10.5, 15.0),
    ],
)
def test_a_shorted_line_reads_what_it_is_shorted_to(bank, state, line, low, high):
    """And the other line is left alone, as no terminator joins the two (Kirchhoff)."""
    other = {"high": "low", "low": "high"}[line]
    assert low < _median(bank, state, f"volts_{line}") < high
    assert _median(bank, state, f"volts_{other}") == pytest.approx(
        _median(bank, BusState.HEALTHY, f"volts_{other}"), abs=0.25
    )


def test_lines_shorted_together_move_as_one_from_ground_up(bank):
    """RTL goes weak and CAN low's driver off: CAN high drives both lines (NXP TJA1055 Rev 4, table 4, failure 7)."""
    state = BusState.LINES_SHORTED_TOGETHER
    assert _median(bank, state, "recessive_low") < 0.3
    assert _median(bank, state, "dominant_low") == pytest.approx(
        _median(bank, state, "dominant_high"), abs=0.1
    )


def test_can_low_open_still_has_traffic_on_can_high(bank):
    """Failure 2 of NXP TJA1055 Rev 4, table 4: all stays on, the bus works on one wire."""
    state = BusState.LOW_OPEN
    assert _median(bank, state, "dominant_high") > 3.4
    assert np.mean(_seen(bank, state, "traffic")) > 0.9


def test_a_stuck_driver_holds_both_lines_driven(bank):
    """CAN high at 3.6 V or above and CAN low at 1.4 V or below, all the time (NXP TJA1055 Rev 5, table 8)."""
    assert (_seen(bank, BusState.DRIVER_STUCK_DOMINANT, "recessive_high") > 3.4).all()
    assert (_seen(bank, BusState.DRIVER_STUCK_DOMINANT, "recessive_low") < 1.4).all()


@pytest.mark.slow
def test_the_bus_recovers_when_the_module_with_the_short_is_unplugged(bank):
    """The transceivers leave single-wire working when the failure has gone (NXP TJA1055 Rev 4)."""
    state = BusState.LOW_SHORTED_TO_BATTERY
    rows = bank.rows_of(state)
    role = bank.model.unpluggable.index("module 1")
    hosted = bank.hosts[rows] == role
    assert hosted.any()
    after = _seen(bank, state, "recessive_low", unplugged="module 1")[hosted]
    assert after == pytest.approx(np.full(hosted.sum(), 5.0), abs=0.3)


def test_the_same_seed_gives_the_same_buses():
    """A bank read back tomorrow is the bank of today."""
    one, other = (fault_tolerant_can().simulate(BusState.LOW_OPEN, "nothing", 20, 5) for _ in range(2))
    assert all((one[name] == other[name]).all() for name in one)


@pytest.mark.slow
def test_readings_of_can_low_on_battery_are_understood(tmp_path):
    """CAN low at battery, CAN high averaging as usual, ignition on."""
    state = {"against": "ground", "ignition": "on", "battery": "connected", "unplugged": "nothing"}
    readings = [
        Reading.model_validate({"quantity": "voltage", "line": line, "value": value, **state})
        for line, value in (("CAN low", "12.3 V"), ("CAN high", "0.61 V"))
    ]
    found = diagnose(readings, Medium.FAULT_TOLERANT_CAN, cache=tmp_path)
    assert found.credible() == [BusState.LOW_SHORTED_TO_BATTERY]
    assert not found.clashes
