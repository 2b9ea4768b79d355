"""ASC logs: `0.000792 1  123  Rx  d 2 11 22`, after a header with date, base and triggers."""

from __future__ import annotations

import re
from typing import Any, Final

import numpy as np

from casebase.intake.bus_log import spaced_log
from casebase.intake.bus_log.asc_fd import fd_frames
from casebase.intake.bus_log.frames import FrameBlock, empty_block
from casebase.intake.bus_log.log_lines import LogLines, Mask
from casebase.intake.bus_log.text_log import TextFormat, in_order_of_lines

_HEADER: Final = re.compile(rb"\s*(date\s|base\s|//|(no\s+)?internal\s+events|begin\s)", re.IGNORECASE)
_DECIMAL_BASE: Final = re.compile(rb"\s*base\s+dec", re.IGNORECASE)
_NOTHING: Final = re.compile(
    rb"\s*(//|begin\s+triggerblock|end\s+triggerblock|\d+\.\d+\s+Start of measurement)", re.IGNORECASE
)
_HEADER_ENDS: Final = b"no internal events logged"


class AscLog(TextFormat):
    """An ASC log."""

    name = "an ASC log"
    example = "0.000792 1  123  Rx  d 2 11 22"

    def __init__(self) -> None:
        super().__init__()
        self._hex = True

    def reader(self, lines: Any) -> Any:
        """Return python-can's reader."""
        from can.io.asc import ASCReader  # noqa: PLC0415

        return ASCReader(lines)

    def is_header(self, line: bytes) -> bool:
        """Return whether a line belongs to the header."""
        return bool(_HEADER.match(line))

    def read_header(self, header: list[bytes]) -> None:
        """Take note of the base; python-can's reader drops the line that ends a header, so one is added."""
        self._hex = not any(_DECIMAL_BASE.match(line) for line in header)
        self.header = [line for line in header if b"nternal" not in line] + [_HEADER_ENDS]

    def may_end_with(self, line: bytes) -> bool:
        """An ASC log ends with `End TriggerBlock`."""
        return not line.strip() or line.strip().lower() == b"end triggerblock"

    def holds_nothing(self, line: bytes) -> bool:
        """Return whether a line is empty, a comment, or begins or ends the measurement."""
        return not line.strip() or bool(_NOTHING.match(line))

    def channel_of(self, message: Any) -> object:
        """Python-can counts channels from 0, the file from 1."""
        return message.channel + 1 if isinstance(message.channel, int) else message.channel

    def plain(self, lines: LogLines) -> tuple[Mask, FrameBlock]:
        """Return the lines with a data frame."""
        rows, block = self._classical(lines)
        if b"CANFD" not in lines.text or not self._hex:
            return rows, block
        fd_rows, fd_block = fd_frames(lines, self.channels)
        both = in_order_of_lines((np.flatnonzero(rows), block), (np.flatnonzero(fd_rows), fd_block))
        return rows | fd_rows, both

    def _classical(self, lines: LogLines) -> tuple[Mask, FrameBlock]:
        first = lines.first_words
        time, channel, identifier, way, kind, length = (lines.word(first + place) for place in range(6))
        rows = (lines.words_in >= 6) & spaced_log.is_one_word_of(lines, way, (b"Rx", b"Tx"))
        rows &= spaced_log.is_one_word_of(lines, kind, (b"d",))
        lengths, told = spaced_log.length_digits(lines, length)
        rows &= told & (lines.words_in >= 6 + lengths)
        rows = spaced_log.are_numbers(lines, rows, time, fraction=True)
        rows = spaced_log.are_numbers(lines, rows, channel) & (channel[1] - channel[0] <= 2)
        rows &= lines.letters[channel[0]] != ord("0")
        if not self._hex or not rows.any():
            return np.zeros(len(lines), bool), empty_block(0)
        at = np.flatnonzero(rows)
        extended = lines.one_of(identifier[1][at] - 1, b"xX")
        numbers, hex_identifier = lines.hex_numbers(identifier[0][at], identifier[1][at] - extended, 8)
        data, hex_data = spaced_log.spaced_data(lines, first[at] + 6, lengths[at])
        channels, named = lines.channel_numbers(channel[0][at], channel[1][at], self.channels)
        seconds = lines.decimals(time[0][at], time[1][at])
        block = spaced_log.classical_block(seconds, numbers, extended, lengths[at], data, channels)
        fits = hex_identifier & hex_data & named
        rows[at[~fits]] = False
        return rows, block.taken(fits) if not fits.all() else block
