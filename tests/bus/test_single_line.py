"""LIN, K-line and single-wire CAN: one line, held by resistors, driven one way."""

import numpy as np
import pytest

from casebase import places
from casebase.bus.bank import Bank
from casebase.bus.diagnose import computed_media, diagnose
from casebase.bus.network import dominant, recessive, unpowered
from casebase.bus.next_test import NextTest, candidates_for
from casebase.bus.outcomes import outcomes_of
from casebase.bus.single_draws import (
    Drive,
    Line,
    line_drivers,
    pull_to_ground,
    pull_to_rail,
    rail_at,
    single_buses,
    with_shunts,
)
from casebase.bus.single_faults import k_line, lin, single_wire_can
from casebase.record.reading import Reading
from casebase.record.vocabulary import LINES_OF_MEDIUM, BusState, Medium

ROWS = 600


@pytest.fixture(scope="module")
def banks() -> dict[Medium, Bank]:
    """A small bank of each."""
    return {
        model.medium: Bank(model, places.simulation_folder(), per_state=ROWS)
        for model in (lin(), k_line(), single_wire_can())
    }


def _seen(bank, state, quantity, unplugged="nothing", place="DLC"):
    return bank.columns(unplugged)[f"{place}|{unplugged}|{quantity}"][bank.rows_of(state)]


def _median(bank, state, quantity):
    return float(np.median(_seen(bank, state, quantity)))


# --- one circuit, by hand -------------------------------------------------------------------------------------------


def _two_modules(drive: Drive):
    """Return one bus: modules at places 0 and 1, leads at place 1, wires of a milliohm."""
    shape, wire = (2, 1), np.full((1, 1), 1e-3)
    line = Line(np.ones(shape, dtype=bool), np.full(shape, 1e-3), wire, np.array([1]), np.full(1, 1e-3))
    amperes = np.full(shape, 0.2)
    volts = np.full(shape, 4.0 if drive is Drive.UP else 0.5)
    return single_buses(drive, line, line_drivers(drive, volts, np.full(shape, 20.0), amperes))


def _column(*values: float):
    return np.array(values)[:, None]


def test_a_kilohm_against_a_driver_of_20_ohm_divides_the_supply():
    """(12 - 0.6 - 0.5) V over 1020 ohm is 10.69 mA, so the line lies at 0.5 V + 20 ohm x 10.69 mA (Ohm's law)."""
    buses = with_shunts(
        _two_modules(Drive.DOWN),
        powered_trunk=rail_at(Drive.DOWN, _column(50.0, 0.0), 12.0),
        powered_module=pull_to_rail(Drive.DOWN, _column(1e-3, 0.0), 0.6),
    )
    at_rest, driven = recessive(buses).at_dlc()[1][0], dominant(buses, np.array([1])).at_dlc()[1][0]
    assert at_rest == pytest.approx(11.4, abs=0.005)
    assert driven == pytest.approx(0.5 + 20 * 10.9 / 1020, abs=0.005)


def test_unpowered_pull_ups_are_seen_through_the_rail():
    """1 kohm || 30 kohm to the rail, which hangs on ground through 10 ohm of loads: 967.7 and 977.7 ohm (derived)."""
    buses = with_shunts(
        _two_modules(Drive.DOWN),
        unpowered_trunk=rail_at(Drive.DOWN, _column(0.1, 0.0), 0.0),
        unpowered_module=pull_to_rail(Drive.DOWN, _column(1e-3, 1 / 30e3)),
    )
    seen = unpowered(buses).impedance_at(np.array([1]))
    parallel = 1000 * 30000 / 31000
    assert seen.ll[0] == pytest.approx(parallel + 10, abs=0.1)
    assert (seen.hh + seen.ll - 2 * seen.hl)[0] == pytest.approx(parallel, abs=0.1)


def test_a_line_driven_up_rests_on_its_loads():
    """Two loads of 9.1 kohm (Melexis TH8055 page 10) make 4.55 kohm; the driver lifts the line to almost 4 V."""
    loads = pull_to_ground(Drive.UP, _column(1 / 9100, 1 / 9100))
    rail = rail_at(Drive.UP, _column(50.0, 0.0), 12.0)
    buses = with_shunts(
        _two_modules(Drive.UP), powered_trunk=rail, powered_module=loads, unpowered_module=loads
    )
    assert recessive(buses).at_dlc()[0][0] == pytest.approx(0.0, abs=1e-3)
    assert dominant(buses, np.array([0])).at_dlc()[0][0] == pytest.approx(4 * 4550 / 4570, abs=0.005)
    assert unpowered(buses).impedance_at(np.array([1])).hh[0] == pytest.approx(4550, abs=1)


# --- healthy --------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_lin_rests_near_the_supply_and_falls_with_traffic(banks):
    """Recessive from 0.85 VSUP, dominant up to 0.2 VSUP (TI TLIN1021-Q1 SLLSEU9D); the mean lies between."""
    bank = banks[Medium.LIN]
    rest, driven = (_seen(bank, BusState.HEALTHY, f"{level}_line") for level in ("recessive", "dominant"))
    mean = _seen(bank, BusState.HEALTHY, "volts_line")
    assert (driven < 0.2 * rest).all()
    assert ((mean < rest) & (mean > 0.5 * rest)).all()
    assert np.median(rest) > 0.85 * 12


def test_lin_comes_on_12_and_on_24_volts(banks):
    """Trucks (common practice, no source)."""
    rest = _seen(banks[Medium.LIN], BusState.BUS_QUIET, "volts_line")
    assert 0.03 < np.mean(rest > 20) < 0.25


@pytest.mark.slow
def test_single_wire_can_rests_at_ground_and_is_driven_to_four_volts(banks):
    """At most 0.2 V, and 3.5 to 4.55 V (Melexis TH8055 page 7)."""
    bank = banks[Medium.SINGLE_WIRE_CAN]
    driven = _seen(bank, BusState.HEALTHY, "dominant_line")
    assert (_seen(bank, BusState.HEALTHY, "recessive_line") <= 0.2).all()
    assert ((driven >= 3.5) & (driven <= 4.55)).all()


def test_single_wire_can_reads_its_loads_to_ground(banks):
    """9.1 kohm over the number of modules; a network's load is 270 to 4596 ohm (Melexis TH8055 page 10)."""
    ohms = _seen(banks[Medium.SINGLE_WIRE_CAN], BusState.HEALTHY, "ohms_line_ground")
    assert ((ohms > 265) & (ohms < 4700)).all()


@pytest.mark.slow
def test_k_line_with_a_tester_rests_at_battery(banks):
    """Logic 1 above 90 % of VB (ISO 14230-1:2012, 8.2.2, as quoted); driven below 20 % (from memory)."""
    bank = banks[Medium.K_LINE]
    rest, driven = (_seen(bank, BusState.HEALTHY, f"{level}_line") for level in ("recessive", "dominant"))
    assert (rest > 0.9 * 11.6).all()
    assert (driven < 0.2 * rest).all()


def test_a_silent_k_line_may_have_no_tester_on_it(banks):
    """Then only the modules' own high-ohmic parts hold it, and it lies anywhere (common practice, no source)."""
    volts = _seen(banks[Medium.K_LINE], BusState.BUS_QUIET, "volts_line")
    assert 0.1 < np.mean(volts < 10) < 0.4


# --- faults ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("medium", [Medium.LIN, Medium.K_LINE, Medium.SINGLE_WIRE_CAN])
def test_shorted_to_ground_reads_about_zero_volts_and_ohms(banks, medium):
    """Ohm's law."""
    bank = banks[medium]
    assert _median(bank, BusState.LINE_SHORTED_TO_GROUND, "volts_line") < 0.3
    assert _median(bank, BusState.LINE_SHORTED_TO_GROUND, "ohms_line_ground") < 10


@pytest.mark.parametrize("medium", [Medium.LIN, Medium.K_LINE, Medium.SINGLE_WIRE_CAN])
def test_shorted_to_battery_reads_battery_volts_and_few_ohms_to_battery(banks, medium):
    """To ground the ohms are those of the loads on the rail too: only the other lead tells (Kirchhoff)."""
    bank, state = banks[medium], BusState.LINE_SHORTED_TO_BATTERY
    assert _median(bank, state, "volts_line") > 11.5
    assert _median(bank, state, "ohms_line_battery") < 10 < _median(bank, state, "ohms_line_ground") + 5


def test_180_ohm_inside_a_sensor_leave_lin_between_the_levels():
    """A kilohm against 180 ohm divides 12 V to about 1.8 V (Ohm's law): no bolted short, which reads 0."""
    buses = with_shunts(
        _two_modules(Drive.DOWN),
        powered_trunk=rail_at(Drive.DOWN, _column(50.0, 0.0), 12.2),
        powered_module=pull_to_rail(Drive.DOWN, _column(1e-3, 1 / 30e3), 0.6)
        + pull_to_ground(Drive.DOWN, _column(0.0, 1 / 180)),
    )
    assert recessive(buses).at_dlc()[1][0] == pytest.approx(1.8, abs=0.1)


def test_a_stuck_lin_driver_reads_a_volt_but_ohms_are_normal(banks):
    """Only under power does it pull: that tells it from a short."""
    bank, state = banks[Medium.LIN], BusState.DRIVER_STUCK_DOMINANT
    assert 0.4 < _median(bank, state, "volts_line") < 1.5
    assert _median(bank, state, "ohms_line_ground") == pytest.approx(
        _median(bank, BusState.HEALTHY, "ohms_line_ground"), rel=0.3
    )


@pytest.mark.slow
@pytest.mark.parametrize("medium", [Medium.LIN, Medium.SINGLE_WIRE_CAN])
def test_unplugging_the_module_with_the_stuck_driver_brings_the_traffic_back(banks, medium):
    """Nobody gets a word in while it drives; without it frames are there again."""
    bank, state = banks[medium], BusState.DRIVER_STUCK_DOMINANT
    mine = bank.hosts[bank.rows_of(state)] == bank.model.unpluggable.index("module 1")
    assert mine.any()
    assert not _seen(bank, state, "traffic")[mine].any()
    assert _seen(bank, state, "traffic", unplugged="module 1")[mine].mean() > 0.9


def test_a_stuck_single_wire_driver_reads_four_volts(banks):
    """It holds the line up (Melexis TH8055 page 7: 3.5 to 4.55 V)."""
    volts = _seen(banks[Medium.SINGLE_WIRE_CAN], BusState.DRIVER_STUCK_DOMINANT, "volts_line")
    assert ((volts > 3.5) & (volts < 4.6)).all()


def test_lin_without_its_kilohm_has_slow_edges(banks):
    """Tens of kilohms into nanofarads take about a bit: the line is not up when the next bit falls (derived)."""
    bank = banks[Medium.LIN]
    state, talking = BusState.PULL_UP_MISSING, _seen(bank, BusState.PULL_UP_MISSING, "traffic") == 1
    assert talking.any()
    slow = _seen(bank, state, "recessive_line")[talking]
    assert np.median(slow) < _median(bank, BusState.HEALTHY, "recessive_line") - 0.3
    assert _median(bank, state, "volts_line") > 8


def test_single_wire_can_has_no_pull_up_to_lose():
    """Every module's load holds the line (Melexis TH8055 page 10)."""
    assert BusState.PULL_UP_MISSING not in single_wire_can().states
    assert BusState.PULL_UP_MISSING in lin().states


@pytest.mark.slow
def test_lin_with_its_commander_unplugged_is_silent(banks):
    """Only the commander starts a frame (ISO 17987, from memory)."""
    assert not _seen(banks[Medium.LIN], BusState.HEALTHY, "traffic", unplugged="commander").any()


@pytest.mark.slow
@pytest.mark.parametrize("medium", [Medium.LIN, Medium.K_LINE, Medium.SINGLE_WIRE_CAN])
def test_a_short_inside_a_module_goes_away_when_it_is_unplugged(banks, medium):
    """Whatever module hosts it; a short in the harness stays."""
    bank, state = banks[medium], BusState.LINE_SHORTED_TO_GROUND
    hosts = bank.hosts[bank.rows_of(state)]
    mine, nobodys = hosts == bank.model.unpluggable.index("module 1"), hosts == -1
    after = _seen(bank, state, "ohms_line_ground", unplugged="module 1")
    before = _seen(bank, state, "ohms_line_ground")
    assert mine.any()
    assert (after[mine] > 250).all()
    assert after[nobodys] == pytest.approx(before[nobodys], rel=0.2)


def test_beyond_a_cut_branch_the_open_plug_reads_nothing(banks):
    """Single-wire CAN to a door module: the plug on the module's side of the open reads 0 V, the DLC as usual."""
    bank, state = banks[Medium.SINGLE_WIRE_CAN], BusState.LINE_OPEN
    hosts = bank.hosts[bank.rows_of(state)]
    cut_off = hosts == bank.model.unpluggable.index("module 1")
    plug = _seen(bank, state, "volts_line", unplugged="module 1", place="module 1")[cut_off]
    # A corroded contact of some kilohms still lifts the high-ohmic meter; most opens do not.
    assert np.median(plug) < 0.1
    assert np.median(_seen(bank, state, "volts_line")[cut_off]) > 0.1


@pytest.mark.slow
def test_the_same_seed_gives_the_same_buses():
    """A bank read back tomorrow is the bank of today."""
    for model in (lin(), k_line(), single_wire_can()):
        one, other = (model.simulate(BusState.LINE_OPEN, "module 2", 20, 5) for _ in range(2))
        assert all((one[name] == other[name]).all() for name in one)


# --- from readings --------------------------------------------------------------------------------------------------


def test_every_medium_can_be_computed():
    """No medium of the vocabulary is left out."""
    assert set(computed_media()) == set(Medium)


def _reading(line: str, quantity: str, value: str, against: str = "ground") -> Reading:
    ohms = quantity == "resistance"
    state = (
        {"ignition": "off", "battery": "disconnected"} if ohms else {"ignition": "on", "battery": "connected"}
    )
    keys = {"quantity": quantity, "line": line, "against": against, "value": value, "unplugged": "nothing"}
    return Reading.model_validate({**keys, **state})


@pytest.mark.slow
@pytest.mark.parametrize(
    ("medium", "line", "shown", "state"),
    [
        (Medium.LIN, "LIN", ("0.02 V", "1.3 ohm"), BusState.LINE_SHORTED_TO_GROUND),
        (Medium.LIN, "LIN", ("0.9 V", "21 kohm"), BusState.DRIVER_STUCK_DOMINANT),
        (Medium.K_LINE, "K-line", ("0.06 V", "2.4 ohm"), BusState.LINE_SHORTED_TO_GROUND),
        (Medium.SINGLE_WIRE_CAN, "CAN single wire", ("12.4 V", "18 ohm"), BusState.LINE_SHORTED_TO_BATTERY),
        (Medium.SINGLE_WIRE_CAN, "CAN single wire", ("4.0 V", "1.5 kohm"), BusState.DRIVER_STUCK_DOMINANT),
    ],
)
def test_a_volt_and_an_ohm_reading_settle_it(tmp_path, medium, line, shown, state):
    """One of each at the line is enough for a fault that holds it."""
    volts, ohms = shown
    found = diagnose(
        [_reading(line, "voltage", volts), _reading(line, "resistance", ohms)], medium, cache=tmp_path
    )
    assert found.ranked()[0][0] is state
    assert found.probability(state) > 0.85


@pytest.mark.slow
def test_ohms_to_battery_tell_which_rail_a_line_lies_on(tmp_path):
    """2 ohm from LIN to battery +, 20 to ground: the loads on the rail make the difference (Kirchhoff)."""
    readings = [
        _reading("LIN", "resistance", "2.0 ohm", against="battery +"),
        _reading("LIN", "resistance", "20 ohm"),
    ]
    found = diagnose(readings, Medium.LIN, cache=tmp_path)
    assert found.credible() == [BusState.LINE_SHORTED_TO_BATTERY]


@pytest.mark.slow
@pytest.mark.parametrize("medium", [Medium.LIN, Medium.K_LINE, Medium.SINGLE_WIRE_CAN])
def test_what_each_reading_of_a_single_line_would_mean_is_told(medium):
    """A K-line has an L line beside it, which only wakes modules (ISO 9141, from memory): no second line to scope."""
    line = str(LINES_OF_MEDIUM[medium][0])
    volts = {"quantity": "voltage", "line": line, "against": "ground", "value": 0.1, "ignition": "on"}
    read = [Reading.model_validate(volts | {"at": "DLC"})]
    diagnosis = diagnose(read, medium, cache=places.simulation_folder(), rough=True)
    told = [outcomes_of(diagnosis, [NextTest(candidate, 0.5, ())]) for candidate in candidates_for(diagnosis)]

    assert len(told) == 2
    assert any(each.startswith(("frames", "no frames")) and line in each for some in told for each in some)
