"""What defines a CAN frame here: the spelling of its identifier and the polynomials of its check sequences."""

from __future__ import annotations

import re
from typing import Final

from casebase.errors import InputError

_WRITTEN: Final = re.compile(r"(?:0[xX])?([0-9A-Fa-f]{1,8})")
_HIGHEST_BASE, _HIGHEST_EXTENDED = 0x7FF, 0x1FFF_FFFF
_MOST_BASE_DIGITS: Final = 3


def can_identifier(written: object) -> str:
    """Return an identifier in one spelling: `1A0`, `18FEF100`; more than three digits mean 29 bits (ISO 11898-1).

    Raises InputError where it is none. A bare number is refused: nobody can tell whether 100 was meant in hex.

    >>> can_identifier("0x1a0")
    '1A0'
    """
    if not isinstance(written, str):
        raise InputError("is a bare number: expected hex in quotes, such as '1A0' or '18FEF100'")
    found = _WRITTEN.fullmatch(written.strip())
    if not found:
        raise InputError("is no identifier: expected hex, such as 1A0 or 18FEF100")
    extended = len(found[1]) > _MOST_BASE_DIGITS
    number = int(found[1], 16)
    if number > (_HIGHEST_EXTENDED if extended else _HIGHEST_BASE):
        raise InputError(f"has more than {29 if extended else 11} bits: expected at most 7FF, or 1FFFFFFF")
    return f"{number:08X}" if extended else f"{number:03X}"


CRC_15: Final = (15, 0x4599)
"""Width in bits and polynomial without its highest term; begun with zeros.

CAN 2.0 specification, part A, 3.1.1: x15+x14+x10+x8+x7+x4+x3+1.
"""

CRC_17: Final = (17, 0x1685B & 0x1FFFF)
"""Of CAN FD frames of up to 16 data bytes (ISO 11898-1), as `CRC_15`."""

CRC_21: Final = (21, 0x102899 & 0x1FFFFF)
"""Of CAN FD frames of more than 16 data bytes (ISO 11898-1), as `CRC_15`."""
