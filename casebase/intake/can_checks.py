"""The check sequences of CAN frames: width in bits and polynomial, the highest term left out.

ISO 11898-1; CRC-15 as in the CAN 2.0 specification, part A, 3.1.1: x15+x14+x10+x8+x7+x4+x3+1, begun with zeros.
CRC-17 and CRC-21 are those of CAN FD frames of up to 16 and of more data bytes; tests hold all three against crccheck.
"""

from __future__ import annotations

from typing import Final

CRC_15: Final = (15, 0x4599)
CRC_17: Final = (17, 0x1685B & 0x1FFFF)
CRC_21: Final = (21, 0x102899 & 0x1FFFFF)
