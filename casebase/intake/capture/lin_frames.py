"""LIN frames (ISO 17987-3): break, sync field, protected identifier, data and checksum, each byte as a UART sends it.

What the fields are is from memory of the LIN 2.1 specification; the sync field (0x55) tells the bit rate of each frame.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.intake.capture.pulses import Pulses, levels_at

LEAST_BREAK_BITS: Final = 10.0
"""A dominant pulse so long is a break: a byte of zeros is dominant for nine bits (UART frame), a sender gives 13."""

STANDARD_BAUD: Final = (2400.0, 4800.0, 9600.0, 10_417.0, 19_200.0, 20_000.0)
"""Rates in use (LIN 2.1 recommends 2400, 9600 and 19200, J2602 10417; from memory)."""

_SNAP: Final = 0.02
"""A rate within 2 % is taken for the standard one; a LIN module without a crystal is allowed 1.5 % (from memory)."""
_MOST_BYTES: Final = 10
"""After the sync field: the protected identifier, up to eight of data, the checksum (ISO 17987-3)."""


class Checksum(Enum):
    """Which checksum fits: over the data alone, or with the protected identifier."""

    CLASSIC = "classic"
    ENHANCED = "enhanced"
    BOTH_FIT = "either"
    WRONG = "does not fit"
    NONE = "no response"


@dataclass(frozen=True)
class LinFrame:
    """One LIN frame; `fault` is empty in a whole one. `parity_right`: the identifier's two parity bits."""

    starts_seconds: float
    ends_seconds: float
    baud: float
    break_bits: float
    identifier: int
    parity_right: bool
    data: bytes
    checksum: Checksum
    fault: str = ""

    @property
    def whole(self) -> bool:
        """Whether nothing is wrong with it."""
        return not self.fault


@dataclass(frozen=True)
class LinTraffic:
    """Every LIN frame, and the rate in bits per second; `standard` where a usual one fits."""

    frames: tuple[LinFrame, ...]
    measured: float
    standard: float | None


def lin_traffic(pulses: Pulses, seconds_per_sample: float) -> LinTraffic | None:
    """Return the LIN frames among the pulses; None where there is no break with a sync field after it."""
    heads = _heads(pulses)
    if not len(heads):
        return None
    frames = tuple(_frames(pulses, heads, seconds_per_sample))
    measured = float(np.median([frame.baud for frame in frames]))
    nearest = min(STANDARD_BAUD, key=lambda rate: abs(measured / rate - 1.0))
    return LinTraffic(frames, measured, nearest if abs(measured / nearest - 1.0) <= _SNAP else None)


def protected(identifier: int) -> int:
    """Return an identifier (0 to 63) with its two parity bits.

    >>> hex(protected(0x3C)), hex(protected(0x01))
    ('0x3c', '0xc1')
    """
    bits = [(identifier >> place) & 1 for place in range(6)]
    even = bits[0] ^ bits[1] ^ bits[2] ^ bits[4]
    odd = 1 - (bits[1] ^ bits[3] ^ bits[4] ^ bits[5])
    return identifier | even << 6 | odd << 7


def checksum_of(data: bytes, start: int = 0) -> int:
    """Return the inverted sum with carries of the data; `start`: the protected identifier for the enhanced one.

    >>> hex(checksum_of(bytes([0x55, 0x93, 0xE5]), 0x4A))
    '0xe6'
    """
    total = start
    for byte in data:
        total += byte
        if total > 255:
            total -= 255
    return 255 - total


def _heads(pulses: Pulses) -> NDArray[np.intp]:
    """Return the pulses that are a break: long, and followed by the five even pulses of a sync field."""
    begins, lengths = pulses.begins, pulses.ends - pulses.begins
    if len(begins) < 6:
        return np.empty(0, dtype=np.intp)
    spacing = np.diff(begins)
    # Four spacings of two bits each after the break.
    sync = np.stack([spacing[place : len(spacing) - 4 + place] for place in range(1, 5)])
    two_bits = sync.mean(axis=0)
    even = (np.abs(sync - two_bits) < 0.12 * two_bits).all(axis=0)
    long = lengths[: len(two_bits)] >= LEAST_BREAK_BITS * two_bits / 2
    return np.flatnonzero(even & long)


def _frames(pulses: Pulses, heads: NDArray[np.intp], seconds_per_sample: float) -> Iterator[LinFrame]:
    limits = np.append(pulses.begins[heads[1:]], float(pulses.followed))
    for head, limit in zip(heads.tolist(), limits.tolist(), strict=True):
        first = pulses.begins[head + 1]
        bit = float((pulses.begins[head + 5] - first) / 8)
        whole_bytes, end, torn = _bytes_after(pulses, head + 5, first + 9.5 * bit, bit, limit)
        yield _frame(pulses, head, bit, whole_bytes, (end, torn), seconds_per_sample)


def _bytes_after(
    pulses: Pulses, pulse: int, after: float, bit: float, limit: float
) -> tuple[list[int], float, str]:
    """Return the bytes that begin after a sample and before the limit, where they end, and what is wrong with them."""
    found: list[int] = []
    end = after
    while len(found) <= _MOST_BYTES:
        at = int(np.searchsorted(pulses.begins, end - 0.3 * bit))
        if at >= len(pulses.begins) or pulses.begins[at] >= limit - 0.5 * bit:
            return found, end, ""
        start = float(pulses.begins[at])
        if start + 9.5 * bit > pulses.followed:
            return found, float(pulses.followed), "cut off at the end of the capture"
        levels = levels_at(pulses, start + (np.arange(10, dtype=np.float64) + 0.5) * bit)
        if levels[9] == 0:
            return found, start + 10 * bit, f"no stop bit after byte {len(found)}"
        found.append(int(np.dot(levels[1:9], 1 << np.arange(8))))
        end = start + 9.6 * bit
    return found, end, "more than ten bytes after the sync field"


def _frame(  # noqa: PLR0913, PLR0917  what a frame is made of
    pulses: Pulses, head: int, bit: float, found: list[int], end: tuple[float, str], seconds_per_sample: float
) -> LinFrame:
    raw = found[0] if found else -1
    identifier = raw & 0x3F if found else -1
    parity_right = bool(found) and protected(identifier) == raw
    data, checksum = _checked(raw, found[1:])
    last, torn = end
    return LinFrame(
        starts_seconds=float(pulses.begins[head]) * seconds_per_sample,
        ends_seconds=last * seconds_per_sample,
        baud=1.0 / (bit * seconds_per_sample),
        break_bits=float(pulses.ends[head] - pulses.begins[head]) / bit,
        identifier=identifier,
        parity_right=parity_right,
        data=data,
        checksum=checksum,
        fault=torn or _fault(bool(found), parity_right, checksum),
    )


def _checked(protected_identifier: int, response: list[int]) -> tuple[bytes, Checksum]:
    """Return the data of a response and which checksum fits it."""
    if len(response) < 2:
        return bytes(response), Checksum.WRONG if response else Checksum.NONE
    data, told = bytes(response[:-1]), response[-1]
    classic = checksum_of(data) == told
    enhanced = checksum_of(data, protected_identifier) == told
    if classic and enhanced:
        return data, Checksum.BOTH_FIT
    if classic or enhanced:
        return data, Checksum.CLASSIC if classic else Checksum.ENHANCED
    return data, Checksum.WRONG


def _fault(identified: bool, parity_right: bool, checksum: Checksum) -> str:
    if not identified:
        return "no identifier after the sync field"
    if not parity_right:
        return "parity of the identifier does not fit"
    if checksum is Checksum.NONE:
        return "nobody responded"
    return "checksum does not fit" if checksum is Checksum.WRONG else ""
