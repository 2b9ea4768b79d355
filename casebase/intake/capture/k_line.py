"""Bytes on a K-line (ISO 9141-2, ISO 14230-1): each as a UART sends it, grouped into messages by the pauses between.

Rates and times are from memory of both standards: 10,400 bit/s, bytes of a message at most 20 ms apart, messages 25 ms.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.intake.capture.pulses import Pulses, Times, levels_at

STANDARD_BAUD: Final = (10_400.0, 9_600.0, 4_800.0, 19_200.0, 38_400.0)
"""10,400 of ISO 9141-2 and ISO 14230-1; the others common practice, no source."""

_APART_SECONDS: Final = 0.0225
"""A longer pause parts two messages: between 20 ms (bytes of one) and 25 ms (an answer)."""
_LONGEST_BITS: Final = 9.6
"""A start bit and eight zeros are dominant for nine bits; what lasts longer wakes the bus, and is no byte."""
_FEWEST_BYTES: Final = 3
_MOST_BROKEN: Final = 0.2
_MOST_BYTES: Final = 200_000


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
    for baud in STANDARD_BAUD:
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
    for begin in usable[:_MOST_BYTES]:
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
