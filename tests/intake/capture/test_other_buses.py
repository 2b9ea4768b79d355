"""Buses that are not a CAN pair, and captures that show none: named as what they are, or doubted."""

import sys
from pathlib import Path

import numpy as np
import pytest

from casebase.intake.capture.doubts import Kind
from casebase.intake.capture.facts import read_capture
from casebase.intake.capture.samples import Wanted
from casebase.intake.capture.uart_frames import Checksum, checksum_of, protected
from casebase.record.vocabulary import Look, Medium

sys.path.insert(0, str(Path(__file__).parent.parent.parent / "bench"))

from synthetic_captures import Bus, Sent, volts_of

GENERATOR = np.random.default_rng(19)


def read(folder, rows, rate, medium=None):
    """Read rows of volts, all channels at once, with a little noise on them."""
    rows = np.asarray(rows, np.float32)
    np.save(folder / "rows.npy", rows + GENERATOR.normal(0, 0.02, rows.shape).astype(np.float32))
    return read_capture(folder / "rows.npy", medium, Wanted(samples_per_second=rate))


def kinds(facts):
    """Return the kinds of doubt."""
    return {doubt.kind for doubt in facts.doubts}


def at_rate(bits, baud, rate):
    """Return bits as samples."""
    ends = np.cumsum(np.full(len(bits), 1 / baud))
    times = np.arange(0, ends[-1], 1 / rate)
    return np.array(bits)[np.minimum(np.searchsorted(ends, times, side="right"), len(bits) - 1)]


def byte_bits(value):
    """Return a byte as a UART sends it: start bit, lowest bit first, stop bit."""
    return [0, *((value >> place) & 1 for place in range(8)), 1]


def lin_bits(identifier, data):
    """Return a LIN frame as bits (ISO 17987-3): break, delimiter, sync, identifier, data, enhanced checksum."""
    first = protected(identifier)
    body = [0x55, first, *data, checksum_of(bytes(data), first)]
    return [0] * 13 + [1] + [bit for value in body for bit in byte_bits(value)] + [1] * 30


@pytest.mark.slow
@pytest.mark.parametrize("count", range(1, 9))
def test_lin_frames_of_every_length_are_whole(tmp_path, count):
    """One to eight bytes of data: up to ten bytes follow the sync field."""
    bits = [1] * 40 + lin_bits(0x11, list(range(count))) * 2
    facts = read(tmp_path, [np.where(at_rate(bits, 19_200, 1e6), 12.0, 0.6)], 1e6)
    assert facts.medium is Medium.LIN
    assert [(one.data, one.checksum, one.fault) for one in facts.lin.frames] == [
        (bytes(range(count)), Checksum.ENHANCED, "")
    ] * 2


def test_a_byte_too_many_is_a_broken_frame(tmp_path):
    """Eleven bytes after the sync field are more than any frame has."""
    bits = [1] * 40 + lin_bits(0x11, list(range(9)))
    facts = read(tmp_path, [np.where(at_rate(bits, 19_200, 1e6), 12.0, 0.6)], 1e6)
    assert facts.lin.frames[0].fault == "more than ten bytes after the sync field"


def test_a_line_to_the_supply_beside_another_channel_is_lin(tmp_path):
    """Two channels, and one of them alone is a bus: no pair of CAN with swapped lines."""
    bits = [1] * 40 + lin_bits(0x21, [1, 2, 3, 4]) * 3
    line = np.where(at_rate(bits, 19_200, 1e6), 12.0, 0.6)
    facts = read(tmp_path, [np.full(len(line), 0.1), line], 1e6)
    assert facts.medium is Medium.LIN
    assert facts.whole_count == 3
    assert not facts.doubts


def test_k_line_bytes_come_in_messages(tmp_path):
    """A request and its answer at 10,400 bit/s, 30 ms apart, each with its sum (ISO 9141-2, from memory)."""
    request, answer = [0x68, 0x6A, 0xF1, 0x01, 0x00], [0x48, 0x6B, 0x10, 0x41, 0x00, 0xBE, 0x3E]
    bits = [1] * 200
    for message in (request, answer):
        told = [*message, sum(message) & 0xFF]
        bits += [bit for value in told for bit in [*byte_bits(value), *[1] * 15]] + [1] * 300
    line = np.where(at_rate(bits, 10_400, 200e3), 12.2, 0.8)
    for facts in (read(tmp_path, [line], 200e3), read(tmp_path, [line], 200e3, Medium.K_LINE)):
        assert facts.medium is Medium.K_LINE
        assert facts.k_line.standard == 10_400
        assert [list(message.data[:-1]) for message in facts.k_line.messages] == [request, answer]
        assert all(message.sum_fits for message in facts.k_line.messages)


@pytest.mark.parametrize("more_ones", [False, True])
def test_flexray_is_named_and_has_its_levels(tmp_path, more_ones):
    """Idle at 2.5 V, ones 3.0 over 2.0 V, zeros the other way round (NXP TJA1083, table 11); never CAN with errors."""
    data = np.where(np.random.default_rng(7).random(4000) < 0.47, -1, 1) * (1 if more_ones else -1)
    bits = np.concatenate([np.zeros(200), data, np.zeros(300)])
    sign = at_rate(bits, 10e6, 100e6)
    rows = [2.5 + 0.5 * sign, 2.5 - 0.5 * sign]
    for medium in (None, Medium.FLEXRAY):
        facts = read(tmp_path, rows, 100e6, medium)
        assert facts.medium is Medium.FLEXRAY
        plus, minus = facts.levels.lines
        assert (plus.recessive, minus.recessive) == (
            pytest.approx(2.5, abs=0.05),
            pytest.approx(2.5, abs=0.05),
        )
        assert (plus.dominant, minus.dominant) == (pytest.approx(3.0, abs=0.05), pytest.approx(2.0, abs=0.05))
        assert facts.can is None
        assert not kinds(facts) & {Kind.SWAPPED, Kind.ONE_LINE_MISSING}


def test_ac_coupling_is_doubted_and_frames_hold(tmp_path):
    """Each line swings about 0 V: no word of a small signal, and no level goes into a record."""
    frames = [Sent(0x100 + place % 5, bytes([place, 3])) for place in range(30)]
    volts, _ = volts_of(frames, [3] * 30, Bus(samples_per_second=10e6), np.random.default_rng(3))
    facts = read(tmp_path, volts - volts.mean(axis=1, keepdims=True), 10e6)
    assert Kind.COUPLING in kinds(facts)
    assert Look.TOO_SMALL not in facts.looks
    assert facts.whole_share == 1.0


@pytest.mark.slow
def test_a_capture_without_any_can_is_doubted(tmp_path):
    """Two channels of something else that switches: no frame is told, and that is said."""
    clock = np.where(np.arange(60_000) // 137 % 2, 3.4, 2.5)
    other = np.where(np.arange(60_000) // 137 % 2, 1.6, 2.5)
    facts = read(tmp_path, [clock, other], 10e6)
    assert facts.whole_count == 0
    assert kinds(facts) & {Kind.NO_BIT_RATE, Kind.NO_WHOLE_FRAME}


FD_RATES = [(500e3, 2e6), (1e6, 2e6), (500e3, 5e6), (250e3, 1e6), (1e6, 8e6)]


@pytest.mark.slow
@pytest.mark.parametrize(("bit_rate", "data_rate"), FD_RATES)
@pytest.mark.parametrize("count", [1, 2])
def test_one_or_two_frames_of_can_fd_tell_both_bit_rates(tmp_path, bit_rate, data_rate, count):
    """Check sequences decide where so few edges leave the rates to chance (CRC-17 and CRC-21 of ISO 11898-1)."""
    sent = [
        Sent(0x1A5 + place, bytes(range(16 + 8 * place)), flexible=True, switched=True)
        for place in range(count)
    ]
    rate = max(40e6, 10 * data_rate)
    bus = Bus(bit_rate=bit_rate, data_rate=data_rate, samples_per_second=rate)
    volts, _ = volts_of(sent, [30] * count, bus, np.random.default_rng(2))
    facts = read(tmp_path, volts, rate)
    assert (facts.can.rate.standard, facts.can.data_rate.standard) == (bit_rate, data_rate)
    assert [frame.data for frame in facts.can.frames.frames(1.0)] == [one.data for one in sent]
    assert facts.whole_count == count


@pytest.mark.slow
def test_logic_levels_of_lin_are_told_as_lin(tmp_path):
    """A logic analyser's channel tells no volts; break and sync field tell the bus."""
    bits = [1] * 40 + lin_bits(0x23, [0x11, 0x22]) * 3
    np.save(tmp_path / "rows.npy", at_rate(bits, 19_200, 1e6)[None, :].astype(np.float32))
    facts = read_capture(tmp_path / "rows.npy", None, Wanted(samples_per_second=1e6))
    assert facts.medium is Medium.LIN
    assert [(one.identifier, one.data, one.fault) for one in facts.lin.frames] == [
        (0x23, b"\x11\x22", "")
    ] * 3
    assert kinds(facts) == {Kind.LOGIC}


@pytest.mark.slow
@pytest.mark.parametrize("logic", [True, False], ids=["logic", "one line"])
def test_a_frame_that_is_mostly_dominant_tells_which_level_is_rest(tmp_path, logic):
    """A short capture of one frame of zeros is low for longer than it is high; its check sequence says what is rest."""
    bus = Bus(samples_per_second=10e6)
    volts, _ = volts_of([Sent(0x000, bytes(8))], [3], bus, np.random.default_rng(1))
    low = np.where(volts[0] - volts[1] > 0.9, 0.0, 1.0) if logic else volts[1]
    low = low[: int(np.flatnonzero(volts[0] - volts[1] > 0.9)[-1]) + 200]
    assert np.mean(low < (low.min() + low.max()) / 2) > 0.5
    np.save(tmp_path / "rows.npy", low[None, :].astype(np.float32))
    facts = read_capture(tmp_path / "rows.npy", None, Wanted(samples_per_second=10e6))
    assert facts.whole_count == 1


def test_two_lines_that_move_as_one_are_doubted(tmp_path):
    """One square wave at both probes is no bus, though each line swings by 2.5 V."""
    wave = np.where(np.arange(20_000) % 400 < 200, 2.5, 0.0)
    facts = read(tmp_path, [wave, wave], 1e6)
    assert kinds(facts) == {Kind.TOGETHER}
