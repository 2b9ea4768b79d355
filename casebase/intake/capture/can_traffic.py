"""The CAN traffic of a capture: bit rates, then frames, from its pulses; among them those of CAN FD.

A CAN FD frame (ISO 11898-1) has a faster bit rate from the BRS bit to the CRC delimiter, longer data, other checks.
The layout of the fields, fixed stuff bits, the stuff count and the begin of the check sequences are from memory of
ISO 11898-1:2015; the polynomials are those of crccheck's Crc17CanFd and Crc21CanFd.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.intake.capture.bits import (
    IDLE_BITS,
    BitRate,
    Bits,
    BitStream,
    Destuffed,
    Places,
    columns_of,
    crc_of,
    data_rate,
    destuffed,
    nominal_rate,
    number_at,
    shift_at_begin_of_frames,
    shift_of,
    standard_data_rates,
    standard_rates,
    starts_of_frames,
    stream_of,
)
from casebase.intake.capture.can_frames import Fault, FrameTable, data_of, frames_in
from casebase.intake.capture.pulses import Pulses, Times, without_spikes
from casebase.record.can import CRC_17, CRC_21

ROWS: Final = 800
"""The longest FD frame has 41 + 512 bits before its CRC field, a fifth more with stuff bits, and 32 in that field."""

DATA_BYTES: Final = np.array((0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64))
"""Bytes by length code (ISO 11898-1; Linux can.h can_fd_dlc2len)."""

_AT_ONCE: Final = 512
_NEVER: Final = 10 * ROWS


@dataclass(frozen=True)
class _Field:
    """The CRC field of each frame: whether it fits, its delimiter's row, whether its fixed stuff bits fit."""

    right: NDArray[np.bool_]
    delimiter: Places
    fixed_right: NDArray[np.bool_]


def with_fd_frames(
    table: FrameTable, stream: BitStream, pulses: Pulses, nominal: BitRate, fast: BitRate | None
) -> FrameTable:
    """Return the table with its FD frames read; a frame whose fast bits cannot be told apart stays broken."""
    chosen = np.flatnonzero(table.flexible & (table.identifiers >= 0))
    if not len(chosen):
        return table
    units, shifts, extra, switched = _units(table, chosen, stream, pulses, nominal, fast)
    fd_stream = stream_of(pulses, units, shifts, table.first_pulses)
    fd_stream = _with_switch_bit(fd_stream, extra)
    columns = {name: column.copy() for name, column in table.__dict__.items()}
    columns["data"] = np.pad(columns["data"], ((0, 0), (0, 64 - columns["data"].shape[1])))
    columns["switched"][chosen] = switched
    for start in range(0, len(chosen), _AT_ONCE):
        _read_some(columns, chosen[start : start + _AT_ONCE], fd_stream, pulses, nominal.samples_per_bit)
    return FrameTable(**columns)


def _units(  # noqa: PLR0913, PLR0917  what the length of each pulse's bits is told from
    table: FrameTable,
    chosen: Places,
    stream: BitStream,
    pulses: Pulses,
    nominal: BitRate,
    fast: BitRate | None,
) -> tuple[Times, Times, dict[int, int], NDArray[np.bool_]]:
    """Return for every pulse the samples of its bits and their shift, and for the gaps with a BRS bit their bits."""
    bit = nominal.samples_per_bit
    units = np.full(len(pulses.begins), bit)
    shifts = np.full(len(pulses.begins), shift_at_begin_of_frames(pulses, bit))
    # The switch bit follows the reserved bit, which is dominant: it begins a gap, or there is no switch.
    places = stream.at[table.first_pulses[chosen]] + table.header_bits[chosen] + 2
    gap_at = stream.at + stream.dominant
    before = np.clip(np.searchsorted(gap_at, places, side="right") - 1, 0, len(gap_at) - 1)
    switched = (gap_at[before] == places) & (stream.recessive[before] > 0)
    extra: dict[int, int] = {}
    if fast is None or not switched.any():
        return units, shifts, extra, switched
    following = np.append(table.first_pulses, len(pulses.begins))[chosen + 1]
    _make_fast(units, shifts, before[switched], following[switched], fast, pulses)
    gaps = pulses.begins[np.minimum(before + 1, len(pulses.begins) - 1)] - pulses.ends[before]
    extra = _switch_bits(before[switched], gaps[switched], bit, fast.samples_per_bit)
    return units, shifts, extra, switched


def _make_fast(  # noqa: PLR0913, PLR0917  two columns to fill, and from where to where
    units: Times, shifts: Times, before: Places, following: Places, fast: BitRate, pulses: Pulses
) -> None:
    quick = np.zeros(len(units) + 1)
    np.add.at(quick, before + 1, 1)
    np.add.at(quick, following, -1)
    inside = np.cumsum(quick[:-1]) > 0
    units[inside] = fast.samples_per_bit
    lengths = (pulses.ends - pulses.begins)[inside] / fast.samples_per_bit
    only = replace(pulses, begins=pulses.begins[inside], ends=pulses.ends[inside])
    shifts[inside] = shift_of(only, fast.samples_per_bit) if len(lengths) else 0.0


def _switch_bits(before: Places, gaps: Times, bit: float, quick: float) -> dict[int, int]:
    """Return how many bits each gap holds whose first is the switch bit: part slow, part fast by the sample point."""
    first = float(np.quantile(gaps, 0.05))
    one = float(np.median(gaps[gaps < first + 0.35 * quick]))
    counts = 1 + np.maximum(np.round((gaps - one) / quick), 0).astype(np.int64)
    return dict(zip(before.tolist(), counts.tolist(), strict=True))


def _with_switch_bit(stream: BitStream, extra: dict[int, int]) -> BitStream:
    recessive = stream.recessive.copy()
    for place, count in extra.items():
        recessive[place] = min(count, 24)
    each = stream.dominant + recessive
    return replace(stream, recessive=recessive, at=np.cumsum(each) - each)


def _read_some(
    columns: dict[str, NDArray[np.generic]], chosen: Places, stream: BitStream, pulses: Pulses, bit: float
) -> None:
    """Put what some frames hold into the columns."""
    received = np.concatenate([columns_of(stream, slice(place, place + 1), ROWS) for place in chosen], axis=1)
    clean = destuffed(received)
    extended = columns["extended"][chosen]
    length_at = np.where(extended, 37, 18)
    lengths = DATA_BYTES[number_at(clean.bits, length_at, 4)]
    crc_field = _crc_field(received, clean, length_at + 4 + 8 * lengths, lengths)
    faults, rows, ends = _faults(received, clean, crc_field, stream, chosen, pulses, bit)
    known = crc_field.delimiter < ROWS
    lengths = np.where(known, lengths, 0)
    found = {
        "lengths": lengths,
        "data": data_of(clean.bits, length_at + 4, lengths, 64),
        "faults": faults,
        "fault_bits": rows,
        "ends": ends,
        "checked_bits": np.minimum(crc_field.delimiter, ROWS),
        "remote": np.zeros(len(chosen), dtype=bool),
    }
    for name, values in found.items():
        columns[name][chosen] = values


def _crc_field(received: Bits, clean: Destuffed, data_ends: Places, lengths: Places) -> _Field:
    """Return what the CRC field says: stuff count and check sequence, with a fixed stuff bit before every four bits."""
    frames = np.arange(received.shape[1])
    last = clean.places[np.minimum(data_ends - 1, ROWS - 1), frames]
    begin = np.minimum(last + 1, ROWS)
    long = lengths > 16
    widths = np.where(long, 21, 17)
    payload = np.arange(25)[:, None]
    rows = begin + 1 + payload + payload // 4
    bits = received[np.minimum(rows, ROWS - 1), frames]
    stuffing = begin - data_ends
    gray = (stuffing % 8) ^ ((stuffing % 8) >> 1)
    parity = (gray ^ (gray >> 1) ^ (gray >> 2)) & 1
    counted = number_at(bits, 0, 4) == (gray << 1) | parity
    whole = np.concatenate([received, np.zeros((4, len(frames)), dtype=np.uint8)])
    for place in range(4):
        whole[np.minimum(begin + place, len(whole) - 1), frames] = bits[place]
    whole &= 1
    short_crc = crc_of(whole, np.where(long, 0, begin + 4), CRC_17, 1 << 16) == number_at(bits, 4, 17)
    long_crc = crc_of(whole, np.where(long, begin + 4, 0), CRC_21, 1 << 20) == number_at(bits, 4, 21)
    delimiter = begin + 1 + (widths + 3) + (widths + 3) // 4 + 1
    fixed = begin + 5 * np.arange(7)[:, None]
    pairs = np.minimum(fixed, ROWS - 1)
    differ = received[pairs, frames] != received[np.maximum(pairs - 1, 0), frames]
    fixed_right = (differ | (fixed >= delimiter)).all(axis=0)
    there = received[np.minimum(delimiter, ROWS - 1), frames] < 2
    reached = (last < ROWS) & (delimiter < ROWS) & there
    return _Field(
        np.where(long, long_crc, short_crc) & counted, np.where(reached, delimiter, ROWS), fixed_right
    )


def _faults(  # noqa: PLR0913, PLR0917  the bits, and the pulses after them
    received: Bits,
    clean: Destuffed,
    crc_field: _Field,
    stream: BitStream,
    chosen: Places,
    pulses: Pulses,
    bit: float,
) -> tuple[NDArray[np.uint8], Places, Times]:
    """Return the first fault of each frame, its row, and the sample in which the frame ends."""
    reached = crc_field.delimiter < ROWS
    ends_at = np.argmax(received == 2, axis=0)
    delimiter_bit = received[np.minimum(crc_field.delimiter, ROWS - 1), np.arange(len(chosen))]
    acknowledged, form, cut, ends = _after_crc(crc_field.delimiter, stream, chosen, pulses, bit)
    stuff = ~reached & (clean.fault_at < ends_at)
    at = {
        Fault.STUFF: np.where(stuff, clean.fault_at, _NEVER),
        Fault.CRC: np.where(reached & ~crc_field.right, crc_field.delimiter - 1, _NEVER),
        Fault.FORM: np.where(
            reached & (~crc_field.fixed_right | (delimiter_bit == 0) | form), crc_field.delimiter, _NEVER
        ),
        Fault.NOT_ACKNOWLEDGED: np.where(reached & ~acknowledged & ~cut, crc_field.delimiter + 1, _NEVER),
        Fault.CUT_OFF: np.where((~reached & ~stuff) | (reached & cut), ends_at, _NEVER),
    }
    rows = np.stack(list(at.values()))
    row = rows.min(axis=0)
    kinds = np.array(list(at), dtype=np.uint8)[rows.argmin(axis=0)]
    whole = row >= _NEVER
    return np.where(whole, np.uint8(Fault.NONE), kinds), np.where(whole, -1, row), ends


def _after_crc(
    delimiter: Places, stream: BitStream, chosen: Places, pulses: Pulses, bit: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_], Times]:
    """Return for each frame: acknowledged, end broken, cut off by the end of the capture, and where it ends."""
    count = len(pulses.begins)
    place = stream.at[stream.firsts[chosen]] + delimiter
    gap_at = stream.at + stream.dominant
    before = np.clip(np.searchsorted(gap_at, place, side="right") - 1, 0, count - 1)
    following = np.append(stream.firsts, count)[chosen + 1]
    ack = np.minimum(before + 1, count - 1)
    there = before + 1 < following
    waits = (pulses.begins[ack] - pulses.ends[before]) / bit
    lasts = (pulses.ends[ack] - pulses.begins[ack]) / bit
    acknowledged = there & (waits < 3.5) & (lasts > 0.5) & (lasts < 2.6)
    next_begin = np.append(pulses.begins, np.inf)[ack + 1]
    quiet = np.minimum(next_begin, pulses.followed) - pulses.ends[ack]
    form = there & ~acknowledged | (acknowledged & (next_begin - pulses.ends[ack] < 7.5 * bit))
    left = pulses.followed - np.where(there, pulses.ends[ack], pulses.ends[before])
    cut = np.where(there, (quiet < 7.5 * bit) & ~np.isfinite(next_begin), left < 10.5 * bit)
    ends = np.where(there, pulses.ends[ack] + 8 * bit, pulses.ends[before] + 10 * bit)
    return acknowledged, form, cut, ends


_SPIKE: Final = 0.3
"""A pulse shorter than this share of a bit is a disturbance, not a bit."""

_TRIED_PULSES: Final = 400
"""Pulses from the begin at which every standard rate is tried: some ten frames."""


@dataclass(frozen=True)
class Traffic:
    """What was sent. `cut_at_begin`: the capture began within a frame, which is not in the table.

    `pulses`: without those too short for a bit. `shift`: by how many bits dominant is longer than sent.
    """

    rate: BitRate
    data_rate: BitRate | None
    frames: FrameTable
    pulses: Pulses
    cut_at_begin: bool
    shift: float


def traffic_in(pulses: Pulses, seconds_per_sample: float) -> Traffic | None:
    """Return the CAN traffic; None where no bit rate fits the edges.

    Where few frames leave the bit rate to chance, the check sequences decide: of all standard rates, and pairs of them
    for CAN FD, that one is taken which makes most frames whole.
    """
    rate = nominal_rate(pulses, seconds_per_sample)
    found = None
    if rate is not None:
        found = _at_rates(pulses, rate, data_rate(pulses, rate, seconds_per_sample))
        settled = np.count_nonzero(found.frames.whole | (found.frames.faults == Fault.CUT_OFF))
        if 2 * settled >= len(found.frames):
            return found
    rates = _rates_by_checks(pulses, seconds_per_sample)
    if rates is None:
        return found
    other = _at_rates(pulses, *rates)
    better = found is None or np.count_nonzero(other.frames.whole) > np.count_nonzero(found.frames.whole)
    return other if better else found


def _at_rates(pulses: Pulses, rate: BitRate, fast: BitRate | None) -> Traffic:
    """Return the traffic read at a bit rate, and at a second one in the data phase of CAN FD."""
    bit = rate.samples_per_bit
    clean = without_spikes(pulses, _SPIKE * (fast.samples_per_bit if fast else bit))
    firsts = starts_of_frames(clean, bit)
    shift = shift_of(clean, bit) if fast is None else shift_at_begin_of_frames(clean, bit)
    stream = stream_of(clean, bit, shift, firsts)
    table = with_fd_frames(frames_in(stream, clean, bit), stream, clean, rate, fast)
    table, cut = _without_torn_begin(table, clean, bit)
    return Traffic(rate, fast, table, clean, cut, shift)


def _rates_by_checks(pulses: Pulses, seconds_per_sample: float) -> tuple[BitRate, BitRate | None] | None:
    """Return the standard rates at which most of the first frames are whole; None where none is."""
    first = _first_of(pulses)
    best: tuple[int, BitRate, BitRate | None] | None = None
    for rate in standard_rates(first, seconds_per_sample):
        for fast in (None, *standard_data_rates(first, rate, seconds_per_sample)):
            whole = int(np.count_nonzero(_at_rates(first, rate, fast).frames.whole))
            if whole > (best[0] if best else 0):
                best = whole, rate, fast
    return best[1:] if best else None


def _first_of(pulses: Pulses) -> Pulses:
    """Return so many pulses from the begin as a few frames have."""
    if len(pulses.begins) <= _TRIED_PULSES:
        return pulses
    begins, ends = pulses.begins[:_TRIED_PULSES], pulses.ends[:_TRIED_PULSES]
    return Pulses(begins, ends, int(pulses.begins[_TRIED_PULSES]), pulses.begins_dominant)


def _without_torn_begin(table: FrameTable, pulses: Pulses, bit: float) -> tuple[FrameTable, bool]:
    """Leave out a first frame that was not seen to begin after an idle bus, unless it proves whole."""
    if not len(table):
        return table, bool(len(pulses.begins))
    first = int(table.first_pulses[0])
    if first > 0 or pulses.begins_dominant:
        return table, True
    unsure = pulses.gaps_before[0] < IDLE_BITS * bit
    torn = unsure and not table.whole[0]
    return (table.where(slice(1, None)), True) if torn else (table, False)
