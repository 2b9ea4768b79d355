"""Logs as candump -L of the Linux can-utils writes them, `(1600000000.000792) can0 123#1122 R`, and CSV logs.

The columns of a CSV log are python-can's: timestamp, identifier, extended, remote, error, length, data in base64.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.intake.bus_log.frames import (
    BIT_RATE_SWITCH,
    CLASSICAL_WIDTH,
    ERROR,
    ERROR_PASSIVE,
    EXTENDED,
    FD,
    FD_WIDTH,
    REMOTE,
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
    reader = "CanutilsLogReader"

    def holds_nothing(self, line: bytes) -> bool:
        """Return whether a line is empty or a comment."""
        return not line.strip() or line.lstrip().startswith(b"#")

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


COLUMNS: Final = b"timestamp,arbitration_id,extended,remote,error,dlc,data"
_NO_LETTER: Final = 255
_LONGEST_DATA: Final = 12
_BASE64: Final = np.full(256, _NO_LETTER, np.uint8)
_BASE64[np.frombuffer(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/", np.uint8)] = (
    np.arange(64)
)
_BASE64[ord("=")] = 0


class CsvLog(TextFormat):
    """A CSV log. Its columns name no channel and no CAN FD."""

    name = "a CSV log"
    example = "1600000000.000792,0x123,0,0,0,2,ESI= under the columns " + COLUMNS.decode()
    reader = "CSVReader"

    def is_header(self, line: bytes) -> bool:
        """Return whether a line names the columns."""
        return line.strip().removeprefix(b"\xef\xbb\xbf") == COLUMNS

    def read_header(self, header: list[bytes]) -> None:
        """Check that the columns are named."""
        if not header:
            raise ValueError(
                f"expected the columns {COLUMNS.decode()} in line 1; write it with these columns"
            )
        self.header = header[:1]

    def plain(self, lines: LogLines) -> tuple[Mask, FrameBlock]:
        """Return the lines with seven fields in the usual form."""
        commas = lines.places_of(b",")
        first = np.searchsorted(commas, lines.starts)
        rows = np.diff(np.append(first, len(commas))) == 6
        at = np.flatnonzero(rows)
        stops = commas[first[at][:, None] + np.arange(6)] if len(at) else np.zeros((0, 6), np.int64)
        ends = lines.ends[at] - (lines.letters[lines.ends[at] - 1] == ord("\r"))
        block, fits = self._frames(lines, lines.starts[at], stops, ends)
        rows[at[~fits]] = False
        return rows, block.taken(fits) if not fits.all() else block

    def _frames(
        self, lines: LogLines, starts: Places, stops: Places, ends: Places
    ) -> tuple[FrameBlock, Mask]:
        fits = (stops[:, 0] - starts <= LONGEST_NUMBER) & (stops[:, 0] > starts)
        fits &= lines.are_decimal(starts, np.where(fits, stops[:, 0], starts))
        fits &= (lines.letters[stops[:, 0] + 1] == ord("0")) & (lines.letters[stops[:, 0] + 2] == ord("x"))
        numbers, hex_identifier = lines.hex_numbers(stops[:, 0] + 3, stops[:, 1], 8)
        single = (np.diff(stops[:, 1:], axis=1) == 2).all(axis=1)
        extended, remote, error = (lines.letters[stops[:, place] + 1] == ord("1") for place in (1, 2, 3))
        lengths = lines.letters[stops[:, 4] + 1].astype(np.int64) - ord("0")
        fits &= hex_identifier & single & (lengths >= 0) & (lengths <= CLASSICAL_WIDTH)
        data, held = _base64_bytes(lines, stops[:, 5] + 1, ends)
        fits &= (held == lengths) & ~remote
        kinds = EXTENDED * extended | REMOTE * remote | ERROR * error
        seconds = lines.decimals(starts, np.where(fits, stops[:, 0], starts)) if fits.all() else None
        if seconds is None:
            seconds = np.zeros(len(starts))
            seconds[fits] = lines.decimals(starts[fits], stops[fits, 0])
        channels = np.full(len(starts), self.channels.number(None), np.uint16)
        none = np.zeros(len(starts), np.uint32)
        return FrameBlock(
            seconds,
            numbers,
            kinds.astype(np.uint8),
            np.where(fits, lengths, 0).astype(np.uint8),
            data,
            channels,
            none,
        ), fits


def _base64_bytes(lines: LogLines, starts: Places, ends: Places) -> tuple[NDArray[np.uint8], Places]:
    """Return up to 8 bytes per line written in base64, and how many there are; -1 where it is not so."""
    sizes = ends - starts
    quads = np.where((sizes % 4 == 0) & (sizes >= 0) & (sizes <= _LONGEST_DATA), sizes // 4, 0)
    data = np.zeros((len(starts), 9), np.uint8)
    good = quads * 4 == sizes
    for quad in range(int(quads.max(initial=0))):
        wanted = quads > quad
        at = np.where(wanted, starts + 4 * quad, 0)
        read = [_BASE64[lines.letters[at + place]] for place in range(4)]
        good &= ~wanted | ((np.maximum.reduce(read)) != _NO_LETTER)
        bits = sum(digit.astype(np.uint32) << 18 - 6 * place for place, digit in enumerate(read))
        for place in range(3):
            data[:, 3 * quad + place] = np.where(wanted, (bits >> 16 - 8 * place) & 0xFF, 0)
    padding = _padding(lines, starts, ends)
    good &= padding >= 0
    return data[:, :CLASSICAL_WIDTH], np.where(good, 3 * quads - padding, -1)


def _padding(lines: LogLines, starts: Places, ends: Places) -> Places:
    """Return how many = end each text; -1 where one stands elsewhere."""
    last, before = (
        (lines.letters[np.maximum(ends - place, 0)] == ord("=")) & (ends > starts) for place in (1, 2)
    )
    ending = last.astype(np.int64) + (last & before)
    signs = lines.places_of(b"=")
    inside = np.searchsorted(signs, ends) - np.searchsorted(signs, starts)
    return np.where(inside == ending, ending, -1)
