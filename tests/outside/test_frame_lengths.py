"""Lengths of CAN frames and CRC-15 against published vectors, crccheck and the kernel's list of field lengths."""

import can
import numpy as np
import pytest
from crccheck.crc import Crc15Can

from casebase.intake.bus_log.frame_bits import classical_columns, crc_15, frame_bits
from casebase.intake.bus_log.frames import FD_LENGTHS, Channels, block_of

# Worked vectors on which can-utils' canframelen.c and canhack's canframe.py agree: CRC-15, bits with intermission.
VECTORS = [
    (0x123, False, "", 0x6858, 48),
    (0x123, False, "112233", 0x65ED, None),
    (0x123, False, "1122334455667788", 0x4237, 112),
    (0x000, False, "0000000000000000", 0x145B, 127),
    (0x7FF, False, "FFFFFFFFFFFFFFFF", 0x4C89, 126),
    (0x555, False, "AA55", 0x33CE, 64),
    (0x014, False, "01", 0x7753, 58),
    (0x7DF, False, "0201000000000000", 0x1A00, 126),
    (0x18FEF100, True, "FFFFFFFFFFFFFFFF", 0x177A, 146),
    (0x18FEF100, True, "0102030405060708", 0x1111, None),
]


def block(identifier, extended, data, **more):
    """Return a block of one frame."""
    message = can.Message(arbitration_id=identifier, is_extended_id=extended, data=data, **more)
    return block_of([message], Channels())


@pytest.mark.parametrize(("identifier", "extended", "data", "crc", "bits"), VECTORS)
def test_worked_frames_have_the_published_crc_and_length(identifier, extended, data, crc, bits):
    """can-utils canframelen.c (exact mode, with 3 bits of intermission)."""
    one = block(identifier, extended, bytes.fromhex(data))
    assert crc_15(classical_columns(one, extended, len(data) // 2))[0] == crc
    if bits is not None:
        assert frame_bits(one).nominal[0] == bits


def test_crc_15_of_rows_of_bytes_is_that_of_crccheck():
    """Crc15Can of the package crccheck; check value 0x059E for the digits 1 to 9."""
    digits = [np.array([byte], np.uint8) for byte in b"123456789"]
    assert crc_15(digits)[0] == 0x059E == Crc15Can.calc(b"123456789")
    rows = np.random.default_rng(3).integers(0, 256, (200, 12), np.uint8)
    found = crc_15([rows[:, place] for place in range(12)])
    assert found.tolist() == [Crc15Can.calc(bytes(row.tolist())) for row in rows]


@pytest.mark.parametrize("length", range(9))
@pytest.mark.parametrize(("extended", "bare", "worst"), [(False, 47, 55), (True, 67, 80)])
def test_lengths_lie_between_no_stuffing_and_the_worst_case(length, extended, bare, worst):
    """47 + 8n and 67 + 8n bits without stuffing, 55 + 10n and 80 + 10n at worst (can-utils canframelen.h)."""
    chance = np.random.default_rng(length)
    for fill in (b"\x00", b"\xff", b"\x0f", chance.bytes(1)):
        found = frame_bits(block(0, extended, fill * length))
        assert found.shortest[0] == bare + 8 * length
        assert bare + 8 * length <= found.nominal[0] <= worst + 10 * length


@pytest.mark.parametrize("length", FD_LENGTHS)
@pytest.mark.parametrize(("extended", "header"), [(False, 22), (True, 41)])
def test_lengths_of_can_fd_frames_without_dynamic_stuff_bits(length, extended, header):
    """Linux kernel, include/linux/can/length.h: header 22 or 41, CRC field 28 up to 16 bytes, else 33; 9 + 3 to end."""
    crc_field = 28 if length <= 16 else 33
    found = frame_bits(block(0x155, extended, b"\x55" * length, is_fd=True))
    assert found.shortest[0] == header + 8 * length + crc_field + 9 + 3
