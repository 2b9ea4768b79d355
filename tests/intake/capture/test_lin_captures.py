"""LIN captures: baud rate from the sync field, parity, checksums, what is wrong with a broken frame."""

import numpy as np
import pytest

from casebase.intake.capture.facts import read_capture
from casebase.intake.capture.samples import Wanted
from casebase.intake.capture.uart_frames import Checksum, checksum_of, protected
from casebase.record.vocabulary import Medium

RATE = 1e6


def byte_bits(value):
    """Return a byte as a UART sends it: start bit, lowest bit first, stop bit."""
    return [0, *((value >> place) & 1 for place in range(8)), 1]


def frame_bits(identifier, data, enhanced=True, spoil=0):
    """Return a LIN frame as bits: break of 13, delimiter, sync, protected identifier, data, checksum."""
    first = protected(identifier)
    check = checksum_of(bytes(data), first if enhanced else 0) ^ spoil
    body = [0x55, first, *data, check] if data else [0x55, first]
    return [0] * 13 + [1, 1] + [bit for value in body for bit in [*byte_bits(value), 1]] + [1] * 30


def captured(folder, bits, baud=19_200.0):
    """Put bits on a line of 12.5 V, with slow edges and noise, and read the capture."""
    ends = np.cumsum(np.full(len(bits) + 20, 1 / baud))
    times = np.arange(0, ends[-1], 1 / RATE)
    levels = np.array([1] * 20 + bits)[np.minimum(np.searchsorted(ends, times), len(bits) + 19)]
    volts = np.where(levels == 1, 12.5, 0.7)
    kernel = np.ones(5) / 5
    seen = np.convolve(np.pad(volts, 2, mode="edge"), kernel, mode="valid")
    noise = np.random.default_rng(8).normal(0, 0.05, len(seen))
    path = folder / "lin.npy"
    np.save(path, (seen + noise).astype(np.float32))
    return read_capture(path, Medium.LIN, Wanted(samples_per_second=RATE))


@pytest.mark.parametrize("baud", [2400.0, 9600.0, 10_417.0, 19_200.0])
def test_the_sync_field_tells_the_rate(tmp_path, baud):
    """Standard rates are named."""
    facts = captured(tmp_path, frame_bits(0x12, [1, 2, 3]), baud)
    assert facts.lin.standard == baud
    assert facts.whole_count == 1


def test_frames_carry_identifier_data_and_checksum(tmp_path):
    """One with the enhanced checksum, one with the classic one; levels are those of the line."""
    bits = [*frame_bits(0x21, [0x10, 0x20, 0x30, 0x40]), *frame_bits(0x3C, [0x02] * 8, enhanced=False)]
    facts = captured(tmp_path, bits)
    found = [(frame.identifier, frame.data, frame.checksum) for frame in facts.lin.frames]
    assert found == [
        (0x21, b"\x10\x20\x30\x40", Checksum.ENHANCED),
        (0x3C, b"\x02" * 8, Checksum.CLASSIC),
    ]
    assert facts.levels.lines[0].recessive == pytest.approx(12.5, abs=0.05)
    assert facts.levels.lines[0].dominant == pytest.approx(0.7, abs=0.05)


def test_what_is_wrong_with_a_frame_is_said(tmp_path):
    """A checksum that does not fit, and a header that nobody answers."""
    facts = captured(tmp_path, [*frame_bits(0x05, [9, 8], spoil=0x40), *frame_bits(0x06, [])])
    assert [frame.fault for frame in facts.lin.frames] == ["checksum does not fit", "nobody responded"]
