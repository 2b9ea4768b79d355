"""Logs as candump of the Linux can-utils writes them with -L: `(1600000000.000792) can0 123#1122 R`."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from casebase.intake.bus_log.frames import (
    BIT_RATE_SWITCH,
    CLASSICAL_WIDTH,
    ERROR,
    ERROR_PASSIVE,
    EXTENDED,
    FD,
    FD_WIDTH,
    FrameBlock,
)
from casebase.intake.bus_log.log_lines import LONGEST_NUMBER, LogLines, Mask, Places
from casebase.intake.bus_log.text_log import TextFormat

_ERROR_FLAG: Final = 0x2000_0000
_IDENTIFIER: Final = 0x1FFF_FFFF
"""linux/can.h: the flag of an error message of the controller, and the bits of a 29-bit identifier."""

_FD_LENGTH_OK: Final = np.isin(np.arange(65), (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64))


class CandumpLog(TextFormat):
    """A candump log.

    Unlike python-can, every error message of the controller counts as an error frame and keeps its class and channel;
    python-can knows those of class "bus error" alone and takes the others for data frames.
    """

    name = "a candump log"
    example = "(1600000000.000792) can0 123#1122"

    def reader(self, lines: Any) -> Any:
        """Return python-can's reader."""
        from can.io.canutils import CanutilsLogReader  # noqa: PLC0415

        return CanutilsLogReader(lines)

    def plain(self, lines: LogLines) -> tuple[Mask, FrameBlock]:
        """Return the lines that hold one frame in the usual form."""
        first = lines.first_words
        times, channels, frames = (lines.word(first + place) for place in range(3))
        rows = _shaped(lines, times, frames)
        at = np.flatnonzero(rows)
        hashes = _hash_of(lines, frames)[at]
        block, fits = self._frames(
            lines, _at(times, at, 1), _at(channels, at), (frames[0][at], hashes, frames[1][at])
        )
        rows[at[~fits]] = False
        return rows, block.taken(fits) if not fits.all() else block

    def _frames(
        self,
        lines: LogLines,
        times: tuple[Places, Places],
        channels: tuple[Places, Places],
        frames: tuple[Places, Places, Places],
    ) -> tuple[FrameBlock, Mask]:
        starts, hashes, ends = frames
        is_fd = lines.letters[hashes + 1] == ord("#")
        data_at = hashes + 1 + 2 * is_fd
        lengths = (ends - data_at) >> 1
        most = np.where(is_fd, FD_WIDTH, CLASSICAL_WIDTH)
        fits = ((ends - data_at) % 2 == 0) & (lengths >= 0) & (lengths <= most)
        fits &= _FD_LENGTH_OK[np.clip(lengths, 0, FD_WIDTH)]
        lengths = np.where(fits, lengths, 0)
        width = FD_WIDTH if lengths.max(initial=0) > CLASSICAL_WIDTH else CLASSICAL_WIDTH
        data, hex_data = lines.hex_pairs(data_at, lengths, width)
        numbers, hex_identifier = lines.hex_numbers(starts, hashes, 8)
        flags, known_flags = _fd_flags(lines, hashes, is_fd)
        channel, named = lines.channel_numbers(*channels, self.channels)
        fits &= hex_data & hex_identifier & known_flags & named
        is_error = (numbers & _ERROR_FLAG != 0) & (hashes - starts == 8)
        kinds = np.where(
            is_error, ERROR | EXTENDED, EXTENDED * (hashes - starts > 3) | FD * is_fd | flags
        ).astype(np.uint8)
        bits = numbers & _IDENTIFIER
        return FrameBlock(
            lines.decimals(*times),
            np.where(is_error, 0, bits).astype(np.uint32),
            kinds,
            lengths.astype(np.uint8),
            data,
            channel,
            np.where(is_error, bits, 0).astype(np.uint32),
        ), fits


def _at(word: tuple[Places, Places], at: Places, without_ends: int = 0) -> tuple[Places, Places]:
    return word[0][at] + without_ends, word[1][at] - without_ends


def _shaped(lines: LogLines, times: tuple[Places, Places], frames: tuple[Places, Places]) -> Mask:
    """Return which lines are a time in brackets, a channel, a frame with # in it, and perhaps a direction."""
    letters, first = lines.letters, lines.first_words
    ways = lines.word(first + 3)
    told = (lines.words_in == 4) & (ways[1] - ways[0] == 1) & lines.one_of(ways[0], b"RTrt")
    rows: Mask = (lines.words_in == 3) | told
    starts, ends = times
    rows &= (letters[starts] == ord("(")) & (letters[ends - 1] == ord(")"))
    rows &= (ends - starts > 2) & (ends - starts <= LONGEST_NUMBER)
    at = np.flatnonzero(rows)
    rows[at] = lines.are_decimal(starts[at] + 1, ends[at] - 1)
    before = _hash_of(lines, frames) - frames[0]
    rows &= (before == 3) | (before == 8)
    return rows


def _hash_of(lines: LogLines, frames: tuple[Places, Places]) -> Places:
    """Return where the first # of each frame stands; 0 where there is none."""
    hashes = lines.places_of(b"#")
    if not len(hashes):
        return np.zeros(len(lines), np.int64)
    found = hashes[np.minimum(np.searchsorted(hashes, frames[0]), len(hashes) - 1)]
    return np.where((found >= frames[0]) & (found < frames[1]), found, 0)


def _fd_flags(lines: LogLines, hashes: Places, is_fd: Mask) -> tuple[Any, Mask]:
    """Return the flags after ## as kinds, and which of them are a digit; bit 0 BRS, bit 1 ESI (linux/can.h)."""
    digits = lines.letters[hashes + 2].astype(np.int64) - ord("0")
    known = ~is_fd | ((digits >= 0) & (digits <= 9))
    told = np.where(is_fd & known, digits, 0)
    return (told & 1) * BIT_RATE_SWITCH | ((told >> 1) & 1) * ERROR_PASSIVE, known
