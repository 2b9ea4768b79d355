"""Levels of both lines, senders that stand out, and what of a capture is in doubt."""

import sys
from pathlib import Path

import numpy as np
import pytest

from casebase.intake.capture.doubts import Kind
from casebase.intake.capture.facts import read_capture
from casebase.intake.capture.samples import Wanted
from casebase.record.vocabulary import Line, Look, Medium

sys.path.insert(0, str(Path(__file__).parent.parent.parent / "bench"))

from synthetic_captures import Bus, Sender, Sent, volts_of

IDENTIFIERS = (0x0A0, 0x1B3, 0x2C4, 0x3D5, 0x4E6, 0x5F7)
FRAMES = [Sent(IDENTIFIERS[place % 6], bytes([place, 255 - place, 7])) for place in range(48)]


def lines(bus=None):
    """Return both lines of an invented bus, ten million samples a second."""
    volts, _ = volts_of(
        FRAMES, [30] * len(FRAMES), bus or Bus(samples_per_second=10e6), np.random.default_rng(4)
    )
    return volts


def read(folder, volts, medium=None, samples_per_second=10e6, **wanted):
    """Read both lines."""
    path = folder / "pair.npy"
    np.save(path, volts)
    return read_capture(path, medium, Wanted(samples_per_second=samples_per_second, **wanted))


def kinds(facts):
    """Return the kinds of doubt."""
    return {doubt.kind for doubt in facts.doubts}


@pytest.mark.slow
def test_a_healthy_pair_has_its_levels_and_one_sum(tmp_path):
    """2.5 V at rest, 3.5 and 1.5 V driven; both lines add up to 5 V all the time; nothing is in doubt."""
    facts = read(tmp_path, lines())
    high, low = facts.levels.lines
    assert (high.recessive, high.dominant) == (pytest.approx(2.5, abs=0.05), pytest.approx(3.5, abs=0.05))
    assert (low.recessive, low.dominant) == (pytest.approx(2.5, abs=0.05), pytest.approx(1.5, abs=0.05))
    assert facts.levels.sum_recessive == pytest.approx(facts.levels.sum_dominant, abs=0.05)
    assert facts.looks == (Look.CLEAN,)
    assert not facts.doubts


def test_a_meter_shows_the_average_of_rest_and_driven(tmp_path):
    """The mean of CAN high lies as far above rest as the share of dominant time says."""
    facts = read(tmp_path, lines())
    high = facts.levels.lines[0]
    assert high.mean == pytest.approx(2.5 + facts.dominant_share, abs=0.02)


def test_a_weak_driver_stands_out_by_its_identifier(tmp_path):
    """One module drives 1.2 V between the lines, the others 2 V."""
    facts = read(tmp_path, lines(Bus(samples_per_second=10e6, senders={0x3D5: Sender(3.1, 1.9)})))
    odd = {one.name(): one.stands_out for one in facts.senders if one.stands_out}
    assert list(odd) == ["3D5"]
    assert odd["3D5"][0].startswith("weak driver: 1.2")


@pytest.mark.slow
def test_a_ground_offset_moves_both_lines_of_one_sender(tmp_path):
    """A module whose ground lies 0.4 V higher drives both lines that much higher."""
    facts = read(tmp_path, lines(Bus(samples_per_second=10e6, senders={0x1B3: Sender(3.9, 1.9)})))
    odd = {one.name(): one.stands_out for one in facts.senders if one.stands_out}
    assert list(odd) == ["1B3"]
    assert "ground offset" in odd["1B3"][0]


@pytest.mark.slow
def test_a_module_with_swapped_lines_stands_out_by_its_identifier(tmp_path):
    """One module drives CAN high down and CAN low up; the others' frames are as whole as ever."""
    turned = Bus(samples_per_second=10e6, senders={0x3D5: Sender(1.5, 3.5)})
    frames = [Sent(one.identifier, one.data, acknowledged=one.identifier != 0x3D5) for one in FRAMES]
    volts, _ = volts_of(frames, [30] * len(frames), turned, np.random.default_rng(4))
    facts = read(tmp_path, volts)
    odd = {one.name(): one.stands_out for one in facts.senders if one.stands_out}
    assert list(odd) == ["3D5"]
    assert "its lines are swapped" in odd["3D5"][0]
    assert facts.whole_count == 40
    assert not facts.doubts


@pytest.mark.slow
def test_lines_swapped_at_the_probe_are_read_the_right_way_round(tmp_path):
    """What stands first goes down when driven: said, and CAN high is the one that goes up."""
    facts = read(tmp_path, lines()[::-1])
    assert kinds(facts) == {Kind.SWAPPED}
    assert facts.levels.lines[0].line is Line.CAN_HIGH
    assert facts.levels.lines[0].dominant == pytest.approx(3.5, abs=0.05)
    assert facts.whole_share == 1.0


@pytest.mark.slow
@pytest.mark.parametrize("factor", [0.1, 10.0])
def test_an_attenuation_wrong_by_ten_is_said_and_set_right_by_the_scale(tmp_path, factor):
    """Both lines rest at 0.25 or 25 V; read again with the scale named they are healthy."""
    volts = lines() * np.float32(factor)
    facts = read(tmp_path, volts)
    assert kinds(facts) == {Kind.SCALE}
    again = read(tmp_path, volts, scale=facts.doubt(Kind.SCALE).factor)
    assert not again.doubts
    assert again.levels.lines[0].recessive == pytest.approx(2.5, abs=0.05)


@pytest.mark.slow
@pytest.mark.parametrize("place", [0, 1])
@pytest.mark.parametrize("stays_at", [0.0, 2.5])
def test_one_line_missing_is_said_and_the_other_still_tells_frames(tmp_path, place, stays_at):
    """A probe that is off shows 0 V, an open line its bias."""
    volts = lines()
    volts[place] = stays_at
    facts = read(tmp_path, volts)
    assert kinds(facts) == {Kind.ONE_LINE_MISSING}
    assert facts.looks == (Look.ONE_LINE_FLAT,)
    assert facts.whole_share == 1.0


@pytest.mark.slow
@pytest.mark.parametrize("samples_per_second", [0.6e6, 1.2e6])
def test_sampled_too_slowly_is_said(tmp_path, samples_per_second):
    """One or two samples a bit are doubted; a frame is told only where its check sequence fits."""
    facts = read(
        tmp_path, lines(Bus(samples_per_second=samples_per_second)), samples_per_second=samples_per_second
    )
    assert Kind.TOO_SLOW in kinds(facts)
    told = facts.can.frames.frames(1.0) if facts.can else ()
    sent = {(one.identifier, one.data) for one in FRAMES}
    assert {(frame.identifier, frame.data) for frame in told if frame.whole} <= sent


def test_a_quiet_bus_has_no_traffic(tmp_path):
    """Noise and the steps of the converter make no pulse."""
    noise = np.random.default_rng(5).normal(2.5, 0.02, (2, 200_000))
    facts = read(tmp_path, (np.round(noise / 0.039) * 0.039).astype(np.float32))
    assert not facts.traffic
    assert facts.levels.lines[0].dominant is None
    assert not facts.doubts


def test_a_driver_that_never_lets_go_is_stuck(tmp_path):
    """3.5 and 1.5 V all the time."""
    volts = np.repeat(np.array([[3.5], [1.5]], np.float32), 100_000, axis=1)
    assert read(tmp_path, volts).looks == (Look.STUCK,)


@pytest.mark.slow
def test_fault_tolerant_levels_are_told_by_themselves(tmp_path):
    """0 and 5 V at rest, 3.6 and 1.4 V driven (NXP TJA1055): the medium is taken from them."""
    bus = Bus(bit_rate=125e3, samples_per_second=5e6)
    volts = lines(bus)
    driven = (volts[0] - 2.5) / 1.0
    tolerant = np.stack([3.6 * driven, 5.0 - 3.6 * driven]).astype(np.float32)
    facts = read(tmp_path, tolerant, samples_per_second=5e6)
    assert facts.medium is Medium.FAULT_TOLERANT_CAN
    assert facts.whole_share == 1.0
    assert facts.levels.lines[1].recessive == pytest.approx(5.0, abs=0.1)


def test_fault_tolerant_lines_called_high_speed_are_doubted(tmp_path):
    """Levels of another medium than the one named are said to be that one's."""
    volts = lines()
    driven = volts[0] - 2.5
    tolerant = np.stack([3.6 * driven, 5.0 - 3.6 * driven]).astype(np.float32)
    assert Kind.OTHER_MEDIUM in kinds(read(tmp_path, tolerant, Medium.HIGH_SPEED_CAN))


def test_slow_edges_are_a_word_of_their_own(tmp_path):
    """A time constant of 350 ns takes over a third of a bit at 500 kbit/s."""
    facts = read(tmp_path, lines(Bus(samples_per_second=10e6, fall_seconds=350e-9)))
    assert Look.SLOW_EDGES in facts.looks
    assert facts.shapes[1].seconds == pytest.approx(2.2 * 350e-9, rel=0.25)


def test_a_weak_sender_has_no_slow_edges(tmp_path):
    """It drives less far, and is back as quickly; half of the pulses are its own."""
    weak = Bus(samples_per_second=10e6, senders={0x1A0: Sender(3.1, 1.9)})
    frames = [Sent(0x0C8, bytes([0, 0x1B, 0x58, 0])), Sent(0x1A0, b"\x12\x34"), Sent(0x1A0, b"\x12\x38")] * 2
    volts, _ = volts_of(frames, [8] * 6, weak, np.random.default_rng(7))
    facts = read(tmp_path, volts)
    assert Look.SLOW_EDGES not in facts.looks
    assert facts.shapes[1].seconds < 200e-9


def test_a_drifting_ground_is_measured(tmp_path):
    """Common mode that wanders by 0.3 V either way."""
    facts = read(tmp_path, lines(Bus(samples_per_second=10e6, ground_drift=0.3)))
    assert facts.levels.drift == pytest.approx(0.6, abs=0.08)
