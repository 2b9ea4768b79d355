"""CSV logs with the columns of python-can: timestamp, identifier, extended, remote, error, length, data in base64."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.intake.bus_log.frames import CLASSICAL_WIDTH, ERROR, EXTENDED, REMOTE, FrameBlock
from casebase.intake.bus_log.log_lines import LONGEST_NUMBER, LogLines, Mask, Places
from casebase.intake.bus_log.text_log import TextFormat

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

    def reader(self, lines: Any) -> Any:
        """Return python-can's reader; it takes the header off by `next`."""
        from can.io.csv import CSVReader  # noqa: PLC0415

        return CSVReader(lines)

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
