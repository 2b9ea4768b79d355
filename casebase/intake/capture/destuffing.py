"""Frames as columns of bits, all at once: stuff bits taken out, checks computed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

Bits: TypeAlias = NDArray[np.uint8]
"""One row per bit, one column per frame: 0 dominant, 1 recessive, 2 where nothing more was captured."""
Places: TypeAlias = NDArray[np.int64]

NOTHING: Final = 2


@dataclass(frozen=True)
class Destuffed:
    """Frames without their stuff bits.

    `bits`: as sent before stuffing, `NOTHING` beyond. `places`: for each of these the row in which it was received.
    `fault_at`: row of the first stuff bit that equals the five before it; the number of rows where there is none.
    """

    bits: Bits
    places: Places
    fault_at: Places


def destuffed(received: Bits) -> Destuffed:
    """Take the bits out that follow five alike, through the whole column: where stuffing ends the caller knows."""
    rows, frames = received.shape
    kept = np.zeros((rows, frames), dtype=bool)
    fault_at = np.full(frames, rows, dtype=np.int64)
    run, before = np.zeros(frames, dtype=np.uint8), np.full(frames, NOTHING, dtype=np.uint8)
    for row in range(rows):
        now = received[row]
        same, due = now == before, run == 5
        kept[row] = ~due
        wrong = due & same & (now < NOTHING)
        fault_at[wrong & (fault_at == rows)] = row
        run *= same
        run += 1
        run[wrong] = 6  # nothing after a fault is told apart any more
        before = now
    return _pushed_up(received, kept, fault_at)


def _pushed_up(received: Bits, kept: NDArray[np.bool_], fault_at: Places) -> Destuffed:
    """Return the bits kept, each column without gaps; what follows a fault is nothing."""
    rows, frames = received.shape
    kept &= (received < NOTHING) & (np.arange(rows)[:, None] < fault_at)
    targets = np.cumsum(kept, axis=0) - 1
    row, column = np.nonzero(kept)
    bits = np.full((rows, frames), NOTHING, dtype=np.uint8)
    places = np.full((rows, frames), rows, dtype=np.int64)
    bits[targets[row, column], column] = received[row, column]
    places[targets[row, column], column] = row
    return Destuffed(bits, places, fault_at)


def crc_of(bits: Bits, lengths: Places, kind: tuple[int, int], start: int = 0) -> Places:
    """Return the check sequence of the first `lengths` bits of each column; `kind`: width in bits, polynomial."""
    width, polynomial = kind
    state = np.full(bits.shape[1], start, dtype=np.int64)
    for row in range(int(lengths.max(initial=0))):
        taken = row < lengths
        turns = ((state >> (width - 1)) ^ bits[row]) & 1
        after = ((state << 1) & ((1 << width) - 1)) ^ (turns * polynomial)
        state = np.where(taken, after, state)
    return state


def number_at(bits: Bits, first: Places | int, width: int) -> Places:
    """Return the number that `width` bits of each column from row `first` on make, the highest bit first."""
    frames = np.arange(bits.shape[1])
    at = np.broadcast_to(np.asarray(first, dtype=np.int64), frames.shape)
    number = np.zeros(len(frames), dtype=np.int64)
    for place in range(width):
        row = np.minimum(at + place, len(bits) - 1)
        number = (number << 1) | (bits[row, frames] & 1)
    return number
