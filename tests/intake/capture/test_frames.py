"""Frames out of a capture: whole ones with their data, and the first thing wrong with each of the others."""

import sys
from pathlib import Path

import numpy as np
import pytest

from casebase.intake.capture.can_frames import Fault
from casebase.intake.capture.facts import read_capture
from casebase.intake.capture.samples import Wanted

sys.path.insert(0, str(Path(__file__).parent.parent.parent / "bench"))

from synthetic_captures import FD_LENGTHS, Bus, Sender, Sent, volts_of


def captured(folder, frames, bus=None, gap=20):
    """Send the frames on an invented bus, capture both lines, and read the capture."""
    on = bus or Bus(samples_per_second=10e6)
    volts, _ = volts_of(frames, [gap] * len(frames), on, np.random.default_rng(3))
    return read_rows(folder, volts, on.samples_per_second)


def read_rows(folder, volts, samples_per_second, **wanted):
    """Read an array of two rows."""
    path = folder / "pair.npy"
    np.save(path, volts)
    return read_capture(path, None, Wanted(samples_per_second=samples_per_second, **wanted))


def frames_of(facts):
    """Return the frames of a capture."""
    return list(facts.can.frames.frames(facts.seconds / facts.samples))


COUNTED = [Sent(0x100 + place, bytes(range(place % 9))) for place in range(12)]


@pytest.mark.slow
@pytest.mark.parametrize("rate", [125e3, 250e3, 500e3, 1e6])
def test_frames_of_every_length_come_whole_at_every_usual_rate(tmp_path, rate):
    """Identifier, data and bit rate are those sent, from 10 to 80 samples a bit."""
    facts = captured(tmp_path, COUNTED, Bus(bit_rate=rate, samples_per_second=10e6))
    assert facts.can.rate.standard == rate
    assert [(frame.identifier, frame.data) for frame in frames_of(facts)] == [
        (sent.identifier, sent.data) for sent in COUNTED
    ]
    assert facts.whole_share == 1.0


def test_extended_and_remote_frames_are_told(tmp_path):
    """29-bit identifiers, and a remote frame that asks for data and carries none."""
    sent = [Sent(0x18FEF100, b"\xff" * 8, extended=True), Sent(0x7DF, remote=True), *COUNTED]
    first, second, *_ = frames_of(captured(tmp_path, sent))
    assert (first.name(), first.data, first.extended) == ("18FEF100", b"\xff" * 8, True)
    assert second.whole
    assert (second.identifier, second.remote, second.data) == (0x7DF, True, b"")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("broken", "fault"),
    [
        (Sent(0x123, b"\x11\x22", spoil="crc"), Fault.CRC),
        (Sent(0x123, b"\x11\x22", spoil="stuff"), Fault.STUFF),
        (Sent(0x123, b"\x11\x22", spoil="form"), Fault.FORM),
        (Sent(0x123, b"\x11\x22", acknowledged=False), Fault.NOT_ACKNOWLEDGED),
    ],
    ids=lambda value: getattr(value, "name", value.__class__.__name__),
)
def test_the_first_fault_of_a_broken_frame_is_named(tmp_path, broken, fault):
    """Only the spoilt one of thirteen frames is broken, by the fault that was put into it."""
    facts = captured(tmp_path, [*COUNTED[:6], broken, *COUNTED[6:]])
    assert [frame.fault for frame in frames_of(facts)] == [Fault.NONE] * 6 + [fault] + [Fault.NONE] * 6


def test_an_error_flag_is_seen_behind_a_stuff_error(tmp_path):
    """Six dominant bits in a row are how a module breaks a frame off."""
    facts = captured(tmp_path, [*COUNTED, Sent(0x222, b"\x0f", spoil="stuff"), *COUNTED])
    (broken,) = facts.broken(5)
    assert broken.error_flag
    assert "an error flag follows" in broken.fault_words()


def test_a_frame_cut_by_either_end_is_neither_whole_nor_broken(tmp_path):
    """The first frame lost its begin and the last one its end: both are said, no share suffers."""
    bus = Bus(samples_per_second=10e6)
    volts, starts = volts_of(COUNTED, [20] * 12, bus, np.random.default_rng(3))
    begin, end = int(starts[0] * 10e6) + 300, int(starts[-1] * 10e6) + 700
    facts = read_rows(tmp_path, volts[:, begin:end], 10e6)
    assert facts.can.cut_at_begin
    assert (facts.frame_count, facts.whole_count, facts.cut_off_count) == (11, 10, 1)
    assert facts.whole_share == 1.0


@pytest.mark.slow
def test_fast_frames_are_read_with_both_rates(tmp_path):
    """CAN FD with a switch of rate, of every length, its longer check sequences right."""
    sent = [Sent(0x300, bytes(range(length)), flexible=True) for length in FD_LENGTHS]
    facts = captured(tmp_path, sent, Bus(samples_per_second=40e6))
    assert facts.can.data_rate.standard == 2e6
    assert [frame.data for frame in frames_of(facts)] == [one.data for one in sent]
    assert facts.whole_share == 1.0


def test_fast_frames_without_a_switch_of_rate_are_read(tmp_path):
    """CAN FD at one rate throughout."""
    sent = [Sent(0x300, bytes(range(length)), flexible=True, switched=False) for length in (0, 8, 12, 20, 64)]
    facts = captured(tmp_path, sent)
    assert [(frame.flexible, frame.whole, frame.data) for frame in frames_of(facts)] == [
        (True, True, one.data) for one in sent
    ]


def test_a_wrong_check_sequence_of_a_fast_frame_is_found(tmp_path):
    """One bit of the CRC turned."""
    sent = [Sent(0x300, bytes(20), flexible=True, spoil="crc"), *(Sent(0x301, bytes(12), flexible=True),) * 5]
    first, *others = frames_of(captured(tmp_path, sent, Bus(samples_per_second=40e6)))
    assert first.fault is Fault.CRC
    assert all(frame.whole for frame in others)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_noise_alone_gives_no_whole_frame(tmp_path, seed):
    """Whatever pulses noise makes, none of them is called a frame that is whole."""
    noise = np.random.default_rng(seed).choice([2.5, 3.5], size=(2, 400_000)).astype(np.float32)
    facts = read_rows(tmp_path, noise, 10e6)
    assert facts.whole_count == 0


def test_a_clock_that_is_half_a_percent_off_is_followed(tmp_path):
    """ISO 11898-1 clocks agree to 0.5 % (from memory)."""
    off = {one.identifier: Sender(clock=0.005 * (-1) ** one.identifier) for one in COUNTED}
    facts = captured(tmp_path, COUNTED, Bus(samples_per_second=10e6, senders=off))
    assert facts.whole_share == 1.0
    assert facts.can.rate.standard == 500e3


def test_a_rate_of_no_standard_is_said_to_be_none(tmp_path):
    """444 kbit/s is measured, not rounded to a rate that it is not."""
    facts = captured(tmp_path, COUNTED, Bus(bit_rate=444e3, samples_per_second=10e6))
    assert facts.can.rate.standard is None
    assert facts.can.rate.measured == pytest.approx(444e3, rel=2e-3)
    assert facts.whole_share == 1.0
