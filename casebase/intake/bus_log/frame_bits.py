"""How many bits a frame takes on the bus: without stuffing, and exactly, with the stuff bits of its own bits.

Field lengths: ISO 11898-1, as the Linux kernel lists them in include/linux/can/length.h. The intermission of 3 bits
is counted: no other frame can use it. CRC-15: polynomial 0x4599, initial value 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.intake.bus_log.frames import (
    BIT_RATE_SWITCH,
    ERROR,
    ERROR_PASSIVE,
    EXTENDED,
    FD,
    FD_LENGTHS,
    LIN,
    REMOTE,
    FrameBlock,
)
from casebase.record.can import CRC_15

Column = NDArray[Any]
"""One number per frame."""

_CRC_BITS, _CRC_POLYNOMIAL = CRC_15
_BASE_HEADER_BITS: Final = 19
_EXTENDED_HEADER_BITS: Final = 39
_BASE_TO_SWITCH_BITS: Final = 17
_EXTENDED_TO_SWITCH_BITS: Final = 36
_AFTER_SWITCH_BITS: Final = 5
_END_BITS: Final = 13
"""CRC delimiter, acknowledge slot and delimiter, 7 bits end of frame, 3 bits intermission."""
_SHORT_FD_CHECK_BITS: Final = 27
_LONG_FD_CHECK_BITS: Final = 32
"""Stuff count, CRC-17 or CRC-21, fixed stuff bits; without the CRC delimiter."""
_LAST_WITH_SHORT_CHECK: Final = 16
_LIN_HEADER_BITS: Final = 34
_LIN_BYTE_BITS: Final = 10
"""LIN 2.1, nominal: break and delimiter 14 bits, sync field and identifier 10 each; data and checksum 10 a byte."""
_STARTING_STATE: Final = 0
_SAME_BITS: Final = 5
_FD_CODES: Final = np.searchsorted(np.array(FD_LENGTHS), np.arange(65)).astype(np.uint8)


@dataclass(frozen=True, slots=True)
class FrameBits:
    """Bits of each frame of a block: at the nominal rate, and at the faster rate of CAN FD's data phase."""

    nominal: NDArray[np.uint16]
    data_phase: NDArray[np.uint16]
    shortest: NDArray[np.uint16]
    """All bits of the frame at either rate, without its stuff bits."""


def frame_bits(block: FrameBlock) -> FrameBits:
    """Return the bits that each frame takes; none for an error frame, whose length no log tells."""
    found = FrameBits(*(np.zeros(len(block), np.uint16) for _ in range(3)))
    groups = block.kinds & (EXTENDED | FD | ERROR | LIN)
    carried = _carried(block)
    for kind in np.unique(groups):
        if kind & ERROR:
            continue
        of_kind = groups == kind
        for length in np.unique(carried[of_kind]):
            chosen = np.flatnonzero(of_kind & (carried == length))
            if kind & LIN:
                found.nominal[chosen] = found.shortest[chosen] = _LIN_HEADER_BITS + _LIN_BYTE_BITS * (
                    int(length) + 1
                )
                continue
            count = _fd_bits if kind & FD else _classical_bits
            bits = count(block.taken(chosen), bool(kind & EXTENDED), int(length))
            found.nominal[chosen], found.data_phase[chosen], found.shortest[chosen] = bits
    return found


def crc_15(columns: list[Column]) -> NDArray[np.uint16]:
    """Return the CRC-15 of rows of bytes that are given column by column; leading zero bits do not change it."""
    table = _crc_table()
    crc = np.zeros(len(columns[0]), np.uint16)
    for column in columns:
        crc = ((crc << 8) & 0x7FFF) ^ table[((crc >> 7) & 0xFF) ^ column]
    return crc


def classical_columns(block: FrameBlock, extended: bool, length: int) -> list[Column]:
    """Return frames from start of frame to the last data byte, column by column, zero bits in front."""
    remote = block.having(REMOTE).astype(np.uint64)
    code = np.minimum(block.lengths, 15).astype(np.uint64)
    numbers = block.identifiers.astype(np.uint64)
    if extended:
        # SOF, 11 bits, SRR and IDE recessive, 18 bits, RTR, r1, r0, data length code
        header = (_extended_arbitration(numbers) << 7) | (remote << 6) | code
        header_bytes = 5
    else:
        header = (numbers << 7) | (remote << 6) | code
        header_bytes = 3
    return _bytes_of(header, header_bytes) + [block.data[:, place] for place in range(length)]


def _classical_bits(block: FrameBlock, extended: bool, length: int) -> tuple[Column, Column, Column]:
    columns = classical_columns(block, extended, length)
    crc = crc_15(columns)
    padding = 0x80 if extended else 0b1010_1000
    stuffing = _Stuffing(len(block))
    stuffing.read([columns[0] | padding, *columns[1:]])
    stuffing.read([(crc >> 7).astype(np.uint8)])
    stuffing.read([(crc & 0x7F).astype(np.uint8)], bits=7)
    header = _EXTENDED_HEADER_BITS if extended else _BASE_HEADER_BITS
    bare = header + 8 * length + _CRC_BITS + _END_BITS
    none = np.zeros(len(block), np.uint16)
    return stuffing.count + bare, none, none + bare


def _fd_bits(block: FrameBlock, extended: bool, length: int) -> tuple[Column, Column, Column]:
    stuffing = _Stuffing(len(block))
    stuffing.read(_fd_columns_to_switch(block, extended))
    before = stuffing.count.copy()
    stuffing.read([_fd_after_switch(block)], bits=_AFTER_SWITCH_BITS)
    stuffing.read([block.data[:, place] for place in range(length)])
    # A fixed stuff bit follows the data field whatever its last bits are.
    after = stuffing.count - before - stuffing.at_the_end
    check = _SHORT_FD_CHECK_BITS if length <= _LAST_WITH_SHORT_CHECK else _LONG_FD_CHECK_BITS
    to_switch = _EXTENDED_TO_SWITCH_BITS if extended else _BASE_TO_SWITCH_BITS
    slow = before + to_switch + (_END_BITS - 1)
    fast = after + (_AFTER_SWITCH_BITS + 8 * length + check + 1)
    bare = to_switch + _AFTER_SWITCH_BITS + 8 * length + check + _END_BITS
    switches = block.having(BIT_RATE_SWITCH)
    nominal = np.where(switches, slow, slow + fast)
    return nominal, np.where(switches, fast, 0), np.full(len(block), bare, np.uint16)


def _fd_columns_to_switch(block: FrameBlock, extended: bool) -> list[Column]:
    """Return frames of CAN FD from start of frame to the bit rate switch, alternating bits in front."""
    numbers = block.identifiers.astype(np.uint64)
    switches = block.having(BIT_RATE_SWITCH).astype(np.uint64)
    if extended:
        # RRS dominant, FDF recessive, res dominant, BRS
        header = (_extended_arbitration(numbers) << 4) | 0b0100 | switches
        return _bytes_of(header | (0b0101 << 36), 5)
    # RRS, IDE dominant, FDF recessive, res dominant, BRS
    header = (numbers << 5) | 0b00100 | switches
    return _bytes_of(header | (0b101_0101 << 17), 3)


def _fd_after_switch(block: FrameBlock) -> Column:
    passive = block.having(ERROR_PASSIVE).astype(np.uint8)
    return (passive << 4) | _FD_CODES[np.minimum(block.lengths, 64)]


def _extended_arbitration(numbers: Column) -> Column:
    return ((numbers >> 18) << 20) | (0b11 << 18) | (numbers & 0x3FFFF)


def _carried(block: FrameBlock) -> Column:
    """Return how many bytes of data each frame carries."""
    return np.where(block.having(REMOTE), 0, np.minimum(block.lengths, block.data.shape[1])).astype(np.uint8)


def _bytes_of(numbers: Column, count: int) -> list[Column]:
    return [((numbers >> shift) & 0xFF).astype(np.uint8) for shift in range(8 * count - 8, -8, -8)]


class _Stuffing:
    """Counts stuff bits of many frames at once, bits read from the left, column by column."""

    def __init__(self, frames: int) -> None:
        self._state = np.full(frames, _STARTING_STATE, np.uint16)
        self.count = np.zeros(frames, np.uint16)
        self.at_the_end = np.zeros(frames, np.uint16)

    def read(self, columns: list[Column], bits: int = 8) -> None:
        """Read columns of `bits` bits."""
        table = _stuffing_table(bits)
        for column in columns:
            found = table[(self._state << bits) | column]
            self._state = found & 7
            self.count += (found >> 3) & 3
            self.at_the_end = found >> 7


@cache
def _crc_table() -> NDArray[np.uint16]:
    return np.array([_crc_of_byte(byte) for byte in range(256)], np.uint16)


def _crc_of_byte(byte: int) -> int:
    crc = byte << 7
    for _ in range(8):
        crc = (crc << 1) ^ (_CRC_POLYNOMIAL if crc & 0x4000 else 0)
    return crc & 0x7FFF


@cache
def _stuffing_table(bits: int) -> NDArray[np.uint16]:
    """Return, by state and bits read: the next state, the stuff bits (from bit 3), one right at the end (bit 7)."""
    return np.array(
        [_stuffed(state, read, bits) for state in range(8) for read in range(1 << bits)], np.uint16
    )


def _stuffed(state: int, read: int, bits: int) -> int:
    """Go through `bits` bits; a state is the last bit, and how many like it there were less one."""
    last, same = state >> 2, (state & 3) + 1
    stuffed = 0
    at_the_end = False
    for place in range(bits - 1, -1, -1):
        bit = (read >> place) & 1
        same = same + 1 if bit == last else 1
        last = bit
        at_the_end = same == _SAME_BITS
        if at_the_end:
            stuffed, last, same = stuffed + 1, 1 - bit, 1
    return at_the_end << 7 | stuffed << 3 | last << 2 | same - 1
