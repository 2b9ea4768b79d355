"""FlexRay: driven both ways round 2.5 V, a terminator of the cable's 80 to 110 ohm at each end."""

import numpy as np
import pytest

from casebase import places
from casebase.bus.bank import Bank
from casebase.bus.diagnose import diagnose
from casebase.bus.flexray import exchanged_columns, flexray
from casebase.bus.roles import BusUnderTest
from casebase.record.reading import Reading
from casebase.record.vocabulary import BusState, Medium


@pytest.fixture(scope="module")
def bank() -> Bank:
    """A small bank."""
    return Bank(flexray(), places.simulation_folder(), per_state=400)


def _seen(bank, state, quantity):
    return bank.columns("nothing")[f"DLC|nothing|{quantity}"][bank.rows_of(state)]


@pytest.mark.slow
def test_both_lines_of_a_healthy_bus_average_2_5_volts(bank):
    """Idle 0.4 to 0.6 VCC (NXP TJA1083, table 11); ones and zeros alternate, so traffic does not move the mean."""
    for line in ("high", "low"):
        assert _seen(bank, BusState.HEALTHY, f"volts_{line}") == pytest.approx(np.full(400, 2.5), abs=0.2)
    assert (_seen(bank, BusState.HEALTHY, "traffic") == 1).all()


@pytest.mark.slow
def test_a_one_puts_plus_above_minus_by_0_9_to_2_volts(bank):
    """NXP TJA1083, table 11, at a bus load of 40 to 55 ohm."""
    apart = _seen(bank, BusState.HEALTHY, "dominant_high") - _seen(bank, BusState.HEALTHY, "dominant_low")
    assert ((apart > 0.85) & (apart < 2.0)).all()


def test_an_ohmmeter_reads_the_bus_load(bank):
    """40 to 55 ohm (NXP TJA1083, table 11): two of 80 to 110 ohm (NI-XNET manual); one alone when one is missing."""
    healthy = _seen(bank, BusState.HEALTHY, "ohms_between")
    assert ((healthy > 39) & (healthy < 57)).all()
    one = _seen(bank, BusState.TERMINATOR_MISSING, "ohms_between")
    assert ((one > 75) & (one < 112)).all()


def test_an_extra_terminator_reads_a_third(bank):
    """Three of about 94 ohm in parallel are about 31 ohm (Ohm's law)."""
    assert np.median(_seen(bank, BusState.EXTRA_TERMINATOR, "ohms_between")) == pytest.approx(94 / 3, abs=1.5)


def test_a_stuck_driver_keeps_the_lines_apart_either_way(bank):
    """A driver may hang on a one or on a zero: plus above minus, or below it."""
    state = BusState.DRIVER_STUCK_DOMINANT
    apart = _seen(bank, state, "recessive_high") - _seen(bank, state, "recessive_low")
    assert (np.abs(apart) > 0.8).all()
    assert 0.3 < np.mean(apart > 0) < 0.7


def test_asleep_both_lines_lie_near_ground(bank):
    """-0.1 to 0.1 V in low power (NXP TJA1083, table 11)."""
    assert (np.abs(_seen(bank, BusState.BUS_ASLEEP, "volts_high")) < 0.11).all()


def test_plus_to_ground_pulls_minus_down_through_the_terminators(bank):
    """About 47 ohm join the lines (NXP TJA1083, table 11): neither reads normal."""
    assert np.median(_seen(bank, BusState.HIGH_SHORTED_TO_GROUND, "volts_high")) < 0.1
    assert np.median(_seen(bank, BusState.HIGH_SHORTED_TO_GROUND, "volts_low")) < 1.0


def test_exchanging_the_lines_twice_changes_nothing():
    """The names of plus and minus change places, those between them stay."""
    columns = {
        f"DLC|nothing|{name}": np.zeros(1) for name in ("volts_high", "ohms_low_ground", "ohms_between")
    }
    once = exchanged_columns(columns)
    assert set(once) == {f"DLC|nothing|{name}" for name in ("volts_low", "ohms_high_ground", "ohms_between")}
    assert set(exchanged_columns(once)) == set(columns)


@pytest.mark.slow
def test_47_ohm_and_2_5_volts_are_a_healthy_bus(tmp_path):
    """Two terminators of about 94 ohm, not of 120 (arithmetic)."""
    shared = {"at": "connector of ESC", "unplugged": "nothing"}
    off = {"quantity": "resistance", "ignition": "off", "battery": "disconnected", **shared}
    on = {"quantity": "voltage", "ignition": "on", "battery": "connected", "against": "ground", **shared}
    scope = {"quantity": "waveform", "at": "connector of ESC", "ignition": "on", "unplugged": "nothing"}
    readings = [
        Reading.model_validate({**off, "line": "bus plus", "against": "bus minus", "value": "47.0 ohm"}),
        Reading.model_validate({**on, "line": "bus plus", "value": "2.50 V"}),
        Reading.model_validate({**on, "line": "bus minus", "value": "2.50 V"}),
        Reading.model_validate({**scope, "waveform": {"traffic": "yes", "looks": "clean"}}),
    ]
    found = diagnose(readings, Medium.FLEXRAY, BusUnderTest(("CGW", "ESC")), cache=tmp_path)
    assert found.ranked()[0][0] is BusState.HEALTHY
    assert found.probability(BusState.TERMINATOR_MISSING) < 0.01
