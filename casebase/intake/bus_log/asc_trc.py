"""ASC logs (`0.000792 1  123  Rx  d 2 11 22` after a header with date and base) and TRC logs, versions 1.0 to 2.1.

A frame of CAN FD in an ASC log: `0.1 CANFD 1 Rx 123 1 0 9 12 11 22 ...`, flags, length code, length, data.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import numpy as np

from casebase.intake.bus_log import log_lines
from casebase.intake.bus_log.frames import (
    BIT_RATE_SWITCH,
    ERROR_PASSIVE,
    EXTENDED,
    FD,
    FD_LENGTHS,
    FD_WIDTH,
    LIN,
    Channels,
    FrameBlock,
    LineFrame,
    block_of_lines,
    empty_block,
)
from casebase.intake.bus_log.log_lines import LogLines, Mask, Places, Word
from casebase.intake.bus_log.text_log import TextFormat, in_order_of_lines

_WORDS_BEFORE_DATA: Final = 9
_LENGTHS: Final = np.array(FD_LENGTHS)


def fd_frames(lines: LogLines, channels: Channels) -> tuple[Mask, FrameBlock]:
    """Return the lines with a data frame of CAN FD whose symbolic name is left out, and these frames."""
    first = lines.first_words
    words = [lines.word(first + place) for place in range(_WORDS_BEFORE_DATA)]
    time, kind, channel, way, identifier, switch, passive, code, length = words
    rows = (lines.words_in >= _WORDS_BEFORE_DATA) & log_lines.is_one_word_of(lines, kind, (b"CANFD",))
    rows &= log_lines.is_one_word_of(lines, way, (b"Rx", b"Tx"))
    for flag in (switch, passive):
        rows &= log_lines.is_one_word_of(lines, flag, (b"0", b"1"))
    rows &= code[1] - code[0] == 1
    rows = log_lines.are_numbers(lines, rows, time, fraction=True)
    rows = log_lines.are_numbers(lines, rows, channel) & (channel[1] - channel[0] <= 2)
    rows &= lines.letters[channel[0]] != ord("0")
    at = np.flatnonzero(rows)
    lengths, fits = _lengths(lines, _of(code, at), _of(length, at))
    fits &= lines.words_in[at] >= _WORDS_BEFORE_DATA + lengths
    extended = lines.one_of(identifier[1][at] - 1, b"xX")
    numbers, hex_identifier = lines.hex_numbers(identifier[0][at], identifier[1][at] - extended, 8)
    data, hex_data = log_lines.spaced_data(lines, first[at] + _WORDS_BEFORE_DATA, lengths, FD_WIDTH)
    named, known = lines.channel_numbers(channel[0][at], channel[1][at], channels)
    fits &= hex_identifier & hex_data & known
    flags = FD | EXTENDED * extended
    flags |= BIT_RATE_SWITCH * (lines.letters[switch[0][at]] == ord("1"))
    flags |= ERROR_PASSIVE * (lines.letters[passive[0][at]] == ord("1"))
    block = FrameBlock(
        lines.decimals(time[0][at], time[1][at]),
        numbers,
        flags.astype(np.uint8),
        lengths.astype(np.uint8),
        data,
        named,
        np.zeros(len(at), np.uint32),
    )
    rows[at[~fits]] = False
    return rows, block.taken(fits)


def _of(word: Word, at: Places) -> Word:
    return word[0][at], word[1][at]


def _lengths(lines: LogLines, code: Word, length: Word) -> tuple[Places, Mask]:
    """Return data lengths in bytes, and which of them are above 0 and agree with their code in hex."""
    codes, known = lines.hex_numbers(*code, 1)
    told = _LENGTHS[codes]
    starts, ends = length
    digits = [lines.letters[starts + place].astype(np.int64) - ord("0") for place in (0, 1)]
    two = ends - starts == 2
    written = np.where(two, 10 * digits[0] + digits[1], digits[0])
    are_digits = (digits[0] >= 1) & (digits[0] <= 9) & (~two | ((digits[1] >= 0) & (digits[1] <= 9)))
    fits = known & are_digits & (ends - starts <= 2) & (written == told)
    return np.where(fits, told, 0), fits


_HEADER: Final = re.compile(rb"\s*(date\s|base\s|//|(no\s+)?internal\s+events|begin\s)", re.IGNORECASE)
_DECIMAL_BASE: Final = re.compile(rb"\s*base\s+dec", re.IGNORECASE)
_NOTHING: Final = re.compile(
    rb"\s*(//|begin\s+triggerblock|end\s+triggerblock|\d+\.\d+\s+Start of measurement)", re.IGNORECASE
)
_RELATIVE: Final = re.compile(rb"^\s*base\s+\w+\s+timestamps\s+relative", re.IGNORECASE | re.MULTILINE)
_STAMP: Final = re.compile(rb"(?m)^[ \t]*(\d+\.\d+)(?=\s)")
_LIN_FRAME: Final = re.compile(
    rb"\s*(?P<time>\d+\.\d+)\s+(?P<channel>L(?:i|\d+))\s+(?P<number>[0-9A-Fa-f]{1,2})\s+(?:Rx|Tx)\s+(?P<length>[1-8])"
    rb"(?P<data>(?:\s+[0-9A-Fa-f]{2}){1,8})\s+checksum\s*=.*"
)
_LIN_OTHER: Final = re.compile(rb"\s*\d+\.\d+\s+L(?:i|\d+)\s")
_HEADER_ENDS: Final = b"no internal events logged"


class AscLog(TextFormat):
    """An ASC log."""

    name = "an ASC log"
    example = "0.000792 1  123  Rx  d 2 11 22"
    reader = "ASCReader"

    def __init__(self) -> None:
        super().__init__()
        self._hex = True
        self._relative: bool | None = None
        self._now = 0.0

    def is_header(self, line: bytes) -> bool:
        """Return whether a line belongs to the header."""
        return bool(_HEADER.match(line))

    def read_header(self, header: list[bytes]) -> None:
        """Take note of the base; python-can's reader drops the line that ends a header, so one is added."""
        self._hex = not any(_DECIMAL_BASE.match(line) for line in header)
        self.header = [line for line in header if b"nternal" not in line] + [_HEADER_ENDS]

    def rewritten(self, text: bytes) -> bytes:
        """Return lines with absolute stamps: each relative one counts from the line before it."""
        if self._relative is None:
            self._relative = bool(_RELATIVE.search(text[:4000]))
        return _STAMP.sub(self._absolute, text) if self._relative else text

    def _absolute(self, found: re.Match[bytes]) -> bytes:
        self._now += float(found[1])
        return b"%.6f" % self._now

    def may_end_with(self, line: bytes) -> bool:
        """An ASC log ends with `End TriggerBlock`."""
        return not line.strip() or line.strip().lower() == b"end triggerblock"

    def holds_nothing(self, line: bytes) -> bool:
        """Return whether a line is empty, a comment, or begins or ends the measurement."""
        return not line.strip() or bool(_NOTHING.match(line)) or bool(_LIN_OTHER.match(line))

    def channel_of(self, message: Any) -> object:
        """Python-can counts channels from 0, the file from 1."""
        return message.channel + 1 if isinstance(message.channel, int) else message.channel

    def plain(self, lines: LogLines) -> tuple[Mask, FrameBlock]:
        """Return the lines with a data frame."""
        rows, block = self._classical(lines)
        if b" L" in lines.text:
            rows, block = self._with_lin(lines, rows, block)
        if b"CANFD" not in lines.text or not self._hex:
            return rows, block
        fd_rows, fd_block = fd_frames(lines, self.channels)
        both = in_order_of_lines((np.flatnonzero(rows), block), (np.flatnonzero(fd_rows), fd_block))
        return rows | fd_rows, both

    def _with_lin(self, lines: LogLines, rows: Mask, block: FrameBlock) -> tuple[Mask, FrameBlock]:
        """Return the lines with frames of LIN too: `0.0394 Li 33 Rx 2 d0 7b checksum = 4f ...`."""
        found = []
        for number in np.flatnonzero(~rows).tolist():
            match = _LIN_FRAME.fullmatch(lines.line(number).rstrip())
            if match and len(data := bytes.fromhex(match["data"].decode())) == int(match["length"]):
                name = match["channel"].decode().replace("Li", "L1").replace("L", "LIN ")
                frame = LineFrame(float(match["time"]), int(match["number"], 16), LIN, data, name)
                found.append((number, frame))
        if not found:
            return rows, block
        numbers = np.array([number for number, _ in found])
        lin = block_of_lines([frame for _, frame in found], self.channels)
        both = in_order_of_lines((np.flatnonzero(rows), block), (numbers, lin))
        rows = rows.copy()
        rows[numbers] = True
        return rows, both

    def _classical(self, lines: LogLines) -> tuple[Mask, FrameBlock]:
        first = lines.first_words
        time, channel, identifier, way, kind, length = (lines.word(first + place) for place in range(6))
        rows = (lines.words_in >= 6) & log_lines.is_one_word_of(lines, way, (b"Rx", b"Tx"))
        rows &= log_lines.is_one_word_of(lines, kind, (b"d",))
        lengths, told = log_lines.length_digits(lines, length)
        rows &= told & (lines.words_in >= 6 + lengths)
        rows = log_lines.are_numbers(lines, rows, time, fraction=True)
        rows = log_lines.are_numbers(lines, rows, channel) & (channel[1] - channel[0] <= 2)
        rows &= lines.letters[channel[0]] != ord("0")
        if not self._hex or not rows.any():
            return np.zeros(len(lines), bool), empty_block(0)
        at = np.flatnonzero(rows)
        extended = lines.one_of(identifier[1][at] - 1, b"xX")
        numbers, hex_identifier = lines.hex_numbers(identifier[0][at], identifier[1][at] - extended, 8)
        data, hex_data = log_lines.spaced_data(lines, first[at] + 6, lengths[at])
        channels, named = lines.channel_numbers(channel[0][at], channel[1][at], self.channels)
        seconds = lines.decimals(time[0][at], time[1][at])
        block = log_lines.classical_block(seconds, numbers, extended, lengths[at], data, channels)
        fits = hex_identifier & hex_data & named
        rows[at[~fits]] = False
        return rows, block.taken(fits) if not fits.all() else block


class TrcLog(TextFormat):
    """A TRC log. Its error frames are not told: python-can's reader leaves them out."""

    name = "a TRC log"
    example = "1  0.792 DT  1  0123 Rx -  2  11 22"
    reader = "TRCReader"

    def __init__(self) -> None:
        super().__init__()
        self._start = 0.0
        self._columns: dict[str, int] | None = None

    def is_header(self, line: bytes) -> bool:
        """Return whether a line is a comment."""
        return line.lstrip().startswith(b";") or not line.strip()

    def holds_nothing(self, line: bytes) -> bool:
        """Return whether a line is empty or a comment."""
        return self.is_header(line)

    def may_end_with(self, line: bytes) -> bool:
        """A comment may end it."""
        return self.is_header(line)

    def read_header(self, header: list[bytes]) -> None:
        """Take note of the version, the start and the columns."""
        self.header = [line for line in header if line.strip()]
        told = dict(
            line.decode(errors="replace").strip().split("=", 1) for line in self.header if b"=" in line
        )
        version = told.get(";$FILEVERSION", "")
        if ";$STARTTIME" in told:
            start = datetime(1899, 12, 30, tzinfo=UTC) + timedelta(days=float(told[";$STARTTIME"]))
            self._start = start.timestamp()
        if version == "1.1":
            self._columns = {"O": 1, "d": 2, "I": 3, "L": 4, "D": 5}
        elif version in ("2.0", "2.1"):
            columns = told.get(";$COLUMNS", "").split(",")
            by_letter = {letter: columns.index(letter) for letter in columns}
            needed = set("OTIdD") <= set(columns) and ("l" in columns) + ("L" in columns) == 1
            self._columns = by_letter if needed and columns[-1] == "D" else None

    def plain(self, lines: LogLines) -> tuple[Mask, FrameBlock]:
        """Return the lines with a data frame of classical CAN."""
        columns = self._columns
        if columns is None:
            return np.zeros(len(lines), bool), empty_block(0)
        first = lines.first_words
        time, way, identifier = (lines.word(first + columns[letter]) for letter in "OdI")
        lengths, told = log_lines.length_digits(
            lines, lines.word(first + columns["l" if "l" in columns else "L"])
        )
        rows = told & (lines.words_in == columns["D"] + lengths)
        rows &= lines.letters[lines.starts] != ord(";")
        rows &= log_lines.is_one_word_of(lines, way, (b"Rx", b"Tx"))
        if "T" in columns:
            rows &= log_lines.is_one_word_of(lines, lines.word(first + columns["T"]), (b"DT",))
        rows = log_lines.are_numbers(lines, rows, time)
        at = np.flatnonzero(rows)
        numbers, hex_identifier = lines.hex_numbers(identifier[0][at], identifier[1][at], 8)
        data, hex_data = log_lines.spaced_data(lines, first[at] + columns["D"], lengths[at])
        channels, named = self._channels(lines, at)
        seconds = lines.decimals(time[0][at], time[1][at]) / 1000 + self._start
        extended = (identifier[1] - identifier[0])[at] > 4
        block = log_lines.classical_block(seconds, numbers, extended, lengths[at], data, channels)
        fits = hex_identifier & hex_data & named
        rows[at[~fits]] = False
        return rows, block.taken(fits) if not fits.all() else block

    def _channels(self, lines: LogLines, at: Any) -> tuple[Any, Mask]:
        columns = self._columns or {}
        if "B" not in columns:
            return np.full(len(at), self.channels.number(1), np.uint16), np.ones(len(at), bool)
        bus = lines.word(lines.first_words[at] + columns["B"])
        return lines.channel_numbers(*bus, self.channels)
