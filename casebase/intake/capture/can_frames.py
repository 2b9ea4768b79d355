"""Classical CAN frames (ISO 11898-1) as a table with one row each: every field, and the first thing wrong with each.

Bits are counted from edge to edge and set anew at each edge to dominant, as a receiver does.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from enum import IntEnum
from typing import Any, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from casebase.intake.capture.bits import (
    NOTHING,
    Bits,
    BitStream,
    Destuffed,
    Places,
    columns_of,
    crc_of,
    destuffed,
    error_flags,
    number_at,
)
from casebase.intake.capture.pulses import Pulses
from casebase.record.can import CRC_15

Column: TypeAlias = NDArray[Any]


class Fault(IntEnum):
    """The first thing wrong with a frame; the words are those of ISO 11898-1's error types."""

    NONE = 0
    STUFF = 1
    CRC = 2
    FORM = 3
    NOT_ACKNOWLEDGED = 4
    CUT_OFF = 5


FAULT_WORDS: Final = {
    Fault.NONE: "whole",
    Fault.STUFF: "stuff error",
    Fault.CRC: "CRC does not fit",
    Fault.FORM: "form error",
    Fault.NOT_ACKNOWLEDGED: "not acknowledged",
    Fault.CUT_OFF: "cut off at the end of the capture",
}

UNKNOWN: Final = -1
"""Stands for an identifier that was not received to its end."""


@dataclass(frozen=True)
class Frame:
    """One frame. `identifier` is None where it broke off before; times in seconds from the begin of the capture.

    `fault_bit` counts from 0 at the start-of-frame bit, stuff bits included; -1 in a whole frame. `error_flag`: six
    or more dominant bits followed, which is how a module breaks a frame off.
    """

    starts_seconds: float
    ends_seconds: float
    identifier: int | None
    extended: bool
    remote: bool
    flexible: bool
    switched: bool
    data: bytes
    fault: Fault
    fault_bit: int
    error_flag: bool

    @property
    def whole(self) -> bool:
        """Whether nothing is wrong with it."""
        return self.fault is Fault.NONE

    def name(self) -> str:
        """Return the identifier as written: three or eight hexadecimal digits."""
        return identifier_words(self.identifier, self.extended)

    def words(self) -> str:
        """Return the frame in words: `123 11 22 33`."""
        kind = ("FD",) if self.flexible else ()
        what = ("remote",) if self.remote else (self.data.hex(" ").upper(),)
        return " ".join(part for part in (self.name(), *kind, *what) if part)

    def fault_words(self) -> str:
        """Return what is wrong: `stuff error at bit 31, an error flag follows`."""
        at = f" at bit {self.fault_bit}" if self.fault in (Fault.STUFF, Fault.FORM) else ""
        flag = ", an error flag follows" if self.error_flag and not self.whole else ""
        return f"{FAULT_WORDS[self.fault]}{at}{flag}"


def identifier_words(identifier: int | None, extended: bool) -> str:
    """Return an identifier as written.

    >>> identifier_words(0x7DF, False)
    '7DF'
    """
    if identifier is None or identifier == UNKNOWN:
        return "?"
    return f"{identifier:08X}" if extended else f"{identifier:03X}"


@dataclass(frozen=True)
class FrameTable:
    """Every frame, one row each; `starts` and `ends` in samples, the other columns as in `Frame`.

    `first_pulses`: the place of the frame's first pulse. `header_bits`: the row (stuff bits counted) of the bit that
    tells CAN FD, after arbitration. `checked_bits`: the row after the check sequence.
    """

    starts: Column
    ends: Column
    identifiers: Column
    extended: Column
    remote: Column
    flexible: Column
    switched: Column
    lengths: Column
    data: Column
    faults: Column
    fault_bits: Column
    error_flags: Column
    first_pulses: Column
    header_bits: Column
    checked_bits: Column

    def __len__(self) -> int:
        return len(self.starts)

    @property
    def whole(self) -> NDArray[np.bool_]:
        """Which are whole."""
        whole: NDArray[np.bool_] = self.faults == Fault.NONE
        return whole

    def where(self, chosen: Column | slice) -> FrameTable:
        """Return the rows chosen by a mask or by their places."""
        return FrameTable(*(getattr(self, one.name)[chosen] for one in fields(self)))

    def frame(self, place: int, seconds_per_sample: float) -> Frame:
        """Return one frame."""
        identifier = int(self.identifiers[place])
        return Frame(
            float(self.starts[place]) * seconds_per_sample,
            float(self.ends[place]) * seconds_per_sample,
            None if identifier == UNKNOWN else identifier,
            bool(self.extended[place]),
            bool(self.remote[place]),
            bool(self.flexible[place]),
            bool(self.switched[place]),
            self.data[place, : self.lengths[place]].tobytes(),
            Fault(int(self.faults[place])),
            int(self.fault_bits[place]),
            bool(self.error_flags[place]),
        )

    def frames(self, seconds_per_sample: float, most: int | None = None) -> Iterator[Frame]:
        """Yield the frames in order, the first `most` of them."""
        for place in range(len(self) if most is None else min(most, len(self))):
            yield self.frame(place, seconds_per_sample)


def joined(tables: list[FrameTable]) -> FrameTable:
    """Return the rows of several tables as one, in order of time."""
    widest = max(table.data.shape[1] for table in tables)
    columns = {
        one.name: np.concatenate([_as_wide(getattr(table, one.name), widest) for table in tables])
        for one in fields(FrameTable)
    }
    return FrameTable(**columns).where(np.argsort(columns["starts"], kind="stable"))


def _as_wide(column: Column, width: int) -> Column:
    """Return a column of data widened with zeros; others as they are."""
    if column.ndim == 1 or column.shape[1] == width:
        return column
    return np.pad(column, ((0, 0), (0, width - column.shape[1])))


ROWS: Final = 172
"""The longest classical frame has 147 bits with stuffing to its CRC delimiter, 10 more to the end of frame."""

_AT_ONCE: Final = 4096
_TAIL: Final = 10
"""CRC delimiter, acknowledge slot and delimiter, seven bits of end of frame."""


@dataclass(frozen=True)
class Header:
    """The fields before the data, one entry per frame; places count bits without stuffing."""

    extended: NDArray[np.bool_]
    identifiers: Places
    remote: NDArray[np.bool_]
    flexible: NDArray[np.bool_]
    arbitration_ends: Places


def frames_in(stream: BitStream, pulses: Pulses, bit: float) -> FrameTable:
    """Return every frame; those of CAN FD are marked flexible, and only their header holds."""
    tables = [
        _some(stream, pulses, bit, slice(start, min(start + _AT_ONCE, len(stream.firsts))))
        for start in range(0, max(len(stream.firsts), 1), _AT_ONCE)
    ]
    flags = error_flags(stream)
    table = joined(tables)
    return FrameTable(**{**table.__dict__, "error_flags": flags})


def header_of(bits: Bits) -> Header:
    """Return the header fields of destuffed frames."""
    extended = bits[13] == 1
    short, rest = number_at(bits, 1, 11), number_at(bits, 14, 18)
    identifiers = np.where(extended, (short << 18) | rest, short)
    ends = np.where(extended, 32, 12)
    frames = np.arange(bits.shape[1])
    there = bits[ends, frames] != NOTHING
    return Header(
        extended,
        np.where(there, identifiers, UNKNOWN),
        (bits[ends, frames] == 1) & there,
        bits[np.where(extended, 33, 14), frames] == 1,
        ends,
    )


def _some(stream: BitStream, pulses: Pulses, bit: float, frames: slice) -> FrameTable:
    firsts = stream.firsts[frames]
    received = columns_of(stream, frames, ROWS) if len(firsts) else np.empty((ROWS, 0), dtype=np.uint8)
    clean = destuffed(received)
    header = header_of(clean.bits)
    length_at = header.arbitration_ends + 3
    told = number_at(clean.bits, length_at, 4)
    lengths = np.where(header.remote, 0, np.minimum(told, 8))
    crc_at = length_at + 4 + 8 * lengths
    right = crc_of(clean.bits, crc_at, CRC_15) == number_at(clean.bits, crc_at, 15)
    delimiter = _place(clean, crc_at + 15)
    faults, rows = _first_faults(received, clean, right, delimiter)
    known = _place(clean, crc_at) < ROWS
    lengths = np.where(known & ~header.flexible, lengths, 0)
    starts = pulses.begins[firsts]
    return FrameTable(
        starts=starts,
        ends=starts + bit * np.minimum(np.where(faults == Fault.NONE, delimiter + _TAIL, rows + 1), ROWS),
        identifiers=header.identifiers,
        extended=header.extended,
        remote=header.remote,
        flexible=header.flexible,
        switched=np.zeros(len(firsts), dtype=bool),
        lengths=lengths,
        data=data_of(clean.bits, length_at + 4, lengths, 8),
        faults=faults,
        fault_bits=np.where(faults == Fault.NONE, -1, rows),
        error_flags=np.zeros(len(firsts), dtype=bool),
        first_pulses=firsts,
        header_bits=_place(clean, header.arbitration_ends + np.where(header.extended, 1, 2)),
        checked_bits=delimiter,
    )


def data_of(bits: Bits, first: Places, lengths: Places, most: int) -> NDArray[np.uint8]:
    """Return the data bytes of each frame as one row, zeros beyond its length."""
    data = np.zeros((bits.shape[1], most), dtype=np.uint8)
    for place in range(int(lengths.max(initial=0))):
        value = number_at(bits, first + 8 * place, 8)
        data[:, place] = np.where(place < lengths, value, 0)
    return data


def _place(clean: Destuffed, at: Places) -> Places:
    """Return the row in which each frame's bit `at` was received; as many as there are rows where it was not."""
    places: Places = clean.places[np.minimum(at, len(clean.places) - 1), np.arange(len(at))]
    return places


def _first_faults(
    received: Bits, clean: Destuffed, right: NDArray[np.bool_], delimiter: Places
) -> tuple[NDArray[np.uint8], Places]:
    """Return the first fault of each frame and its row."""
    reached = delimiter < ROWS
    never = np.full(len(delimiter), 10 * ROWS, dtype=np.int64)
    tail = _tail(received, delimiter)
    must_be_recessive = np.where(np.arange(_TAIL)[:, None] == 1, False, tail == 0)
    ends_at = np.argmax(received == NOTHING, axis=0)
    at = {
        Fault.STUFF: np.where(~reached & (clean.fault_at < ROWS), clean.fault_at, never),
        Fault.CRC: np.where(reached & ~right, delimiter - 1, never),
        Fault.FORM: np.where(
            reached & must_be_recessive.any(axis=0), delimiter + np.argmax(must_be_recessive, axis=0), never
        ),
        Fault.NOT_ACKNOWLEDGED: np.where(reached & (tail[1] == 1), delimiter + 1, never),
        Fault.CUT_OFF: np.where(
            (reached & (tail == NOTHING).any(axis=0)) | (~reached & (clean.fault_at >= ROWS)), ends_at, never
        ),
    }
    rows = np.stack(list(at.values()))
    first = rows.argmin(axis=0)
    row = rows.min(axis=0)
    kinds = np.array(list(at), dtype=np.uint8)
    return np.where(row < 10 * ROWS, kinds[first], np.uint8(Fault.NONE)), np.where(row < 10 * ROWS, row, 0)


def _tail(received: Bits, delimiter: Places) -> Bits:
    """Return the bits from the CRC delimiter to the end of frame."""
    rows = np.minimum(delimiter + np.arange(_TAIL)[:, None], ROWS - 1)
    tail: Bits = received[rows, np.arange(received.shape[1])]
    return tail
