"""From pulses to bits: how many bits each lasted, where frames begin, and frames as columns of received bits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.intake.capture.destuffing import NOTHING, Bits, Places
from casebase.intake.capture.edges import Pulses, Times

LONGEST_GAP: Final = 24
"""Bits kept of a longer recessive gap: more than the end of a frame that nobody acknowledged."""

IDLE_BITS: Final = 9.5
"""Recessive bits before a start of frame: end of frame and intermission are 10 (ISO 11898-1), less half a bit."""


@dataclass(frozen=True)
class BitStream:
    """The pulses counted in bits.

    `dominant[k]`, `recessive[k]`: bits of pulse k and of the gap after it. `at[k]`: place of the first of these in
    the stream. `firsts`: the pulses that start a frame.
    """

    dominant: Places
    recessive: Places
    at: Places
    firsts: Places

    @property
    def length(self) -> int:
        """Bits in all."""
        return int(self.at[-1] + self.dominant[-1] + self.recessive[-1]) if len(self.at) else 0

    def bits(self, first: int, last: int) -> Bits:
        """Return the bits of the pulses from `first` to before `last`, one after the other."""
        counts = np.empty(2 * (last - first), dtype=np.int64)
        counts[0::2], counts[1::2] = self.dominant[first:last], self.recessive[first:last]
        return np.repeat(np.tile(np.array([0, 1], dtype=np.uint8), last - first), counts)


def stream_of(pulses: Pulses, bit: Times | float, shift: Times | float, firsts: Places) -> BitStream:
    """Count the bits of each pulse and of the gap after it.

    `bit`: samples of one bit; `shift`: by how many bits dominant is longer than sent. From begin to begin whole bits
    pass whatever the edges are like, so the gap gets what the pulse leaves.
    """
    lengths = pulses.ends - pulses.begins
    dominant = np.maximum(np.round(lengths / bit - shift), 0)
    # The last gap ends with the capture: only bits that were captured whole count.
    after = np.append(pulses.begins[1:], pulses.followed)
    whole = np.round((after - pulses.begins) / bit)
    if len(whole):
        last = np.floor((after[-1] - pulses.begins[-1]) / (bit if np.isscalar(bit) else bit[-1]) + 0.1)  # type: ignore[index]
        whole[-1] = last
        dominant[-1] = min(dominant[-1], last)
    recessive = np.clip(whole - dominant, 0, LONGEST_GAP)
    each = (dominant + recessive).astype(np.int64)
    return BitStream(dominant.astype(np.int64), recessive.astype(np.int64), np.cumsum(each) - each, firsts)


def starts_of_frames(pulses: Pulses, bit: float) -> Places:
    """Return which pulses start a frame: those after an idle bus, and the first one, which may."""
    may = pulses.gaps_before >= IDLE_BITS * bit
    may[:1] |= not pulses.begins_dominant
    return np.flatnonzero(may)


def columns_of(stream: BitStream, frames: slice, rows: int) -> Bits:
    """Return the received bits of some frames, one column each, `NOTHING` after the last bit."""
    firsts = stream.firsts[frames]
    following = np.append(stream.firsts, len(stream.at))[frames.start + 1 : frames.stop + 1]
    first, last = int(firsts[0]), int(following[-1])
    bits = np.append(stream.bits(first, last), np.uint8(NOTHING))
    begin = stream.at[firsts] - stream.at[first]
    places = np.append(stream.at, stream.length)
    width = places[following] - stream.at[firsts]
    row = np.arange(rows)[:, None]
    picked = np.where(row < width, begin + row, len(bits) - 1)
    columns: Bits = bits[picked]
    return columns


def error_flags(stream: BitStream) -> NDArray[np.bool_]:
    """Return for each frame whether six or more dominant bits stood in a row before the next one."""
    if not len(stream.firsts):
        return np.empty(0, dtype=bool)
    flags: NDArray[np.bool_] = np.maximum.reduceat(stream.dominant, stream.firsts) >= 6
    return flags
