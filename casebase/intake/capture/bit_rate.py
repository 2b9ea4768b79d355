"""The bit rate from the spacing of edges, taken for a standard one only where it fits; CAN FD's second rate."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from casebase.intake.capture.edges import Pulses, Times

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
