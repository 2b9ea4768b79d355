"""Frames as they are handed on: a table with one row per frame, and one frame with its words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from enum import IntEnum
from typing import Any, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

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
