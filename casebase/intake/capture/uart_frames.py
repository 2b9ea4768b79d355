"""Bytes as a UART sends them, grouped into messages: LIN (ISO 17987-3) and K-line (ISO 9141-2, ISO 14230-1).

LIN: break, sync field, protected identifier, data and checksum, from memory of the LIN 2.1 specification; the sync
field (0x55) tells the bit rate of each frame. K-line: rates and times from memory of both standards: 10,400 bit/s,
bytes of a message at most 20 ms apart, messages 25 ms.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.intake.capture.pulses import Pulses, Times, levels_at

LEAST_BREAK_BITS: Final = 10.0
"""A dominant pulse so long is a break: a byte of zeros is dominant for nine bits (UART frame), a sender gives 13."""

LIN_BAUD: Final = (2400.0, 4800.0, 9600.0, 10_417.0, 19_200.0, 20_000.0)
"""Rates in use (LIN 2.1 recommends 2400, 9600 and 19200, J2602 10417; from memory)."""

_SNAP: Final = 0.02
"""A rate within 2 % is taken for the standard one; a LIN module without a crystal is allowed 1.5 % (from memory)."""
_MOST_LIN_BYTES: Final = 10
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
    nearest = min(LIN_BAUD, key=lambda rate: abs(measured / rate - 1.0))
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
    while len(found) <= _MOST_LIN_BYTES:
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


K_LINE_BAUD: Final = (10_400.0, 9_600.0, 4_800.0, 19_200.0, 38_400.0)
"""10,400 of ISO 9141-2 and ISO 14230-1; the others common practice, no source."""

_APART_SECONDS: Final = 0.0225
"""A longer pause parts two messages: between 20 ms (bytes of one) and 25 ms (an answer)."""
_LONGEST_BITS: Final = 9.6
"""A start bit and eight zeros are dominant for nine bits; what lasts longer wakes the bus, and is no byte."""
_FEWEST_BYTES: Final = 3
_MOST_BROKEN: Final = 0.2
_MOST_K_LINE_BYTES: Final = 200_000


@dataclass(frozen=True)
class KLineMessage:
    """Bytes without a long pause between; `broken`: bytes that had no stop bit."""

    starts_seconds: float
    data: bytes
    broken: int

    @property
    def sum_fits(self) -> bool:
        """Whether the last byte is the sum of those before, as both standards ask."""
        return len(self.data) > 2 and sum(self.data[:-1]) & 0xFF == self.data[-1]


@dataclass(frozen=True)
class KLineTraffic:
    """Every message; `measured` and `standard` in bits per second."""

    messages: tuple[KLineMessage, ...]
    measured: float
    standard: float | None

    @property
    def byte_count(self) -> int:
        """Bytes in all."""
        return sum(len(message.data) for message in self.messages)


@dataclass(frozen=True)
class _Bytes:
    starts: Times
    values: NDArray[np.int64]
    stops: NDArray[np.bool_]
    off_bits: float


def k_line_traffic(pulses: Pulses, seconds_per_sample: float) -> KLineTraffic | None:
    """Return the messages among the pulses; None where no usual rate makes bytes of them."""
    best: tuple[float, float, _Bytes] | None = None
    for baud in K_LINE_BAUD:
        bit = 1.0 / (baud * seconds_per_sample)
        found = _bytes_at(pulses, bit)
        if len(found.values) < _FEWEST_BYTES or 1.0 - float(found.stops.mean()) > _MOST_BROKEN:
            continue
        score = found.off_bits + (1.0 - float(found.stops.mean()))
        if best is None or score < best[0] - 0.01:
            best = score, baud, found
    if best is None:
        return None
    _, baud, found = best
    return KLineTraffic(tuple(_messages(found, seconds_per_sample)), baud, baud)


def _bytes_at(pulses: Pulses, bit: float) -> _Bytes:
    """Return the bytes that a receiver of this rate takes; `off_bits`: how far edges lie from whole bits."""
    starts: list[float] = []
    lengths = pulses.ends - pulses.begins
    usable = pulses.begins[lengths < _LONGEST_BITS * bit].tolist()
    after = -np.inf
    for begin in usable[:_MOST_K_LINE_BYTES]:
        if begin >= after:
            starts.append(begin)
            after = begin + 9.4 * bit
    whole = np.array([start for start in starts if start + 9.6 * bit <= pulses.followed])
    if not len(whole):
        return _Bytes(whole, np.zeros(0, np.int64), np.zeros(0, bool), 1.0)
    levels = levels_at(pulses, (whole[:, None] + (np.arange(10) + 0.5) * bit).ravel()).reshape(-1, 10)
    values = levels[:, 1:9] @ (1 << np.arange(8))
    edges = np.concatenate([pulses.begins, pulses.ends])
    owner = np.searchsorted(whole, edges, side="right") - 1
    inside = (owner >= 0) & (edges - whole[np.maximum(owner, 0)] < 9.4 * bit)
    since = (edges[inside] - whole[owner[inside]]) / bit
    return _Bytes(whole, values, levels[:, 9] == 1, float(np.mean(np.abs(since - np.round(since)))))


def _messages(found: _Bytes, seconds_per_sample: float) -> Iterator[KLineMessage]:
    times = found.starts * seconds_per_sample
    cuts = np.flatnonzero(np.diff(times) > _APART_SECONDS) + 1
    for places in np.split(np.arange(len(times)), cuts):
        yield KLineMessage(
            float(times[places[0]]),
            bytes(found.values[places].astype(np.uint8).tolist()),
            int(np.count_nonzero(~found.stops[places])),
        )
