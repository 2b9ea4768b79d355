"""Frames of captures against other programs and published vectors.

CRC-15 by crccheck's `Crc15Can` (its check value 0x059E is also that of the table in Linux can-utils); frames by
canframe.py (MIT) and can-utils' canframelen.c, whose totals stand below; fields by sigrok-cli's `can` decoder, called
as a program on the same samples (it checks neither CRC nor stuffing, so fields only).
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Final

import numpy as np
import pytest
from crccheck.crc import Crc15Can, Crc17CanFd, Crc21CanFd

from casebase.intake.capture.bits import crc_of
from casebase.intake.capture.can_frames import Fault
from casebase.intake.capture.facts import read_capture
from casebase.intake.capture.samples import Wanted
from casebase.intake.capture.uart_frames import checksum_of, protected
from casebase.record.can import CRC_15, CRC_17, CRC_21

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "bench"))

from needed_programs import needs
from synthetic_captures import Bus, Sent, volts_of

pytestmark = pytest.mark.slow

SIGROK: Final = shutil.which("sigrok-cli")

VECTORS: Final = [
    # identifier, extended, data, CRC-15, stuff bits, bits with three of intermission:
    # canframe.py and canframelen.c agree on each
    (0x123, False, "", 0x6858, 1, 48),
    (0x123, False, "1122334455667788", 0x4237, 1, 112),
    (0x000, False, "0000000000000000", 0x145B, 16, 127),
    (0x7FF, False, "FFFFFFFFFFFFFFFF", 0x4C89, 15, 126),
    (0x555, False, "AA55", 0x33CE, 1, 64),
    (0x014, False, "01", 0x7753, 3, 58),
    (0x7DF, False, "0201000000000000", 0x1A00, 15, 126),
    (0x18FEF100, True, "FFFFFFFFFFFFFFFF", 0x177A, 15, 146),
]
BIT_BY_BIT: Final = "000001001010000010001000001001111011101010011"
"""Identifier 0x014 with the data 01, start of frame to the end of the CRC sequence, stuffed: canframe.py."""


def capture_of_bits(folder: Path, bits: list[int], samples_per_bit: int = 10):
    """Put bits on two ideal lines at 500 kbit/s and read them."""
    driven = np.repeat(1 - np.array([1] * 14 + bits + [1] * 14), samples_per_bit)
    path = folder / "bits.npy"
    np.save(path, np.stack([2.5 + driven, 2.5 - driven]).astype(np.float32))
    return read_capture(path, None, Wanted(samples_per_second=500e3 * samples_per_bit))


def stuffed_bits(identifier: int, extended: bool, data: bytes, check: int) -> list[int]:
    """Return a frame's bits with the published check sequence, not with one of our own."""
    if extended:
        text = f"0{identifier >> 18:011b}11{identifier & 0x3FFFF:018b}000{len(data):04b}"
    else:
        text = f"0{identifier:011b}000{len(data):04b}"
    text += "".join(f"{byte:08b}" for byte in data) + f"{check:015b}"
    return stuffed(text)


def stuffed(text: str) -> list[int]:
    """Return bits with a complement after every five alike."""
    out = ""
    for bit in text:
        out += bit
        if out.endswith(bit * 5):
            out += "10"[int(bit)]
    return [int(bit) for bit in out]


@pytest.mark.parametrize(("identifier", "extended", "data", "check", "stuff_bits", "total"), VECTORS)
def test_published_vectors_are_read_whole(tmp_path, identifier, extended, data, check, stuff_bits, total):  # noqa: PLR0913, PLR0917
    """Each frame of the two programs comes back with its fields, its check sequence right, in as many bits."""
    payload = bytes.fromhex(data)
    bits = stuffed_bits(identifier, extended, payload, check)
    assert len(bits) + 13 == total
    assert len(bits) == (39 + 20 * extended - 5 + 8 * len(payload)) + stuff_bits
    facts = capture_of_bits(tmp_path, [*bits, 1, 0, 1, *[1] * 7])
    (frame,) = facts.can.frames.frames(facts.seconds / facts.samples)
    assert (frame.identifier, frame.extended, frame.data) == (identifier, extended, payload)
    assert frame.whole


def test_the_frame_told_bit_by_bit_is_read_and_any_turned_bit_found(tmp_path):
    """Turn any bit of the worked frame: it is never called whole again."""
    bits = [int(bit) for bit in BIT_BY_BIT]
    tail = [1, 0, 1, *[1] * 7]
    facts = capture_of_bits(tmp_path, [*bits, *tail])
    assert facts.can.frames.frame(0, 1.0).words() == "014 01"
    together = []
    for place in range(1, len(bits)):
        together += [*bits[:place], 1 - bits[place], *bits[place + 1 :], *tail, *[1] * 14]
    facts = capture_of_bits(tmp_path, [*bits, *tail, *[1] * 14, *together])
    assert facts.whole_count == 1


@pytest.mark.parametrize(
    ("kind", "reference"),
    [(CRC_15, Crc15Can), (CRC_17, Crc17CanFd), (CRC_21, Crc21CanFd)],
    ids=["15", "17", "21"],
)
def test_check_sequences_are_those_of_crccheck(kind, reference):
    """Random bytes of every length, all columns at once, by crccheck 1.3's CAN classes."""
    generator = np.random.default_rng(12)
    texts = [b"123456789", *(generator.bytes(length) for length in range(1, 40))]
    longest = max(len(text) for text in texts) * 8
    bits = np.zeros((longest, len(texts)), dtype=np.uint8)
    for column, text in enumerate(texts):
        bits[: len(text) * 8, column] = np.unpackbits(np.frombuffer(text, np.uint8))
    found = crc_of(bits, np.array([len(text) * 8 for text in texts]), kind)
    assert found.tolist() == [reference.calc(text) for text in texts]


@needs("sigrok-cli")
def test_fields_are_those_that_sigrok_reads(tmp_path):
    """Random frames, standard and extended, on the same samples."""
    generator = np.random.default_rng(13)
    frames = [
        Sent(
            int(generator.integers(0, 1 << (29 if extended else 11))),
            generator.bytes(int(generator.integers(0, 9))),
            extended=extended,
        )
        for extended in generator.random(60) < 0.4
    ]
    bus = Bus(samples_per_second=10e6)
    volts, _ = volts_of(frames, generator.integers(5, 40, 60).tolist(), bus, generator)
    path, logic = tmp_path / "pair.npy", tmp_path / "pair.bin"
    np.save(path, volts)
    (volts[0] - volts[1] < 0.9).astype(np.uint8).tofile(logic)
    facts = read_capture(path, None, Wanted(samples_per_second=10e6))
    ours = [(frame.identifier, frame.data) for frame in facts.can.frames.frames(1e-7)]
    assert ours == sigrok_frames(logic)


def sigrok_frames(
    logic: Path, rate: int = 10_000_000, rates: str = "nominal_bitrate=500000"
) -> list[tuple[int, bytes]]:
    """Return identifier and data of each frame as sigrok-cli tells them."""
    command = [
        *(str(SIGROK), "-i", str(logic), "-I", f"binary:numchannels=1:samplerate={rate}"),
        *("-P", f"can:can_rx=0:{rates}", "-A", "can=sof:full-id:id:ext-id:data"),
    ]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    found: list[tuple[int, bytes]] = []
    for line in told.splitlines():
        name, _, value = line.partition(": ")[2].partition(": ")
        if name == "Start of frame" or line.endswith("Start of frame"):
            found.append((-1, b""))
        elif name in ("Identifier", "Full Identifier"):
            found[-1] = (int(value.split("0x")[1].rstrip(")"), 16), found[-1][1])
        elif name.startswith("Data byte"):
            found[-1] = (found[-1][0], found[-1][1] + bytes([int(value, 16)]))
    return found


@needs("sigrok-cli")
@pytest.mark.parametrize(("bit_rate", "data_rate"), [(500_000, 2_000_000), (1_000_000, 2_000_000)])
def test_fields_of_can_fd_are_those_that_sigrok_reads(tmp_path, bit_rate, data_rate):
    """Frames with the faster data phase, of every length: as sigrok-cli reads them when both rates are told it."""
    generator = np.random.default_rng(15)
    lengths = [*range(9), 12, 16, 20, 24, 32, 48, 64]
    frames = [
        Sent(0x100 + length, generator.bytes(length), flexible=True, switched=True) for length in lengths
    ]
    bus = Bus(bit_rate=bit_rate, data_rate=data_rate, samples_per_second=40e6)
    volts, _ = volts_of(frames, [30] * len(frames), bus, generator)
    path, logic = tmp_path / "pair.npy", tmp_path / "pair.bin"
    np.save(path, volts)
    (volts[0] - volts[1] < 0.9).astype(np.uint8).tofile(logic)
    facts = read_capture(path, None, Wanted(samples_per_second=40e6))
    ours = [(frame.identifier, frame.data) for frame in facts.can.frames.frames(1.0)]
    there = sigrok_frames(logic, 40_000_000, f"nominal_bitrate={bit_rate}:fast_bitrate={data_rate}")
    assert ours == [(one.identifier, one.data) for one in frames]
    assert facts.whole_count == len(frames)
    assert there == ours


@needs("sigrok-cli")
def test_lin_frames_are_those_that_sigrok_reads(tmp_path):
    """Identifiers and data of one to eight bytes, classic and enhanced checksum, at 19,200 bit/s."""
    generator = np.random.default_rng(16)
    sent = [(place, generator.bytes(1 + place % 8)) for place in range(24)]
    bits = [1] * 40
    for identifier, data in sent:
        first = protected(identifier)
        body = [0x55, first, *data, checksum_of(data, first if identifier % 2 else 0)]
        uart = [bit for value in body for bit in (0, *((value >> place) & 1 for place in range(8)), 1)]
        bits += [0] * 14 + [1] + uart + [1] * 40
    ends = np.cumsum(np.full(len(bits), 1 / 19_200))
    levels = np.array(bits)[
        np.searchsorted(ends, np.arange(0, ends[-1], 1e-6), side="right").clip(0, len(bits) - 1)
    ]
    np.save(tmp_path / "lin.npy", np.where(levels, 12.0, 0.6).astype(np.float32))
    levels.astype(np.uint8).tofile(tmp_path / "lin.bin")
    facts = read_capture(tmp_path / "lin.npy", None, Wanted(samples_per_second=1e6))
    assert [(frame.identifier, frame.data) for frame in facts.lin.frames] == sent
    assert facts.whole_count == len(sent)
    command = [
        *(str(SIGROK), "-i", str(tmp_path / "lin.bin"), "-I", "binary:numchannels=1:samplerate=1000000"),
        *("-P", "uart:rx=0:baudrate=19200,lin", "-A", "lin"),
    ]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    there: list[tuple[int, bytes]] = []
    for what, value in re.findall(r"(ID|Data): (?:0x)?([0-9A-Fa-f]{2})", told):
        if what == "ID":
            there.append((int(value, 16), b""))
        else:
            there[-1] = (there[-1][0], there[-1][1] + bytes([int(value, 16)]))
    assert there == sent


def test_a_bus_of_turned_bits_has_no_false_frame(tmp_path):
    """Three hundred frames, each with one bit of its stuffed part turned: none is called whole."""
    generator = np.random.default_rng(14)
    every = []
    for number in range(300):
        data = generator.bytes(int(generator.integers(0, 9)))
        identifier = int(generator.integers(0, 0x7F0))
        text = f"0{identifier:011b}000{len(data):04b}" + "".join(f"{byte:08b}" for byte in data)
        check = crc_15(text)
        bits = stuffed(text + f"{check:015b}")
        place = 1 + number % (len(bits) - 1)
        bits[place] = 1 - bits[place]
        every += [*bits, 1, 0, 1, *[1] * 7, *[1] * 12]
    facts = capture_of_bits(tmp_path, every)
    assert facts.whole_count == 0
    assert set(facts.fault_counts()) <= {
        Fault.STUFF,
        Fault.CRC,
        Fault.FORM,
        Fault.NOT_ACKNOWLEDGED,
        Fault.CUT_OFF,
    }


def crc_15(text: str) -> int:
    """Return the CRC-15 of bits as the CAN 2.0 specification, part A, 3.1.1, computes it bit by bit."""
    state = 0
    for bit in text:
        turn = int(bit) ^ (state >> 14)
        state = (state << 1) & 0x7FFF
        state ^= 0x4599 if turn else 0
    return state
