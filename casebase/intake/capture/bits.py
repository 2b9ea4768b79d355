"""From pulses to bits: the bit rate, how many bits each pulse lasted, and frames as columns of bits, all at once.

A bit rate comes from the spacing of edges and is taken for a standard one only where it fits.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from casebase.intake.capture.pulses import Pulses, Times

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


STANDARD: Final = (
    10e3, 20e3, 33_333.3, 50e3, 62.5e3, 83_333.3, 95_238.1, 100e3, 125e3, 200e3, 250e3, 400e3, 500e3, 666_666.7,
    800e3, 1e6,
)  # fmt: skip
"""Bit rates of CAN in use, from memory: 10 k to 1 M of CiA 301, 250 k and 500 k of SAE J1939-11 and -14, 33.3 k and
83.3 k of SAE J2411; the others common practice, no source."""

STANDARD_DATA: Final = (1e6, 1.5e6, 2e6, 2.5e6, 3e6, 4e6, 5e6, 6.666667e6, 8e6, 10e6)
"""Bit rates of the data phase of CAN FD (common practice, no source)."""

_SNAP: Final = 0.01
"""A rate so near is taken for the standard one; clocks after ISO 11898-1 agree to 0.5 % (from memory)."""
_NEAR_STANDARD: Final = 0.03
"""A clock further off than this is not that of a standard rate which is tried."""
_OFF: Final = 0.17
_FITS: Final = 0.75
_REACHES: Final = ((12.4, 6, 3), (60.0, 24, 2))
"""Bits and pulses looked at from the begin of each frame, and the fewest spacings: what CAN FD too sends at its first
rate, then, where the capture holds a frame or two, more of each."""
_LOOKED_AT: Final = 20_000
_LEAST_SAMPLES: Final = 1.9
_MOST_SHIFT: Final = 0.35
"""Edges that move the end of a pulse by more bits than this leave no bus working (common practice, no source)."""


@dataclass(frozen=True)
class BitRate:
    """A bit rate as measured, in bits per second, and the standard one it fits; `fit` is the share of edges in step."""

    measured: float
    standard: float | None
    samples_per_bit: float
    fit: float

    @property
    def per_second(self) -> float:
        """The standard rate where it fits, else the measured one."""
        return self.standard or self.measured


def nominal_rate(pulses: Pulses, seconds_per_sample: float) -> BitRate | None:
    """Return the bit rate in which frames begin; None where no rate fits the edges."""
    guesses = (*(1.0 / (rate * seconds_per_sample) for rate in STANDARD), *_guesses(pulses))
    for reach in _REACHES:
        score, bit = max((_fit(pulses, guess, *reach) for guess in guesses), key=lambda fit: round(fit[0], 2))
        if score >= _FITS:
            return _rate(bit, score, seconds_per_sample, STANDARD)
    return None


def _fit(pulses: Pulses, guess: float, bits: float, count: int, fewest: int) -> tuple[float, float]:
    """Return how well a bit near the guess fits the begin of every frame, and the bit."""
    spacings, lengths = _at_begin_of_frames(pulses, guess, bits, count)
    bit = _refined(spacings, guess)
    return (_score(spacings, lengths, bit) if len(spacings) >= fewest else 0.0), bit


def data_rate(pulses: Pulses, nominal: BitRate, seconds_per_sample: float) -> BitRate | None:
    """Return the second, faster bit rate of CAN FD; None where too few short pulses tell of one."""
    bit = nominal.samples_per_bit
    lengths = pulses.ends - pulses.begins
    short = lengths[lengths < 0.6 * bit]
    if len(short) < max(8, 0.002 * len(lengths)):
        return None
    best: tuple[float, float] = (0.0, 0.0)
    for rate in STANDARD_DATA:
        guess = 1.0 / (rate * seconds_per_sample)
        if guess < 0.75 * bit:
            spacings, widths = _within(pulses, guess)
            refined = _refined(spacings, guess)
            usual = _rate(refined, 0.0, seconds_per_sample, STANDARD_DATA).standard is not None
            score = _score(spacings, widths, refined) * (1.0 if usual else 0.85)
            if score > best[0] + 0.02:
                best = score, refined
    return _rate(best[1], best[0], seconds_per_sample, STANDARD_DATA) if best[0] >= 0.6 else None


def standard_rates(pulses: Pulses, seconds_per_sample: float) -> Iterator[BitRate]:
    """Yield every standard bit rate at which pulses can have been sent, as the pulses themselves set its clock."""
    for rate in STANDARD:
        guess = 1.0 / (rate * seconds_per_sample)
        spacings, _ = _at_begin_of_frames(pulses, guess, *_REACHES[0][:2])
        if guess >= _LEAST_SAMPLES:
            bit = _refined(spacings, guess) if len(spacings) else guess
            near = abs(bit / guess - 1.0) <= _NEAR_STANDARD
            yield _rate(bit if near else guess, 0.0, seconds_per_sample, STANDARD)


def standard_data_rates(pulses: Pulses, nominal: BitRate, seconds_per_sample: float) -> Iterator[BitRate]:
    """Yield every standard data rate of CAN FD faster than the nominal one whose bits the shortest pulses can be."""
    lengths = pulses.ends - pulses.begins
    if not lengths.size:
        return
    shortest = float(np.quantile(lengths, 0.1))
    for rate in STANDARD_DATA:
        guess = 1.0 / (rate * seconds_per_sample)
        if _LEAST_SAMPLES <= guess < 0.75 * nominal.samples_per_bit and 0.5 * guess < shortest < 5.5 * guess:
            spacings, _ = _within(pulses, guess)
            bit = _refined(spacings, guess) if len(spacings) else guess
            near = abs(bit / guess - 1.0) <= _NEAR_STANDARD
            yield _rate(bit if near else guess, 0.0, seconds_per_sample, STANDARD_DATA)


def _rate(bit: float, fit: float, seconds_per_sample: float, known: Iterable[float]) -> BitRate:
    measured = 1.0 / (bit * seconds_per_sample)
    nearest = min(known, key=lambda rate: abs(measured / rate - 1.0))
    fits = abs(measured / nearest - 1.0) <= _SNAP
    return BitRate(measured, nearest if fits else None, bit, fit)


def _guesses(pulses: Pulses) -> list[float]:
    """Return lengths of a bit that the pulses themselves suggest, for rates of no standard."""
    lengths = (pulses.ends - pulses.begins)[:_LOOKED_AT]
    if len(lengths) < 4:
        return []
    tenth, half = np.quantile(lengths, (0.1, 0.5))
    return [float(one) for one in (tenth, tenth / 2, half, half / 2, half / 3) if one >= _LEAST_SAMPLES]


def _at_begin_of_frames(pulses: Pulses, bit: float, bits: float, count: int) -> tuple[Times, Times]:
    """Return the spacings of begins, and the lengths, of up to `count` pulses in the first bits of each frame."""
    starts = np.flatnonzero(pulses.gaps_before[:_LOOKED_AT] >= 9.5 * bit)
    after = starts[:, None] + np.arange(count)
    there = after < len(pulses.begins)
    after = np.minimum(after, len(pulses.begins) - 1)
    begins, ends = pulses.begins[after], pulses.ends[after]
    inside = there & ((ends - begins[:, :1]) <= bits * bit)
    inside[:, 0] = True
    return np.diff(begins, axis=1)[inside[:, 1:]], (ends - begins)[inside]


def _within(pulses: Pulses, bit: float) -> tuple[Times, Times]:
    """Return spacings and lengths of pulses that lie as close as the bits of one phase do."""
    begins, ends = pulses.begins[:_LOOKED_AT], pulses.ends[:_LOOKED_AT]
    lengths, gaps = (ends - begins)[:-1], begins[1:] - ends[:-1]
    near = (lengths < 2.6 * bit) & (gaps < 2.6 * bit)
    return np.diff(begins)[near], lengths[near]


def _refined(spacings: Times, bit: float) -> float:
    """Return the length of a bit that fits the spacings best, near the one given."""
    for allowed in (0.25, 0.2, 0.15):
        counts = np.round(spacings / bit)
        good = (np.abs(spacings / bit - counts) < allowed) & (counts > 0)
        if not good.any():
            return bit
        bit = float(np.sum(spacings[good] * counts[good]) / np.sum(counts[good] ** 2))
    return bit


def _score(spacings: Times, lengths: Times, bit: float) -> float:
    """Return the share of pulses that fit a bit of this length: whole bits apart, one to five long."""
    if len(spacings) < 2 or bit < _LEAST_SAMPLES:
        return 0.0
    counts = np.round(spacings / bit)
    # A slow sampling leaves each edge open by some of a sample.
    off = _OFF + 0.15 / bit
    apart = float(np.mean((np.abs(spacings / bit - counts) < off) & (counts >= 2)))
    shift = _shift(lengths / bit)
    long = np.round(lengths / bit - shift)
    fits = float(np.mean((long >= 1) & (long <= 5) & (np.abs(lengths / bit - shift - long) < off)))
    odd = bool(np.any(counts % 2 == 1)) or bool(np.any(long % 2 == 1))
    likely = 1.0 - 0.3 * abs(shift) if odd and abs(shift) <= _MOST_SHIFT else 0.5
    return apart * fits * likely


def _shift(lengths: Times) -> float:
    """Return by how many bits dominant pulses are longer than whole bits: edges are not alike both ways."""
    return float(np.angle(np.mean(np.exp(2j * np.pi * lengths))) / (2 * np.pi))


def shift_of(pulses: Pulses, bit: float) -> float:
    """Return by how many bits of `bit` samples dominant is longer than sent, at most half a bit either way."""
    lengths = (pulses.ends - pulses.begins)[: 4 * _LOOKED_AT] / bit
    near = lengths[(lengths > 0.5) & (lengths < 5.5)]
    return _shift(near) if len(near) else 0.0


def shift_at_begin_of_frames(pulses: Pulses, bit: float) -> float:
    """Return the same from the first bits of frames alone, which CAN FD too sends at the nominal rate."""
    lengths = _at_begin_of_frames(pulses, bit, *_REACHES[0][:2])[1] / bit
    near = lengths[(lengths > 0.5) & (lengths < 5.5)]
    return _shift(near) if len(near) else 0.0
