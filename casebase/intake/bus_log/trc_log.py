"""TRC logs, versions 1.0 to 2.1; the columns of version 2 stand in the header."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from casebase.intake.bus_log import spaced_log
from casebase.intake.bus_log.frames import FrameBlock, empty_block
from casebase.intake.bus_log.log_lines import LogLines, Mask
from casebase.intake.bus_log.text_log import TextFormat


class TrcLog(TextFormat):
    """A TRC log. Its error frames are not told: python-can's reader leaves them out."""

    name = "a TRC log"
    example = "1  0.792 DT  1  0123 Rx -  2  11 22"

    def __init__(self) -> None:
        super().__init__()
        self._start = 0.0
        self._columns: dict[str, int] | None = None

    def reader(self, lines: Any) -> Any:
        """Return python-can's reader."""
        from can.io.trc import TRCReader  # noqa: PLC0415

        return TRCReader(lines)

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
        lengths, told = spaced_log.length_digits(
            lines, lines.word(first + columns["l" if "l" in columns else "L"])
        )
        rows = told & (lines.words_in == columns["D"] + lengths)
        rows &= lines.letters[lines.starts] != ord(";")
        rows &= spaced_log.is_one_word_of(lines, way, (b"Rx", b"Tx"))
        if "T" in columns:
            rows &= spaced_log.is_one_word_of(lines, lines.word(first + columns["T"]), (b"DT",))
        rows = spaced_log.are_numbers(lines, rows, time)
        at = np.flatnonzero(rows)
        numbers, hex_identifier = lines.hex_numbers(identifier[0][at], identifier[1][at], 8)
        data, hex_data = spaced_log.spaced_data(lines, first[at] + columns["D"], lengths[at])
        channels, named = self._channels(lines, at)
        seconds = lines.decimals(time[0][at], time[1][at]) / 1000 + self._start
        extended = (identifier[1] - identifier[0])[at] > 4
        block = spaced_log.classical_block(seconds, numbers, extended, lengths[at], data, channels)
        fits = hex_identifier & hex_data & named
        rows[at[~fits]] = False
        return rows, block.taken(fits) if not fits.all() else block

    def _channels(self, lines: LogLines, at: Any) -> tuple[Any, Mask]:
        columns = self._columns or {}
        if "B" not in columns:
            return np.full(len(at), self.channels.number(1), np.uint16), np.ones(len(at), bool)
        bus = lines.word(lines.first_words[at] + columns["B"])
        return lines.channel_numbers(*bus, self.channels)
