"""How long the lines are driven and how many frames are whole goes from a capture into the record."""

import sys
from pathlib import Path

import numpy as np
import pytest

from casebase import places
from casebase.bus.bank import Bank
from casebase.bus.diagnose import weighed
from casebase.bus.interpret import interpret
from casebase.bus.pair import high_speed_can
from casebase.bus.roles import BusUnderTest, roles_for
from casebase.intake.capture.facts import read_capture
from casebase.intake.capture.waveform_readings import Where, readings_from
from casebase.record.vocabulary import BusState, Ignition, YesNo

sys.path.insert(0, str(Path(__file__).parent.parent.parent / "bench"))

from synthetic_captures import Bus, Sent, volts_of


@pytest.fixture(scope="module")
def capture(tmp_path_factory):
    """Make a capture of twenty frames of a healthy bus, every `broken`th with a wrong CRC; with its volts."""

    def make(name: str, broken: int = 0, samples_per_second: float = 5e6):
        frames = [Sent(0x100 + place % 5, bytes([place, 1, 2])) for place in range(20)]
        if broken:
            frames[::broken] = [Sent(0x100, b"\x07", spoil="crc") for _ in frames[::broken]]
        bus = Bus(samples_per_second=samples_per_second)
        volts, _ = volts_of(frames, [30] * 20, bus, np.random.default_rng(9))
        path = tmp_path_factory.mktemp("captures") / name
        rows = np.column_stack([np.arange(volts.shape[1]) / samples_per_second, volts.T])
        np.savetxt(path, rows, "%.7f,%.4f,%.4f", header="Time (s),CAN H (V),CAN L (V)", comments="")
        return path, volts

    return make


def seen_in(path):
    """Return the readings of a capture taken with the ignition on."""
    return readings_from(read_capture(path), Where(ignition=Ignition.ON))


@pytest.mark.slow
def test_the_time_driven_is_that_of_the_samples(capture):
    """Counted over the samples by numpy alone: those in which the lines stand more than a volt apart."""
    path, volts = capture("whole.csv")
    waveform = seen_in(path)[0].waveform
    assert waveform.dominant_share == pytest.approx(np.mean(volts[0] - volts[1] > 1.0), abs=0.01)
    assert waveform.whole_frames == 1.0


@pytest.mark.slow
def test_broken_frames_are_counted(capture):
    """Five of twenty frames with a wrong CRC leave three quarters whole."""
    waveform = seen_in(capture("broken.csv", broken=4)[0])[0].waveform
    assert waveform.whole_frames == pytest.approx(0.75)


def test_frames_sampled_too_slowly_are_not_said_to_be_broken(capture):
    """Three samples of a bit break frames that were whole on the bus: nothing is said of them."""
    waveform = seen_in(capture("slow.csv", samples_per_second=1.5e6)[0])[0].waveform
    assert waveform.whole_frames is None


@pytest.mark.slow
def test_a_line_at_rest_has_no_share(tmp_path):
    """Without traffic nothing tells how long anybody drives."""
    rows = np.column_stack([np.arange(4000) / 1e6, np.full(4000, 2.5), np.full(4000, 2.49)])
    path = tmp_path / "still.csv"
    np.savetxt(path, rows, "%.7f,%.4f,%.4f", header="Time (s),CAN H (V),CAN L (V)", comments="")
    waveform = seen_in(path)[0].waveform
    assert (waveform.traffic, waveform.dominant_share, waveform.whole_frames) == (YesNo.NO, None, None)


@pytest.mark.slow
def test_levels_averages_and_share_of_one_capture_go_together(capture):
    """What a healthy bus shows on a scope is healthy to the computation, and nothing of it clashes."""
    readings = seen_in(capture("healthy.csv")[0])
    bank = Bank(high_speed_can(), places.simulation_folder(), per_state=1500)
    roles = roles_for(BusUnderTest(), readings)
    found = weighed(bank, roles, tuple(readings), interpret(readings, roles, bank))
    assert not found.clashes
    assert BusState.HEALTHY in found.credible()
